"""Sessions, passwords, links and tokens under attack: stolen, replayed, fixed, over-tried."""

from __future__ import annotations

import asyncio
import re
from collections.abc import AsyncGenerator, AsyncIterator, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, cast

import msgspec
import pytest
from fastapi.testclient import TestClient
from roles import HERE, OFFICE, PASSWORD, add, customer_of, signed_in, with_link, with_token
from seeding import FAILED, LATE, NOW, Fleet, seeded, unit_id

from dashboard.app import create_app
from dashboard.pages.live import events
from dashboard.viewers import by_session
from fleet.model import EVERYTHING
from fleet.registry import people

DAY_S = 86_400


class Clock:
    """The app's own clock, to be moved."""

    def __init__(self) -> None:
        self.now = NOW

    def __call__(self) -> int:
        return self.now


@pytest.fixture
def fleet(tmp_path: Path) -> Iterator[Fleet]:
    with seeded(tmp_path / "data", demo=False) as made:
        yield made


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def client(fleet: Fleet, clock: Clock) -> TestClient:
    app = create_app(fleet.settings, fleet.registry, fleet.history, now=clock)
    return TestClient(app, base_url=HERE, raise_server_exceptions=False, follow_redirects=False)


def sign_in(client: TestClient, login: str, password: str = PASSWORD, **more: str) -> int:
    return client.post(
        "/sign-in", data={"login": login, "password": password, **more}, headers={"origin": HERE}
    ).status_code


def form_token(client: TestClient, path: str = "/account") -> str:
    found = re.search(r'name="form_token" value="([^"]+)"', client.get(path).text)
    assert found is not None
    return found[1]


def test_the_first_owner_is_made_without_a_default_password(
    fleet: Fleet, client: TestClient
) -> None:
    """Whoever is not at the box itself shows the code that the terminal printed."""
    assert client.get("/").headers["location"] == "/set-up"
    assert client.get("/api/units").status_code == 401
    fields = {"login": "dee@example.org", "name": "Dee", "password": PASSWORD, "again": PASSWORD}
    page = client.get("/set-up").text
    names = set(re.findall(r'<input[^>]* name="([^"]+)"', page))
    assert {"login", "name", "password", "again", "code"} <= names
    weak = client.post(
        "/set-up", data={**fields, "password": "short", "again": "short"}, headers={"origin": HERE}
    )
    assert weak.status_code != 303
    code = people.make_set_up_code(fleet.registry, NOW)
    for wrong in ("", "AAAA-AAAA"):
        tried = client.post("/set-up", data={**fields, "code": wrong}, headers={"origin": HERE})
        assert tried.status_code == 422
    made = client.post("/set-up", data={**fields, "code": code}, headers={"origin": HERE})
    assert made.status_code == 303
    assert client.get("/people").status_code == 200
    again = client.post("/set-up", data=fields, headers={"origin": HERE})
    assert again.status_code == 303, "there is an owner: sent away, nothing made"


def test_a_session_replayed_after_signing_out_is_refused(fleet: Fleet, client: TestClient) -> None:
    add(fleet, "dee", "owner")
    assert sign_in(client, "dee") == 303
    stolen = client.cookies["hourhand"]
    assert client.get("/api/units").status_code == 200
    out = client.post(
        "/sign-out", data={"form_token": form_token(client)}, headers={"origin": HERE}
    )
    assert out.status_code == 303
    client.cookies.set("hourhand", stolen)
    assert client.get("/api/units").status_code == 401


def test_a_session_planted_before_signing_in_is_not_taken_over(
    fleet: Fleet, client: TestClient
) -> None:
    add(fleet, "dee", "owner")
    client.cookies.set("hourhand", "planted-by-somebody-else")
    assert sign_in(client, "dee") == 303
    given = [c.value for c in client.cookies.jar if c.name == "hourhand"][-1]
    assert given != "planted-by-somebody-else"
    thief = TestClient(client.app, base_url=HERE, cookies={"hourhand": "planted-by-somebody-else"})
    assert thief.get("/api/units").status_code == 401


def test_signing_in_again_ends_the_session_it_replaces(fleet: Fleet, client: TestClient) -> None:
    add(fleet, "dee", "owner")
    assert sign_in(client, "dee") == 303
    old = client.cookies["hourhand"]
    assert sign_in(client, "dee") == 303
    assert client.cookies["hourhand"] != old
    thief = TestClient(client.app, base_url=HERE, cookies={"hourhand": old})
    assert thief.get("/api/units").status_code == 401


def test_tokens_of_sessions_are_not_kept_as_they_are(fleet: Fleet, client: TestClient) -> None:
    add(fleet, "dee", "owner")
    sign_in(client, "dee")
    with fleet.registry.read() as connection:
        rows = connection.exec_driver_sql("select * from session").fetchall()
    assert len(rows) == 1
    assert client.cookies["hourhand"] not in str(rows)
    assert PASSWORD not in str(rows)


def app_at(client: TestClient) -> Any:
    """The application behind a client."""
    return client.app


def test_an_over_tried_password_waits_and_the_right_one_is_not_shut_out_for_good(
    fleet: Fleet, client: TestClient
) -> None:
    add(fleet, "dee", "owner")
    codes = [sign_in(client, "dee", "wrong words again") for _ in range(7)]
    assert codes[:5] == [401] * 5
    assert codes[-1] == 429
    assert sign_in(client, "dee") == 429, "even the right one waits"
    from dashboard.throttle import Throttle

    app_at(client).state.services.throttle.__dict__.update(Throttle().__dict__)  # a minute later
    assert sign_in(client, "dee") == 303


def test_an_unknown_name_looks_like_a_wrong_password(fleet: Fleet, client: TestClient) -> None:
    add(fleet, "dee", "owner")
    fields = {"password": "wrong words again"}
    known = client.post("/sign-in", data={**fields, "login": "dee"}, headers={"origin": HERE})
    unknown = client.post("/sign-in", data={**fields, "login": "eve"}, headers={"origin": HERE})
    assert known.status_code == unknown.status_code == 401
    assert known.text.replace("dee", "X") == unknown.text.replace("eve", "X")


@pytest.mark.parametrize(
    ("phone", "idle_s"), [("", 12 * 3600), ("1", 30 * DAY_S)], ids=["desk", "own phone"]
)
def test_a_session_ends_by_itself(
    fleet: Fleet, client: TestClient, clock: Clock, phone: str, idle_s: int
) -> None:
    add(fleet, "dee", "owner")
    assert sign_in(client, "dee", **({"phone": phone} if phone else {})) == 303
    clock.now = NOW + idle_s - 60
    assert client.get("/account").status_code == 200
    clock.now += idle_s + 60
    assert client.get("/api/units").status_code == 401


def test_a_phones_session_ends_after_90_days_however_used(
    fleet: Fleet, client: TestClient, clock: Clock
) -> None:
    add(fleet, "dee", "owner")
    assert sign_in(client, "dee", phone="1") == 303
    for day in range(20, 90, 20):
        clock.now = NOW + day * DAY_S
        assert client.get("/account").status_code == 200, day
    clock.now = NOW + 90 * DAY_S + 60
    assert client.get("/api/units").status_code == 401


def test_a_form_needs_its_sessions_token_and_its_own_origin(
    fleet: Fleet, client: TestClient
) -> None:
    add(fleet, "dee", "owner")
    sign_in(client, "dee")
    unit = unit_id(FAILED)
    fields = {"text": "seen", "by": "Dee", "at": "2026-11-25T07:00"}
    path = f"/units/{unit}/record/note"
    page = client.get(path).text
    made = re.search(r'name="id"\s+value="([^"]+)"', page)
    assert made is not None
    fields["id"] = made[1]
    token = form_token(client, path)
    bare = client.post(path, data=fields, headers={"origin": HERE})
    foreign = client.post(
        path, data={**fields, "form_token": token}, headers={"origin": "http://evil.example"}
    )
    other = client.post(
        path, data={**fields, "form_token": "0" * len(token)}, headers={"origin": HERE}
    )
    assert [bare.status_code, foreign.status_code, other.status_code] == [403, 403, 403]
    before = len(client.get(f"/api/units/{unit}/records").json()["items"])
    good = client.post(path, data={**fields, "form_token": token}, headers={"origin": HERE})
    assert good.status_code in (200, 303), re.sub(r"<[^>]+>|\s+", " ", good.text)[-600:]
    assert len(client.get(f"/api/units/{unit}/records").json()["items"]) == before + 1


def test_a_new_password_and_a_new_role_end_the_sessions(fleet: Fleet, client: TestClient) -> None:
    add(fleet, "dee", "owner")
    tom = add(fleet, "tom", "technician")
    sign_in(client, "tom")
    assert client.get("/api/quarantine").status_code == 200
    people.change_person(
        fleet.registry,
        tom.id,
        OFFICE,
        NOW,
        name="Tom",
        role="reader",
        customers=frozenset({customer_of(fleet, unit_id(FAILED))}),
        active=True,
    )
    assert client.get("/api/quarantine").status_code in (401, 403)


def test_revoked_and_ended_tokens_and_links_are_refused(
    fleet: Fleet, client: TestClient, clock: Clock
) -> None:
    ours, theirs = (customer_of(fleet, unit_id(n)) for n in (FAILED, LATE))
    assert ours != theirs
    token, link = with_token(fleet, "robot", {"read"}), with_link(fleet, "guest", ours)
    assert client.get("/api/units", headers=token.headers).status_code == 200
    guest = link.client(app_at(client))
    assert guest.get(f"/units/{unit_id(FAILED)}").status_code == 200
    assert guest.get(f"/units/{unit_id(LATE)}").status_code == 404
    made = next(t for t in people.tokens(fleet.registry, EVERYTHING) if t.name == "robot")
    assert people.revoke_token(fleet.registry, made.id, OFFICE, NOW)
    assert client.get("/api/units", headers=token.headers).status_code == 401
    clock.now = NOW + 2 * DAY_S
    assert guest.get("/api/units").status_code == 401


def test_who_did_what_is_kept(fleet: Fleet, client: TestClient) -> None:
    add(fleet, "dee", "owner")
    sign_in(client, "dee", "wrong words again")
    sign_in(client, "dee")
    with_token(fleet, "robot", {"read"})
    kinds = {row.kind for row in people.audit(fleet.registry)}
    assert {"sign_in", "sign_in_failed", "token_made", "person_added"} <= kinds, kinds


def test_a_signed_in_cookie_is_shut_in(fleet: Fleet, client: TestClient) -> None:
    add(fleet, "dee", "owner")
    given = client.post(
        "/sign-in", data={"login": "dee", "password": PASSWORD}, headers={"origin": HERE}
    ).headers["set-cookie"]
    assert "HttpOnly" in given
    assert "samesite=lax" in given.lower()
    assert signed_in(fleet, add(fleet, "tom", "technician")).cookies["hourhand"] not in given


def test_no_secret_passes_over_plain_http_off_this_machine(fleet: Fleet) -> None:
    add(fleet, "dee", "owner")
    name = "sets.hourhand.test"
    settings = msgspec.structs.replace(fleet.settings, http_names=name)
    app = create_app(settings, fleet.registry, fleet.history, now=lambda: NOW)
    there = f"http://{name}"
    far = TestClient(app, base_url=there, raise_server_exceptions=False, follow_redirects=False)
    tried = far.post(
        "/sign-in", data={"login": "dee", "password": PASSWORD}, headers={"origin": there}
    )
    assert tried.status_code == 403
    assert "--cert and --key" in tried.text
    assert "set-cookie" not in tried.headers
    token = with_token(fleet, "robot", {"read"})
    assert far.get("/api/units", headers=token.headers).status_code == 403


def test_a_page_that_keeps_itself_fresh_does_not_keep_its_session(
    fleet: Fleet, client: TestClient, clock: Clock
) -> None:
    """Today on the office's wall reads itself every minute; only a person counts as use."""
    add(fleet, "dee", "owner")
    sign_in(client, "dee")
    for hour in range(1, 12):
        clock.now = NOW + hour * 3600
        assert client.get("/", headers={"sec-fetch-mode": "cors"}).status_code == 200
    clock.now = NOW + 12 * 3600 + 60
    assert client.get("/").status_code == 303


def test_an_open_stream_of_news_ends_with_its_session(fleet: Fleet, client: TestClient) -> None:
    """A stream opened before is no way around signing out: the next news is not told any more."""
    caller = signed_in(fleet, add(fleet, "dee", "owner"))
    viewer = by_session(fleet.registry, caller.cookies["hourhand"], "", NOW)
    assert viewer is not None
    assert viewer.session is not None
    session = viewer.session
    desk = app_at(client).state.services

    async def told(after_sign_out: bool) -> list[str]:
        stream = cast(
            "AsyncGenerator[Any, None]", events(desk, viewer, viewer.scope, place="", after=0)
        )
        said = [str(await anext(stream))]
        if after_sign_out:
            people.sign_out(fleet.registry, session, "", NOW)
        said += [str(item) async for item in _at_most(stream, 1)]
        await stream.aclose()
        desk.feed.close()
        return said

    with ThreadPoolExecutor(1) as thread:  # the browser of other tests holds this one's loop
        before = thread.submit(lambda: asyncio.run(told(False))).result()
        after = thread.submit(lambda: asyncio.run(told(True))).result()
    assert unit_id(FAILED) in before[1]
    assert len(after) == 1


async def _at_most(stream: AsyncGenerator[Any], number: int) -> AsyncIterator[Any]:
    while number:
        try:
            yield await asyncio.wait_for(anext(stream), 20)
        except StopAsyncIteration:
            return
        number -= 1


@pytest.mark.parametrize(
    ("host", "strict"), [("sets.hourhand.test", True), ("127.0.0.1", False), ("localhost", False)]
)
def test_only_our_name_under_tls_is_https_for_good(fleet: Fleet, host: str, strict: bool) -> None:
    settings = msgspec.structs.replace(
        fleet.settings, http_names="sets.hourhand.test", tls_in_front=True
    )
    app = create_app(settings, fleet.registry, fleet.history, now=lambda: NOW)
    answer = TestClient(app, base_url=f"http://{host}").get("/health")
    assert ("strict-transport-security" in answer.headers) is strict


def test_behind_a_proxy_that_speaks_tls_the_cookie_is_bound_to_it(fleet: Fleet) -> None:
    add(fleet, "dee", "owner")
    name = "sets.hourhand.test"
    settings = msgspec.structs.replace(fleet.settings, http_names=name, tls_in_front=True)
    app = create_app(settings, fleet.registry, fleet.history, now=lambda: NOW)
    far = TestClient(app, base_url=f"http://{name}", follow_redirects=False)
    given = far.post(
        "/sign-in",
        data={"login": "dee", "password": PASSWORD},
        headers={"origin": f"https://{name}"},
    ).headers["set-cookie"]
    assert given.startswith("__Host-hourhand=")
    assert "; Secure" in given
    assert "Domain" not in given
    assert "Path=/" in given


def test_who_guesses_from_elsewhere_does_not_keep_the_right_one_out(fleet: Fleet) -> None:
    """Twenty wrong tries from one address; from another the right password is only delayed."""
    add(fleet, "dee", "owner")
    app = create_app(fleet.settings, fleet.registry, fleet.history, now=lambda: NOW)
    waited: list[float] = []

    async def sleep(seconds: float) -> None:
        waited.append(seconds)

    app.state.services.throttle._sleep = sleep
    mean = TestClient(app, base_url=HERE, client=("192.0.2.66", 5), follow_redirects=False)
    good = TestClient(app, base_url=HERE, client=("192.0.2.7", 5), follow_redirects=False)
    codes = [sign_in(mean, "dee", f"wrong words {n}") for n in range(22)]
    assert codes[:5] == [401] * 5
    assert set(codes[5:]) == {429}
    assert sign_in(mean, "somebody else") == 429, "the address itself is over its twenty"
    assert sign_in(good, "dee") == 303
    assert waited == [1.0]

"""Who may see and do what, walked over every route of the app as everybody who can ask.

`MAY` is written by hand: the role each route is for. A route that is missing there fails, as does
one that declares no requirement. Nothing of another customer may stand in any answer.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from fastapi import FastAPI
from roles import HERE, Caller, add, app_of, customer_of, routes, signed_in, with_link, with_token
from sampling import some
from seeding import FAILED, LATE, Fleet, seed, seeded, unit_id
from unhurried import unhurried

from fleet.model import EVERYTHING, Scope
from fleet.registry import lists
from fleet.registry.people import Role

ANYONE, READER, TECHNICIAN, OFFICE, OWNER = range(5)
MAY: dict[str, int] = {
    "GET /health": ANYONE,
    "GET /sign-in": ANYONE,
    "POST /sign-in": ANYONE,
    "GET /signed-out": ANYONE,
    "GET /set-up": ANYONE,
    "POST /set-up": ANYONE,
    "GET /join/{secret}": ANYONE,
    "POST /join/{secret}": ANYONE,
    "GET /share/{secret}": ANYONE,
    "POST /share/{secret}": ANYONE,
    "GET /static/{name}": ANYONE,
    "GET /": READER,
    "GET /units": READER,
    "GET /units/{unit}": READER,
    "GET /due": READER,
    "GET /tolerance": READER,
    "GET /alerts": READER,
    "GET /more": READER,
    "GET /events": READER,
    "GET /charts/unit/{unit}.json": READER,
    "GET /account": READER,
    "POST /account/sessions": READER,
    "POST /account/password": READER,
    "POST /sign-out": READER,
    "GET /api/openapi.json": READER,
    "GET /api/units": READER,
    "GET /api/units/{unit}": READER,
    "GET /api/units/{unit}/runs": READER,
    "GET /api/units/{unit}/hours": READER,
    "GET /api/units/{unit}/known": READER,
    "GET /api/units/{unit}/starts": READER,
    "GET /api/units/{unit}/due": READER,
    "GET /api/units/{unit}/readings": READER,
    "GET /api/units/{unit}/exercise": READER,
    "GET /api/units/{unit}/supply": READER,
    "GET /api/units/{unit}/running-signal": READER,
    "GET /units/{unit}/signal": READER,
    "GET /api/units/{unit}/records": READER,
    "GET /api/due": READER,
    "GET /api/readiness": READER,
    "GET /api/alerts": READER,
    "GET /alerts/{id}": READER,
    "GET /outages": READER,
    "GET /outages/{id}": READER,
    "GET /api/outages": READER,
    "POST /alerts/{id}/have": TECHNICIAN,
    "POST /alerts/{id}/shelve": TECHNICIAN,
    "POST /alerts/{id}/unshelve": TECHNICIAN,
    "POST /alerts/{id}/mark": TECHNICIAN,
    "POST /outages/{id}/have": TECHNICIAN,
    "POST /outages/{id}/call": TECHNICIAN,
    "POST /outages/{id}/write": TECHNICIAN,
    "GET /rota": TECHNICIAN,
    "GET /waking": TECHNICIAN,
    "POST /rota": OFFICE,
    "POST /waking": OWNER,
    "GET /channels": TECHNICIAN,
    "POST /channels": TECHNICIAN,
    "POST /channels/quiet": TECHNICIAN,
    "GET /weekly-test/{on}": TECHNICIAN,
    "POST /weekly-test/{on}": TECHNICIAN,
    "POST /channels/{id}/remove": TECHNICIAN,
    "POST /channels/{id}/test": TECHNICIAN,
    "GET /health-page": TECHNICIAN,
    "GET /api/quarantine": TECHNICIAN,
    "GET /api/devices/{device}/wire": TECHNICIAN,
    "POST /api/units/{unit}/records": TECHNICIAN,
    "GET /units/{unit}/record/{kind}": TECHNICIAN,
    "POST /units/{unit}/record/{kind}": TECHNICIAN,
    "POST /units/{unit}/undo": TECHNICIAN,
    "GET /metrics": OFFICE,
    "GET /people/shares": OFFICE,
    "POST /people/shares": OFFICE,
    "POST /people/shares/{id}/revoke": OFFICE,
    "GET /people": OWNER,
    "POST /people": OWNER,
    "GET /people/done": OWNER,
    "GET /people/person/{id}": OWNER,
    "POST /people/person/{id}": OWNER,
    "POST /people/person/{id}/link": OWNER,
    "POST /people/person/{id}/sessions": OWNER,
    "GET /people/tokens": OWNER,
    "POST /people/tokens": OWNER,
    "POST /people/tokens/{id}/revoke": OWNER,
}
MAY |= {
    "GET /calendar/{secret}": ANYONE,
    "GET /jobs": TECHNICIAN,
    "GET /jobs/{id}": TECHNICIAN,
    "GET /rounds": TECHNICIAN,
    "GET /rounds/day/{id}/{day}": TECHNICIAN,
    "GET /rounds/sheet/{id}/{day}": TECHNICIAN,
    "GET /rounds/export/{kind}": TECHNICIAN,
    "GET /technicians": TECHNICIAN,
    "GET /sites/{id}": TECHNICIAN,
    "GET /api/jobs": TECHNICIAN,
    "GET /api/jobs/{id}": TECHNICIAN,
    "GET /api/rounds": TECHNICIAN,
    "GET /jobs/call": TECHNICIAN,
    "POST /jobs/call": TECHNICIAN,
    "POST /jobs/{id}/step": TECHNICIAN,
    "POST /sites/{id}/codes": TECHNICIAN,
    "GET /jobs/billing.csv": OFFICE,
    "POST /rounds/plan": OFFICE,
    "POST /rounds/publish": OFFICE,
    "POST /rounds/discard": OFFICE,
    "POST /rounds/tell": OFFICE,
    "GET /rounds/change/{id}": OFFICE,
    "POST /rounds/change/{id}": OFFICE,
    "GET /rounds/insert/{id}": OFFICE,
    "POST /rounds/insert/{id}": OFFICE,
    "GET /technicians/{id}": OFFICE,
    "POST /technicians/{id}": OFFICE,
    "POST /technicians/{id}/calendar": OFFICE,
    "POST /sites/{id}": OFFICE,
    "POST /sites/{id}/contract": OFFICE,
}
WHOLE = (
    "/jobs",
    "/jobs/{id}",
    "/rounds",
    "/rounds/day/{id}/{day}",
    "/rounds/sheet/{id}/{day}",
    "/rounds/export/{kind}",
    "/technicians",
    "/sites/{id}",
    "/api/jobs",
    "/api/jobs/{id}",
    "/api/rounds",
    "/health-page",
    "/api/quarantine",
    "/api/devices/{device}/wire",
    "/metrics",
    "/rota",
    "/waking",
)
"""Jobs and rounds are for who sees the whole fleet: a token for all of it gets in, no customer."""
BY_HAND = ("/jobs/call", "/jobs/billing.csv", "/rounds/change/", "/rounds/insert/", "/technicians/")
"""What only a signed-in person may open."""
OURS, THEIRS = unit_id(FAILED), unit_id(LATE)
ENDLESS = {"GET /events"}
"""Asked in a test of its own: its answer never ends."""
FOR_PROGRAMS = re.compile(r"/api/|/metrics|/charts/|/events$")


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Fleet]:
    with seeded(tmp_path_factory.mktemp("roles"), demo=False) as made:
        yield made


@pytest.fixture(scope="module")
def app(fleet: Fleet) -> FastAPI:
    return app_of(fleet)


def everybody(fleet: Fleet, surname: str) -> dict[str, tuple[int, Caller]]:
    """Everybody who can ask, with the role that counts for a person; new ones for each surname."""
    ours, theirs = customer_of(fleet, OURS), customer_of(fleet, THEIRS)
    assert ours != theirs

    def come(role: Role, *customers: str) -> Caller:
        login = f"{role}-{len(customers) and customers[0]}-{surname}"
        return signed_in(fleet, add(fleet, login, role, *customers))

    return {
        "nobody": (ANYONE, Caller("nobody")),
        "reader": (READER, come("reader", ours)),
        "stranger": (READER, come("reader", theirs)),
        "technician": (TECHNICIAN, come("technician")),
        "office": (OFFICE, come("office")),
        "owner": (OWNER, come("owner")),
        "link": (READER, with_link(fleet, "link", ours)),
        "token": (READER, with_token(fleet, "token", {"read"}, ours)),
        "token-all": (READER, with_token(fleet, "token-all", {"read"})),
    }


@pytest.fixture(scope="module")
def callers(fleet: Fleet) -> dict[str, tuple[int, Caller]]:
    return everybody(fleet, "reading")


def asked_routes(app: FastAPI) -> list[tuple[str, str]]:
    """(key, path) of every route and method; a unit of ours in its place."""
    found = []
    for route in routes(app):
        for method in sorted(route.methods - {"HEAD"}):
            path = route.path.replace("{unit}", OURS).replace("{kind}", "note")
            path = re.sub(r"\{(id|secret|name)\}", "nothing", path)
            found.append((f"{method} {route.path}", path))
    return found


def test_every_route_says_whom_it_is_for_and_is_in_the_table(app: FastAPI) -> None:
    keys = [key for key, _ in asked_routes(app)]
    assert sorted(keys) == sorted(MAY)
    for route in routes(app):
        said = [d.call.__dict__.get("requirement") for d in route.dependant.dependencies]
        assert any(requirement is not None for requirement in said), route.path


def expected(key: str, who: str, rank: int) -> set[str]:
    """What may come: in (the route itself answers), out (refused), sign (asked to sign in)."""
    need = MAY[key]
    if need == ANYONE:
        return {"in", "sign"}  # those who are in already are sent on
    if who == "nobody":
        return {"sign"}
    personal = key.split()[1].startswith(("/account", "/people", "/channels", "/weekly-test"))
    if who.startswith("token"):
        if key.startswith("GET") and key.split()[1] in WHOLE:
            return {"in"} if who == "token-all" else {"out"}
        if key.split()[1].startswith(BY_HAND):
            return {"out"}
        return {"out"} if personal or key.startswith("POST") or "/record/" in key else {"in"}
    if who == "link":
        return {"in"} if need == READER and not personal else {"out"}
    return {"in"} if rank >= need else {"out"}


def kind_of(code: int, key: str, path: str) -> str:
    if code == 401 and FOR_PROGRAMS.search(path):
        return "sign"
    if code == 303 and not key.startswith("POST /sign"):
        return "sign" if key.startswith("GET") else "in"
    if code == 401:
        return "sign"
    return "out" if code == 403 else "in"


def test_the_walk(fleet: Fleet, app: FastAPI, capsys: pytest.CaptureFixture[str]) -> None:
    """Every route as one of each outcome that is expected there (in, out, to sign in), and as one
    more; what everybody meets is the long run's."""
    walked(fleet, app, capsys, "walking", 1)


@pytest.mark.long
def test_the_whole_walk(fleet: Fleet, app: FastAPI, capsys: pytest.CaptureFixture[str]) -> None:
    walked(fleet, app, capsys, "walking-on", len(everybody(fleet, "counted")))


def asks(key: str, callers: dict[str, tuple[int, Caller]], most: int) -> list[str]:
    """So many of each outcome that is expected of this route, and as many of the rest."""
    by_outcome: dict[str, list[str]] = {}
    for who, (rank, _) in callers.items():
        by_outcome.setdefault(str(sorted(expected(key, who, rank))), []).append(who)
    taken = {who for alike in by_outcome.values() for who in some(alike, most, key)}
    taken |= set(some([who for who in callers if who not in taken], most, key))
    return [who for who in callers if who in taken]


def walked(
    fleet: Fleet, app: FastAPI, capsys: pytest.CaptureFixture[str], surname: str, most: int
) -> None:
    """Every route, forms with their session's token; signing out comes last."""
    table: list[str] = []
    wrong: list[str] = []
    callers = everybody(fleet, surname)
    names = list(callers)
    for key, path in sorted(asked_routes(app), key=lambda asked: asked[0] == "POST /sign-out"):
        if key in ENDLESS:
            continue
        row = []
        asked = asks(key, callers, most)
        for who in names:
            if who not in asked:
                row.append("·")
                continue
            rank, caller = callers[who]
            unhurried(app)
            answer = caller.client(app).request(
                key.split()[0],
                path,
                headers={"origin": HERE},
                data={"form_token": caller.form_token} if key.startswith("POST") else None,
            )
            code = answer.status_code
            row.append(str(code))
            if kind_of(code, key, path) not in expected(key, who, rank) or code >= 500:
                wrong.append(f"{key} as {who}: {code}, expected {expected(key, who, rank)}")
        table.append(f"{key:<46}" + "".join(f"{code:>12}" for code in row))
    with capsys.disabled():
        print("\n" + " " * 46 + "".join(f"{name:>12}" for name in names))
        print("\n".join(table))
    assert not wrong, "\n".join(wrong)


def names_of(fleet: Fleet, but: str) -> list[str]:
    """Ids and names of every unit, site and customer that is not this customer's."""
    found: list[str] = []
    for unit, site, customer, _ in lists.units(fleet.registry, EVERYTHING, limit=500):
        if customer.id != but:
            found += [unit.id, customer.name, customer.id, site.id, site.address]
    own = {
        text
        for unit, site, customer, _ in lists.units(
            fleet.registry, Scope(frozenset({but})), limit=500
        )
        for text in (unit.id, customer.name, customer.id, site.id, site.address)
    }
    return [name for name in found if len(name) > 4 and name not in own]


@pytest.mark.parametrize("who", ["reader", "link", "token"])
def test_nothing_of_another_customer_is_in_any_answer(
    fleet: Fleet, app: FastAPI, callers: dict[str, tuple[int, Caller]], who: str
) -> None:
    client = callers[who][1].client(app)
    others = names_of(fleet, customer_of(fleet, OURS))
    assert len(others) > 20
    looked = 0
    extra = [
        "/units?search=a",
        "/api/units?search=Mill",
        "/due?ahead=365",
        "/alerts?all=1",
        "/api/alerts?open=false",
        f"/api/units?cursor={unit_id(0)}",
        "/api/due?until=2030-01-01",
    ]
    paths = [
        path for key, path in asked_routes(app) if key.startswith("GET") and key not in ENDLESS
    ]
    for path in [*paths, *extra]:
        body = client.get(path).text
        leaked = [name for name in others if name in body]
        assert not leaked, f"{path} as {who} shows {leaked}"
        looked += OURS in body
    assert looked >= 5, "it saw its own sets"


@pytest.mark.parametrize("who", ["reader", "link", "token"])
def test_what_a_scope_does_not_see_does_not_exist(
    app: FastAPI, callers: dict[str, tuple[int, Caller]], who: str
) -> None:
    client = callers[who][1].client(app)
    for key, _ in asked_routes(app):
        if not key.startswith("GET") or "{unit}" not in key or "/record/" in key:
            continue
        path = key.split()[1]
        theirs = client.get(path.replace("{unit}", THEIRS))
        nobodys = client.get(path.replace("{unit}", "no-such-set"))
        assert theirs.status_code == nobodys.status_code, path
        assert theirs.status_code in (404, 422), path
        assert theirs.text.replace(THEIRS, "X") == nobodys.text.replace("no-such-set", "X"), path


def test_the_feed_tells_a_reader_of_its_own_sets_only(
    fleet: Fleet, app: FastAPI, callers: dict[str, tuple[int, Caller]]
) -> None:
    """Changes of every set are there; the stream of a scope names its own alone."""
    ours = Scope(frozenset({customer_of(fleet, OURS)}))
    everything = {unit for _, _, unit in lists.changes_since(fleet.registry, EVERYTHING, 0)}
    assert {OURS, THEIRS} <= everything
    assert {unit for _, _, unit in lists.changes_since(fleet.registry, ours, 0)} == {OURS}
    with ThreadPoolExecutor(1) as thread:  # the browser of other tests holds this one's loop
        text = thread.submit(lambda: asyncio.run(first_news(app, callers["reader"][1]))).result()
    assert OURS in text
    assert THEIRS not in text


async def first_news(app: FastAPI, caller: Caller) -> str:
    """The first event of the stream since the beginning, read over ASGI."""
    sent: list[bytes] = []
    got = asyncio.Event()
    cookie = "; ".join(f"{name}={value}" for name, value in caller.cookies.items())
    scope: dict[str, Any] = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": "GET",
        "path": "/events",
        "raw_path": b"/events",
        "query_string": b"after=0",
        "root_path": "",
        "scheme": "http",
        "server": ("127.0.0.1", 8080),
        "client": ("127.0.0.1", 5),
        "headers": [(b"host", b"127.0.0.1:8080"), (b"cookie", cookie.encode())],
    }

    async def receive() -> dict[str, Any]:
        await asyncio.sleep(30)
        return {"type": "http.disconnect"}

    async def send(message: dict[str, Any]) -> None:
        sent.append(message.get("body", b""))
        if OURS.encode() in b"".join(sent):
            got.set()

    async with app.router.lifespan_context(app):
        task = asyncio.create_task(app(scope, receive, send))  # type: ignore[arg-type]
        await asyncio.wait_for(got.wait(), 20)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    return b"".join(sent).decode()


def test_the_demo_shows_all_and_writes_nothing(tmp_path_factory: pytest.TempPathFactory) -> None:
    made = seed(tmp_path_factory.mktemp("demo"), demo=True)
    client = Caller("visitor").client(app_of(made))
    try:
        assert client.get("/").status_code == 200
        assert client.get(f"/units/{OURS}").status_code == 200
        refused = client.post(
            f"/units/{OURS}/record/note", headers={"origin": HERE}, data={"text": "x"}
        )
        assert refused.status_code == 403
        assert "read-only" in refused.text
        assert client.post(f"/api/units/{OURS}/records", json={}).status_code == 403
        assert client.get("/people").status_code == 403
    finally:
        made.registry.close()
        made.history.store.close()

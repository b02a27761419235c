"""Every parameter of every route, and every field of every form, sent what nobody would send.

The answer may refuse; it may never be a fault of ours. On SQLite and on PostgreSQL, for what one
takes the other may not keep (a NUL in text, a number beyond its column).
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from typing import Any
from urllib.parse import quote, quote_from_bytes, urlencode, urlsplit

import crawl
import on_postgresql
import pytest
from crawl import Form
from dispatching import Office, close, opened
from fastapi import FastAPI
from fastapi.testclient import TestClient
from mains_off import mains_off
from roles import HERE, Caller, add, app_of, routes, signed_in
from sampling import some
from seeding import LATE, NOW, unit_id
from unhurried import unhurried

from dashboard.api.records import Sent
from fleet.model import EVERYTHING
from fleet.registry import people
from fleet.registry.base import engine
from fleet.registry.facts.records.facts import FIELDS
from fleet.registry.office import kept_jobs, rounds_feed
from fleet.registry.people import Actor

pytest_plugins = ["databases"]
pytestmark = pytest.mark.timeout(600)
"""A walk is minutes of work where many share the machine; a test asserts on no clock."""

BY = Actor("the tests")
POTENT: tuple[bytes, ...] = (
    str(2**63).encode(),
    b"9" * 5000,
    "²".encode(),
    b"a\x00b",
    b"9999-12-31",
    b"NaN",
    b"0001-01-01T00:00",
    str(2**31).encode(),
)
"""What broke most. The ordinary run sends each parameter two of them, the long one all of VALUES."""
VALUES: tuple[bytes, ...] = (
    *POTENT,
    b"",
    b"0",
    b"-1",
    b"+5",
    b"1_000",
    b"0x10",
    b" 7 ",
    b"1e400",
    b"-1e400",
    b"1e22",
    b"Infinity",
    str(-(2**63) - 1).encode(),
    str(2**63 - 1).encode(),
    str(10**20).encode(),
    b"-" + b"9" * 5000,
    "١٢".encode(),
    "１２".encode(),
    "½".encode(),
    b"\x00",
    b"\xff\xfe",
    b"\xed\xa0\x80",
    "\u202egnp.exe\u2066".encode(),
    "\U0001f9ff".encode(),
    b"x" * 20_000,
    b"\r\nSet-Cookie: a=b",
    b"'\"><script>alert(1)</script>",
    b"../../etc/passwd",
    b"{{7*7}}",
    b"%s%n%00",
    b"9999-12-31T23:59",
    b"9999-12-31T23:59:59.999999-23:59",
    b"0001-01-01",
    b"0001-01-01T00:00+23:59",
    b"10000-01-01",
    b"0000-00-00",
    b"2026-02-30",
    b"1970-01-01",
    b"1969-12-31T23:59",
    b"2026-W01-1",
    b"20260101",
    b"24:00",
    b"25:61",
    b"99999999999:00",
    b"0 until 9999-12-31",
    b"oil_l 1e999",
    b"oil_l " + b"9" * 400,
    b"mon 00:00-99:99",
    b"9999-12-31 to 9999-12-31",
    b"90, 180",
    b"1e9,1e9",
    b"NaN, NaN",
    b"North",
)


class Walk:
    """The owner's browser at an office where much is going on, and what went wrong."""

    def __init__(self, office: Office, on: str) -> None:
        self.office = office
        self.on = on
        fleet = office.fleet
        self.outage = mains_off(fleet)
        self.app: FastAPI = app_of(fleet)
        self.wrong: list[str] = []
        self.asked = 0
        _, self.calendar = rounds_feed.make_feed(fleet.registry, "ana", BY, NOW)
        invited = people.add_person(
            fleet.registry,
            people.Person(id="", login="new", name="New", role="technician"),
            BY,
            NOW,
        )
        self.invitation = people.invite(fleet.registry, invited.id, BY, NOW)
        self.n = 0
        self.sign_in()

    def sign_in(self) -> None:
        """As an owner of one's own, whom nothing has shut out yet."""
        self.n += 1
        made = add(self.office.fleet, f"boss-{self.n}", "owner")
        self.caller: Caller = signed_in(self.office.fleet, made)
        self.client: TestClient = self.caller.client(self.app)

    def ask(self, method: str, path: str, about: str, **more: Any) -> int:
        unhurried(self.app)
        answer = self.client.request(method, path, **more)
        self.asked += 1
        if answer.status_code in (401, 403) and method == "POST":
            self.sign_in()
        if answer.status_code >= 500:
            self.wrong.append(f"{answer.status_code} {about}")
        return answer.status_code

    def check(self) -> None:
        asked, wrong = self.asked, self.wrong
        self.asked, self.wrong = 0, []
        assert asked > 50
        assert not wrong, f"{len(wrong)} of {asked}:\n" + "\n".join(wrong)

    def place(self, path: str) -> str:
        """A route's pattern with things that are there."""
        given = {
            "{unit}": unit_id(LATE),
            "{kind}": "geojson" if "export" in path else "note",
            "{name}": "app.css",
            "{day}": "2026-11-25",
            "{on}": "2026-11-25",
            "{secret}": self.calendar if "calendar" in path else self.invitation,
        }
        for name, value in given.items():
            path = path.replace(name, value)
        kinds = {
            "/jobs/": self.office.call,
            "/rounds/change": self.office.call,
            "/rounds/insert": self.office.call,
            "/alerts": self.outage,
            "/outages": self.outage,
            "/sites": self.office.sites[unit_id(LATE)],
            "/people/person": self.caller.name,
        }
        return path.replace("{id}", next((v for k, v in kinds.items() if k in path), "ana"))


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def walk(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Walk]:
    """The same office on each database."""
    with pytest.MonkeyPatch.context() as patch:
        if request.param == "postgresql":
            patch.setattr(on_postgresql, "HOME", request.getfixturevalue("postgres"))
            patch.setattr(engine, "_url_of", engine._url_of)
            on_postgresql.install()
        office = opened(tmp_path_factory.mktemp("edges") / "data")
        yield Walk(office, request.param)
        close(office)


def shown(value: bytes) -> str:
    return f"{value[:40]!r}{'…' if len(value) > 40 else ''}"


def asked_by(app: FastAPI, method: str) -> list[tuple[str, list[str], list[str], list[str]]]:
    """(path, path parameters, query parameters, headers) of every route with that method."""
    found = []
    for route in routes(app):
        if method in route.methods:
            d = route.dependant
            kinds = (d.path_params, d.query_params, d.header_params)
            found.append((route.path, *([p.alias for p in kind] for kind in kinds)))
    return found


def paths(walk: Walk, values: tuple[bytes, ...], most: int) -> None:
    """Every parameter with so many of the values: others for another parameter or database."""
    for path, names, queries, _ in asked_by(walk.app, "GET"):
        if path == "/events":
            continue  # its answer never ends; tests/dashboard/test_events.py asks it
        for name in names:
            for value in some(values, most, walk.on, path, name):
                bad = path.replace(f"{{{name}}}", quote_from_bytes(value[:2000], safe=""))
                walk.ask("GET", walk.place(bad), f"GET {path}: {name} = {shown(value)}")
        for name in queries:
            for value in some(values, most, walk.on, path, name):
                query = f"?{quote(name)}={quote_from_bytes(value)}"
                walk.ask("GET", walk.place(path) + query, f"GET {path}: {name} = {shown(value)}")


def test_every_path_and_query(walk: Walk) -> None:
    paths(walk, POTENT, 2)
    walk.check()


@pytest.mark.long
@pytest.mark.timeout(900)
def test_every_path_and_query_with_everything(walk: Walk) -> None:
    paths(walk, VALUES, len(VALUES))
    walk.check()


MOMENTS = (
    "0001-01-01T00:00:00Z",
    "9999-12-31T23:59:59Z",
    "9999-12-31T23:59:59.9-23:59",
    "1969-12-31T23:59:59Z",
    "2099-12-31T23:59:59Z",
    "2026-11-25T07:00:00Z",
    "9999-12-31 23:59",
    "0001-01-01 00:00",
    "2026-11-25T07:00",
)


def together(walk: Walk, most: int) -> None:
    """So many pairs of moments to each span of time."""
    pairs = [(first, last) for first in MOMENTS for last in MOMENTS]
    for path, _, queries, _ in asked_by(walk.app, "GET"):
        pair = [name for name in queries if name in ("from", "to", "started", "stopped")]
        if len(pair) != 2:
            continue
        for first, last in some(pairs, most, walk.on, path):
            query = urlencode({pair[0]: first, pair[1]: last, "channel": "battery_v"})
            about = f"GET {path}?{query}"
            walk.ask("GET", f"{walk.place(path)}?{query}", about)
    walk.check()


def test_what_may_be_given_together(walk: Walk) -> None:
    """Spans of time, whose two ends only make sense together."""
    together(walk, 20)


@pytest.mark.long
def test_whatever_may_be_given_together(walk: Walk) -> None:
    together(walk, len(MOMENTS) ** 2)


def forms_of(walk: Walk, alike: int) -> list[Form]:
    """One form of each kind that an owner is shown, and of those who are not signed in, on so many
    pages of one kind."""
    job = next(
        j.id for j in kept_jobs.jobs(walk.office.fleet.registry, EVERYTHING) if not j.technician
    )
    begin = (
        "/",
        f"/rounds/insert/{job}",
        f"/rounds/insert/{walk.office.call}",
        "/weekly-test/2026-11-25",
        "/account",
    )
    found: dict[Any, Form] = {}
    outside = Caller("nobody").client(walk.app)
    pages = [
        *crawl.follow(walk.app, walk.client, begin, alike),
        *crawl.follow(walk.app, outside, ("/sign-in", f"/join/{walk.invitation}")),
    ]
    for page in pages:
        for form in page.forms:
            route = crawl.route_of(walk.app, form.method.upper(), form.action.removeprefix(HERE))
            kind = urlsplit(form.action).path.rpartition("/")[2] if "{kind}" in route else ""
            held = [f.value for f in form.fields if f.name in ("kind", "what")]
            key = (form.method, route, kind, *sorted({f.name for f in form.fields}), *held)
            found.setdefault(key, form)
    return list(found.values())


def fields(
    walk: Walk,
    values: tuple[bytes, ...],
    each: int,
    there: Callable[[str, str], bool] = lambda route, name: True,
    alike: int = crawl.LIKE_AT_MOST,
) -> None:
    """So many of the values for each field, another stretch of them for the next.

    there: whether a field of a form of that route is sent on this database."""
    first = 0
    made = forms_of(walk, alike)
    assert len({urlsplit(f.action).path for f in made}) > 25
    for form in made:
        if form.method != "post" or form.action.endswith("/sign-out"):
            continue
        names = dict.fromkeys(f.name for f in form.fields if f.name != "form_token")
        path = form.action.removeprefix(HERE)
        route = crawl.route_of(walk.app, "POST", path)
        for name in names or [""]:
            if not there(route, name):
                continue
            for n in range(each):
                post(walk, form, path, name, values[(first + n) % len(values)])
            first += each


def post(walk: Walk, form: Form, path: str, name: str, value: bytes) -> None:
    """The form as a browser would send it, but for one field; choices are taken where there are."""
    pairs: list[tuple[str, bytes]] = [
        (f.name, (f.value or (f.options[-1] if f.options else "")).encode() or b"7")
        for f in form.fields
        if f.name not in (name, "form_token") and (f.sent or f.kind == "checkbox")
    ]
    pairs += [(name, value), ("form_token", walk.caller.form_token.encode())]
    body = "&".join(f"{quote(n)}={quote_from_bytes(v)}" for n, v in pairs)
    kind = {"content-type": "application/x-www-form-urlencoded", "origin": HERE}
    walk.ask("POST", path, f"POST {path}: {name} = {shown(value)}", content=body, headers=kind)


def test_every_field_of_every_form(walk: Walk) -> None:
    """One potent value for each field, the next for the next, on one of the databases; all of them
    on both in the long run."""

    def there(route: str, name: str) -> bool:
        return some(("sqlite", "postgresql"), 1, route, name) == [walk.on]

    fields(walk, POTENT, 1, there, 2)
    walk.check()


@pytest.mark.long
def test_every_field_of_every_form_with_what_broke_most(walk: Walk) -> None:
    fields(walk, POTENT[:5], 5)
    walk.check()


@pytest.mark.long
@pytest.mark.timeout(900)
def test_every_field_of_every_form_with_more(walk: Walk) -> None:
    fields(walk, VALUES, 12)
    walk.check()


BODIES = (
    b"",
    b"null",
    b"[]",
    b'"x"',
    b"{",
    b"\xff",
    b'{"at": ' + b"9" * 5000 + b"}",
    b"[" * 100_000,
    b'{"at": NaN}',
    b'{"at": 1e400}',
    b'{"a\\u0000": 1}',
    b"\xef\xbb\xbf{}",
)

RAW = (
    b"9" * 400,
    b"-1",
    b"1e400",
    b"-1e400",
    b"NaN",
    b"Infinity",
    b"9223372036854775808",
    b"-9223372036854775809",
    b"2147483648",
    b'"\\u0000"',
    b'"\\ud800"',
    b'"\\u202e"',
    b"[]",
    b"{}",
    b"[[[[1]]]]",
    b'{"a": {"b": 1e400}}',
    b"true",
    b'"9999-12-31"',
    b'"0001-01-01"',
    b'"' + b"x" * 20_000 + b'"',
    b'{"x\\u0000y": 1}',
    b'{"\\udfff": 1}',
    b"[" + b"1," * 3000 + b"1]",
)


def test_json_bodies(walk: Walk) -> None:
    """Whole bodies that are none, and each value of a sound one replaced by three of the potent; a
    list of every route that takes JSON, whose shapes all refuse what cannot be kept."""
    bodies(walk, 3)


@pytest.mark.long
def test_json_bodies_with_everything(walk: Walk) -> None:
    bodies(walk, len(RAW))


def bodies(walk: Walk, most: int) -> None:
    taking = [r for r in routes(walk.app) if "POST" in r.methods and r.dependant.body_params]
    assert [r.path for r in taking] == ["/api/units/{unit}/records"]
    for route in taking:
        shape = route.dependant.body_params[0].field_info.annotation
        assert issubclass(shape, Sent), f"{route.path}: what it takes is not bounded"
    _, secret = people.make_token(
        walk.office.fleet.registry, "t", frozenset({"read", "record"}), None, 1, BY, NOW
    )
    path = f"/api/units/{unit_id(LATE)}/records"
    kind = {"content-type": "application/json", "authorization": f"Bearer {secret}"}
    for body in BODIES:
        walk.ask("POST", path, f"POST {path}: {shown(body)}", content=body, headers=kind)
    sound: dict[str, Any] = {
        "at": "2026-11-24T07:00:00Z",
        "by": "Dee",
        "kind": "visit",
        "facts": {"opened": NOW - 9000, "closed": NOW - 7000, "minutes": 30, "text": "x"},
    }
    rest = {
        which: {"meter": 231.0, "raw": 233.0, "instrument": "A", "channel": "mains_v"}
        for which in ("meter_check",)
    }
    for which in FIELDS:
        for name in (*(f.name for f in FIELDS[which]), "other"):
            for value in some(RAW, most, walk.on, which, name):
                facts = (
                    json.dumps(rest.get(which, {}) | {"text": "x", name: "MARK"})
                    .replace('"MARK"', "%s")
                    .encode()
                )
                body = json.dumps(sound | {"kind": which, "facts": "MARK"}).encode()
                body = body.replace(b'"MARK"', facts.replace(b"%s", value))
                walk.ask("POST", path, f"{which} {name} {shown(value)}", content=body, headers=kind)
    for name in (*sound, "corrects", "id", "more"):
        for value in RAW:
            body = json.dumps(sound | {name: "MARK"}).encode().replace(b'"MARK"', value)
            walk.ask("POST", path, f"{name} = {shown(value)}", content=body, headers=kind)
    walk.check()


HEADERS = (
    "host",
    "cookie",
    "authorization",
    "content-length",
    "content-type",
    "origin",
    "referer",
    "user-agent",
    "accept-encoding",
    "if-none-match",
    "x-forwarded-for",
    "forwarded",
    "sec-fetch-site",
    "sec-fetch-mode",
    "transfer-encoding",
    "range",
    "last-event-id",
    "accept",
)
SAID = (
    b"",
    b"\xb2",
    b"\xff\xfe",
    b"9" * 5000,
    b"-1",
    b"http://[",
    b"http://[::1",
    b"[",
    b"%00",
    b"\x01",
    b"bytes=0-99999999999999999999",
    b"a\x00b",
    b"Bearer \xb2",
    b"Bearer " + b"x" * 9000,
    b'hourhand="\\000\\377"',
    b"hourhand=\xb2; hourhand-share=\xff",
    b"multipart/form-data",
    b"multipart/form-data; boundary=\xb2",
    b"multipart/form-data; boundary=x; charset=unicode_escape",
    b"application/x-www-form-urlencoded; charset=hex",
    b"http://127.0.0.1:99999999999",
    b'W/"\xb2"',
)


def test_every_header(walk: Walk) -> None:
    headers(walk, 7)


@pytest.mark.long
def test_every_header_with_everything(walk: Walk) -> None:
    headers(walk, len(SAID))


def headers(walk: Walk, most: int) -> None:
    """Every header with so many of what it may say, asked of a page and of a form."""
    ours = next(iter(walk.caller.cookies.values()))
    for name in HEADERS:
        for said in some(SAID, most, walk.on, name):
            for method, path in (
                ("GET", f"/calendar/{walk.calendar}"),
                (
                    "POST",
                    f"/api/units/{unit_id(LATE)}/records" if name.startswith("con") else "/rota",
                ),
            ):
                given = {
                    b"host": b"127.0.0.1:8080",
                    b"cookie": f"hourhand={ours}".encode(),
                    b"origin": HERE.encode(),
                    b"content-type": b"application/x-www-form-urlencoded",
                }
                if method == "POST":
                    given[b"content-length"] = b"3"
                given[name.encode()] = said
                walk.wrong += raw_ask(walk, method, path, given)
    walk.check()


def raw_ask(walk: Walk, method: str, path: str, given: dict[bytes, bytes]) -> list[str]:
    """A request as a server would hand it on, headers as bytes; what was wrong."""
    import asyncio
    from concurrent.futures import ThreadPoolExecutor

    found: list[int] = []
    bodies = [{"type": "http.request", "body": b"a=b" if method == "POST" else b""}]

    async def receive() -> Any:
        return bodies.pop() if bodies else {"type": "http.disconnect"}

    async def send(message: Any) -> None:
        if message["type"] == "http.response.start":
            found.append(message["status"])

    scope = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": method,
        "path": path,
        "raw_path": path.encode(),
        "query_string": b"",
        "root_path": "",
        "scheme": "http",
        "server": ("127.0.0.1", 8080),
        "client": ("127.0.0.1", 5),
        "headers": list(given.items()),
    }
    unhurried(walk.app)
    about = f"{method} {path}: {given}"[:300]
    walk.asked += 1
    with ThreadPoolExecutor(1) as thread:
        try:
            thread.submit(lambda: asyncio.run(walk.app(scope, receive, send))).result()
        except Exception as fault:
            return [f"{type(fault).__name__} {fault} {about}"]
    return [f"{code} {about}" for code in found if code >= 500]


def test_bounds_are_words(walk: Walk) -> None:
    """A number out of bounds is refused with what was wrong, not with nothing."""
    for path in (f"/api/quarantine?cursor={2**63}", f"/people/done?before={10**20}"):
        answer = walk.client.get(path)
        assert answer.status_code == 422, path
        assert re.search("less than or equal|valid integer", answer.text), path

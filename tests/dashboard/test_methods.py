"""HEAD, OPTIONS and what is not allowed, at every address there is."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator

import pytest
from browsers import serving
from dispatching import Office
from fastapi import FastAPI
from fastapi.testclient import TestClient
from roles import HERE, add, app_of, routes, signed_in, with_link
from seeding import LATE, NOW, unit_id

from fleet.registry.office import rounds_feed
from fleet.registry.people import Actor

pytest_plugins = ["dispatching"]
pytestmark = pytest.mark.sqlite_only
BY = Actor("the tests")


@pytest.fixture(scope="module")
def app(module_office: Office) -> FastAPI:
    return app_of(module_office.fleet)


@pytest.fixture(scope="module")
def owner(module_office: Office, app: FastAPI) -> TestClient:
    return signed_in(module_office.fleet, add(module_office.fleet, "boss", "owner")).client(app)


@pytest.fixture(scope="module")
def feed(module_office: Office) -> str:
    _, secret = rounds_feed.make_feed(module_office.fleet.registry, "ana", BY, NOW)
    return f"/calendar/{secret}.ics"


def places(app: FastAPI, office: Office, feed: str) -> Iterator[tuple[str, set[str]]]:
    """Every address with the methods its routes take."""
    found: dict[str, set[str]] = {}
    job = office.call
    for route in routes(app):
        path = route.path.replace("{unit}", unit_id(LATE)).replace("{name}", "app.css")
        path = path.replace("{kind}", "gpx" if "export" in path else "note")
        path = path.replace("{day}", "2026-11-25").replace("{on}", "2026-11-25")
        if "/calendar/" in path and "technicians" not in path:
            path = feed
        path = path.replace("{secret}", "nothing")
        path = path.replace("{id}", job if "/jobs/" in path else "ana")
        found.setdefault(path, set()).update(route.methods)
    yield from found.items()


def test_every_get_answers_head_with_the_same_head_and_no_body(
    app: FastAPI, module_office: Office, owner: TestClient, feed: str
) -> None:
    asked = 0
    for path, methods in places(app, module_office, feed):
        if "GET" not in methods or path == "/events":
            continue
        got, head = owner.get(path), owner.head(path)
        assert head.status_code == got.status_code, path
        assert head.content == b"", path
        for name in ("content-type", "content-length", "etag", "location", "x-frame-options"):
            if name == "content-length" and re.search(
                "form_token|/health|/metrics|/jobs/call", got.text
            ):
                continue  # another each time
            assert head.headers.get(name) == got.headers.get(name), f"{path}: {name}"
        asked += 1
    assert asked > 50


def test_options_says_what_is_allowed(
    app: FastAPI, module_office: Office, owner: TestClient, feed: str
) -> None:
    """And whatever else is sent is refused naming the same."""
    for path, methods in places(app, module_office, feed):
        expected = {*methods, "OPTIONS"} | ({"HEAD"} if "GET" in methods else set())
        answer = owner.options(path)
        assert answer.status_code == 204, path
        assert set(answer.headers["allow"].split(", ")) == expected, path
        refused = owner.request("DELETE", path, headers={"origin": HERE})
        assert refused.status_code == 405, path
        assert refused.headers["allow"] == answer.headers["allow"], path
    assert owner.options("/nothing/at/all").status_code == 404


def test_the_calendar_is_asked_as_calendars_ask(app: FastAPI, feed: str) -> None:
    phone = TestClient(app, base_url=HERE)
    got, head = phone.get(feed), phone.head(feed)
    assert head.status_code == 200
    assert head.headers["etag"] == got.headers["etag"]
    assert head.headers["content-type"] == "text/calendar; charset=utf-8"
    again = phone.head(feed, headers={"if-none-match": got.headers["etag"]})
    assert again.status_code == 304
    assert phone.options(feed).headers["allow"] == "GET, HEAD, OPTIONS"
    assert b"BEGIN:VTIMEZONE" in got.content
    assert b"TZID:Europe/London" in got.content


def test_head_asks_for_the_same_rights(module_office: Office, app: FastAPI) -> None:
    from roles import Caller

    nobody = Caller("nobody").client(app)
    assert nobody.head("/units").status_code == 303
    assert nobody.head("/api/units").status_code == 401
    theirs = with_link(module_office.fleet, "link", "quay-cold-store-ltd").client(app)
    assert theirs.head("/people").status_code == 403


def test_head_of_a_stream_ends(module_office: Office, app: FastAPI, owner: TestClient) -> None:
    """Over a real connection, and nobody goes on listening."""
    import http.client
    from urllib.parse import urlsplit

    cookie = "; ".join(f"{name}={value}" for name, value in owner.cookies.items())
    with serving(app) as url:
        place = urlsplit(url)
        link = http.client.HTTPConnection(str(place.hostname), place.port, timeout=20)
        for _ in range(3):
            link.request("HEAD", "/events", headers={"cookie": cookie})
            answer = link.getresponse()
            assert answer.status == 200
            assert answer.getheader("content-type", "").startswith("text/event-stream")
            assert answer.read() == b""
        link.request("GET", "/health")
        assert json.load(link.getresponse())
        link.close()
    assert app.state.services.feed.condition().listening == 0

"""Live pages over real streams: what one browser says or breaks is no other browser's loss."""

from __future__ import annotations

import asyncio
import json
import socket
import threading
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
import sqlalchemy as sa
from as_viewer import as_real_owner
from browsers import serving
from fastapi.testclient import TestClient
from roles import HERE
from seeding import NOW, Fleet, seeded, unit_id

from dashboard import events
from dashboard.app import create_app
from dashboard.events import Feed, News
from dashboard.pages.live import resume_after
from fleet.model import EVERYTHING, Scope
from fleet.registry import lists
from fleet.registry.base import tables
from fleet.registry.base.faults import RegistryDown

PATIENCE_S = 20


@pytest.fixture
def fleet(tmp_path: Path) -> Iterator[Fleet]:
    with seeded(tmp_path / "data") as made:
        yield made


def changed(fleet: Fleet, n: int, times: int = 1) -> None:
    """The summary of a set changes."""
    found = lists.unit(fleet.registry, EVERYTHING, unit_id(n))
    assert found is not None
    row = {"at": NOW, "unit": unit_id(n), "customer": found[2].id}
    with fleet.registry.write() as connection:
        connection.execute(sa.insert(tables.change), [row] * times)


class Stream:
    """A browser's /events over a socket of its own."""

    def __init__(self, url: str, query: str = "", last: bytes = b"") -> None:
        place = urlsplit(url)
        self.link = socket.create_connection((str(place.hostname), place.port or 80), PATIENCE_S)
        asked = f"GET /events{query} HTTP/1.1\r\nHost: 127.0.0.1\r\n".encode()
        self.link.sendall(asked + (b"Last-Event-ID: " + last + b"\r\n" if last else b"") + b"\r\n")
        self.heard = b""

    def until(self, said: bytes) -> bytes:
        """Read on until it stands there. Raises TimeoutError, or EOFError where the stream ends."""
        while said not in self.heard:
            piece = self.link.recv(65_536)
            if not piece:
                raise EOFError(self.heard)
            self.heard += piece
        return self.heard

    def ended(self) -> bool:
        """Whether it ends of itself (chunked: a chunk of no length)."""
        self.until(b"\r\n0\r\n\r\n")
        return True

    def close(self) -> None:
        self.link.close()


@contextmanager
def listening(fleet: Fleet, *given: dict[str, Any]) -> Iterator[list[Stream]]:
    """The app on a port of loopback and one stream for each that is asked for, all listening."""
    app = create_app(fleet.settings, fleet.registry, fleet.history, now=lambda: NOW)
    as_real_owner(app, fleet.registry, NOW)
    with serving(app) as url:
        streams = [Stream(url, **one) for one in given]
        try:
            for stream in streams:
                stream.until(b"listening")
            feed: Feed = app.state.services.feed
            wait(lambda: feed.condition().listening + feed.condition().ended == len(streams))
            yield streams
        finally:
            for stream in streams:
                stream.close()


def wait(held: Callable[[], bool]) -> None:
    """Until it holds, within patience."""
    pause = threading.Event()
    for _ in range(PATIENCE_S * 50):
        if held():
            return
        pause.wait(0.02)
    raise TimeoutError


BAD = (
    b"99999999999999999999",
    b"9" * 5000,
    b"-1",
    b"+5",
    b"1e400",
    b"nonsense",
    b"\xb2",
    b"\xd9\xa1\xd9\xa2",
    b"\xff\xfe",
    b"NaN",
    b"18446744073709551616",
    b"4611686018427387904",
    b"9223372036854775807",
    b"1 2",
    b"0x10",
)


@pytest.mark.parametrize("some", [BAD[:8], BAD[8:]], ids=["numbers", "texts"])
def test_what_one_browser_says_stops_nobody(fleet: Fleet, some: tuple[bytes, ...]) -> None:
    """Garbage, 20 digits, another script's digits, a number that is not there yet: as none."""
    assert len(some) < events.A_VIEWER
    with listening(fleet, {}, *({"last": bad} for bad in some)) as streams:
        changed(fleet, 3)
        for stream in streams:
            assert unit_id(3).encode() in stream.until(b'"units"')


@pytest.mark.parametrize(
    ("said", "after", "goes_on"),
    [
        ("12", 3, 12),
        ("12", None, 12),
        (None, 3, 3),
        ("", 3, 3),
        ("9" * 20, 3, 3),
        ("²", 3, 3),
        ("١٢", None, None),
        ("-1", None, None),
        (str(2**63), 7, 7),
        (str(2**63 - 1), 7, 2**63 - 1),
    ],
)
def test_where_the_news_goes_on(said: str | None, after: int | None, goes_on: int | None) -> None:
    assert resume_after(said, after) == goes_on


def test_a_browser_that_comes_back_misses_nothing(fleet: Fleet) -> None:
    newest = lists.latest_change(fleet.registry, EVERYTHING)
    changed(fleet, 4)
    with listening(fleet, {"last": b"%d" % newest}) as (stream,):
        assert unit_id(4).encode() in stream.until(b'"units"')


def test_the_fault_of_one_listener_ends_that_one_and_no_other(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two real streams of one scope; the filtering of one raises."""
    usual = events._hand_over
    bad: list[Any] = []

    def faulty(listener: Any, rows: list[tuple[int, str]]) -> None:
        if not bad or listener is bad[0]:
            bad[:] = [listener]
            raise OverflowError("Python int too large to convert to SQLite INTEGER")
        usual(listener, rows)

    monkeypatch.setattr(events, "_hand_over", faulty)
    with listening(fleet, {}, {}) as streams:
        changed(fleet, 5)
        ended: list[bool] = []

        def read(stream: Stream) -> None:
            try:
                stream.until(unit_id(5).encode())
                ended.append(False)
            except EOFError:
                ended.append(True)

        readers = [threading.Thread(target=read, args=(stream,)) for stream in streams]
        for reader in readers:
            reader.start()
        wait(lambda: False in ended)
        left = next(s for s in streams if unit_id(5).encode() in s.heard)
        other = next(s for s in streams if s is not left)
        wait(lambda: b"\r\n0\r\n\r\n" in other.heard or True in ended)
        changed(fleet, 6)
        assert left.until(unit_id(6).encode())
        other.link.shutdown(socket.SHUT_RDWR)
        for reader in readers:
            reader.join(PATIENCE_S)


SCOPES = (Scope(frozenset({"a"})), EVERYTHING)


async def gather_news(feed: Feed, scope: Scope, count: int, after: int | None = None) -> list[News]:
    found: list[News] = []
    async for news in feed.listen(scope, after):
        found.append(news)
        if len(found) == count:
            break
    return found


def in_time(work: Callable[[], Awaitable[Any]]) -> Any:
    """Run on a loop of its own, in a thread (the browser of other tests holds this one's)."""
    found: list[Any] = []

    async def bounded() -> None:
        found.append(await asyncio.wait_for(work(), PATIENCE_S))

    thread = threading.Thread(target=lambda: asyncio.run(bounded()))
    thread.start()
    thread.join(PATIENCE_S + 5)
    assert found, "it did not come to its end"
    return found[0]


@pytest.mark.parametrize("fault", [OverflowError("too large"), ValueError("x"), KeyError("y")])
def test_the_fault_of_one_scope_stops_no_other_scope(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch, fault: Exception
) -> None:
    usual = lists.changes_since

    def faulty(reg: Any, scope: Scope, id: int, limit: int = 500) -> Any:
        if not scope.everything:
            raise fault
        return usual(reg, scope, id, limit)

    monkeypatch.setattr(lists, "changes_since", faulty)
    feed = Feed(fleet.registry, every_s=0.05, now=lambda: NOW)

    async def work() -> tuple[list[News], list[News]]:
        bad = asyncio.create_task(gather_news(feed, SCOPES[0], 1))
        good = asyncio.create_task(gather_news(feed, SCOPES[1], 1))
        while feed.condition().listening + feed.condition().ended < 2:
            await asyncio.sleep(0.01)
        await asyncio.to_thread(changed, fleet, 2)
        found = await bad, await good
        feed.close()
        return found

    nothing, news = in_time(work)
    assert nothing == [], "the faulty one ended, its browser comes again"
    assert news[0].units == (unit_id(2),)
    assert feed.condition().ended == 1


def test_a_registry_that_is_away_is_tried_again_and_said_on_health(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    usual = lists.changes_since
    tries: list[int] = []
    app = create_app(fleet.settings, fleet.registry, fleet.history, now=lambda: NOW)
    as_real_owner(app, fleet.registry, NOW)
    client = TestClient(app, base_url=HERE)
    feed: Feed = app.state.services.feed
    feed._every_s = 0.05
    back = threading.Event()

    def away(reg: Any, scope: Scope, id: int, limit: int = 500) -> Any:
        tries.append(id)
        if not back.is_set():
            raise RegistryDown("The registry cannot be reached (no route): <b>check</b>.")
        return usual(reg, scope, id, limit)

    monkeypatch.setattr(lists, "changes_since", away)
    said: list[str] = []

    async def work() -> list[News]:
        task = asyncio.create_task(gather_news(feed, EVERYTHING, 1))
        while len(tries) < 3:
            await asyncio.sleep(0.01)
        said.append(await asyncio.to_thread(lambda: client.get("/health-page").text))
        await asyncio.to_thread(changed, fleet, 1)
        back.set()
        return await task

    news = in_time(work)
    assert news[0].units == (unit_id(1),)
    assert "Changes cannot be read" in said[0]
    assert "no route" in said[0]
    assert "<b>check" not in said[0]
    assert feed.condition().unread_since is None
    assert "Changes cannot be read" not in client.get("/health-page").text


def test_who_lies_far_behind_holds_up_nobody(fleet: Fleet) -> None:
    """More changes than one turn reads: both are told to read everything anew, and hear on."""
    changed(fleet, 7, times=3 * events.ROWS)
    feed = Feed(fleet.registry, every_s=0.05, now=lambda: NOW)

    async def work() -> tuple[list[News], list[News]]:
        behind = asyncio.create_task(gather_news(feed, EVERYTHING, 1, after=0))
        fresh = asyncio.create_task(gather_news(feed, EVERYTHING, 1))
        first = await behind
        while not feed.condition().listening:
            await asyncio.sleep(0.01)
        await asyncio.to_thread(changed, fleet, 8)
        found = first, await fresh
        feed.close()
        return found

    behind, fresh = in_time(work)
    assert behind[0].units is None
    assert behind[0].upto == 3 * events.ROWS + pages_before(fleet)
    assert fresh[-1].units == (unit_id(8),)


def pages_before(fleet: Fleet) -> int:
    """Number of the newest change before those this test made."""
    return lists.latest_change(fleet.registry, EVERYTHING) - 3 * events.ROWS - 1


def test_a_page_with_a_number_out_of_bounds_is_told_so(fleet: Fleet) -> None:
    app = create_app(fleet.settings, fleet.registry, fleet.history, now=lambda: NOW)
    as_real_owner(app, fleet.registry, NOW)
    answer = TestClient(app, base_url=HERE).get(f"/events?after={2**63}")
    assert answer.status_code == 422
    assert "after" in json.loads(answer.text)["detail"]

"""Live pages: one poller reads the registry's `change` rows and feeds every open page.

Each listener is filtered by its own Scope. A page that falls behind is told to read itself anew.
The fault of one listener ends that one and stops no other; a registry that cannot be read is tried
again, and Health says since when.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from functools import partial
from typing import TypeVar

from fleet import clock
from fleet.model import Scope
from fleet.registry import lists
from fleet.registry.base.engine import Registry
from fleet.registry.base.faults import RegistryFault

T = TypeVar("T")
log = logging.getLogger(__name__)

EVERY_S = 1.0
"""Between two looks for changes [s]. A pace of ours."""
ROWS = 500
"""Changes read in one turn; where there are more, a page reads itself anew. A size of a batch."""
WAITING_AT_MOST = 50
"""Changes that may wait for one page. A bound of ours."""
A_VIEWER = 10
"""Pages of one viewer that stay fresh at once; the oldest of more rests for a while. A bound of
ours."""


@dataclass(frozen=True, slots=True)
class News:
    """Units whose summary changed, up to change row `upto`. units None: read everything anew."""

    upto: int
    units: tuple[str, ...] | None


@dataclass(frozen=True, slots=True)
class Condition:
    """How the live pages fare. unread_since: UTC s since when changes cannot be read, and why;
    ended: how many listeners a fault of their own ended since the start."""

    listening: int
    ended: int
    unread_since: int | None = None
    why: str = ""


class Rests(Exception):
    """This page rests, for a newer one of the same viewer took its place."""


@dataclass(eq=False, slots=True)
class _Listener:
    scope: Scope
    after: int
    who: str = ""
    place: str = ""
    rests: bool = False
    queue: asyncio.Queue[News | None] = field(
        default_factory=lambda: asyncio.Queue(WAITING_AT_MOST)
    )

    def tell(self, news: News | None) -> None:
        """Put news on; a full queue becomes one word to read everything anew. None: the end."""
        if self.queue.full() or news is None:
            while not self.queue.empty():
                self.queue.get_nowait()
            news = news and News(news.upto, None)
        self.queue.put_nowait(news)


class Feed:
    """The one poller. It runs while somebody listens and sleeps otherwise."""

    def __init__(
        self,
        registry: Registry,
        every_s: float = EVERY_S,
        now: Callable[[], int] = clock.now,
        most_address: int = 100,
    ) -> None:
        self._registry = registry
        self._every_s = every_s
        self._now = now
        self._most_address = most_address
        self._listeners: dict[_Listener, None] = {}  # in the order they came
        self._task: asyncio.Task[None] | None = None
        self._ended = 0
        self._unread: tuple[int, str] | None = None

    def condition(self) -> Condition:
        """How it fares, for Health."""
        since, why = self._unread or (None, "")
        return Condition(len(self._listeners), self._ended, since, why)

    def full(self, place: str) -> bool:
        """Whether as many pages as may be listen from there already."""
        return sum(one.place == place for one in self._listeners) >= self._most_address

    async def listen(
        self, scope: Scope, after: int | None, who: str = "", place: str = ""
    ) -> AsyncIterator[News]:
        """News for a reader from change row `after` on; from now on where that is None or a row
        that is not there yet. Ends with the reader, or where its own filtering fails.

        who, place: the viewer and the address, '' where they do not count. Raises Rests where the
        viewer opened so many newer ones that this one makes room.
        """
        newest = await self._in_thread(partial(self._newest, scope))
        start = newest if after is None else min(after, newest)
        listener = _Listener(scope, start, who, place)
        mine = [one for one in self._listeners if who and one.who == who and not one.rests]
        for oldest in mine[: max(0, len(mine) - A_VIEWER + 1)]:
            oldest.rests = True
            oldest.tell(None)
        self._listeners[listener] = None
        if self._task is None or self._task.done():
            self._task = asyncio.create_task(self._poll())
        try:
            while (news := await listener.queue.get()) is not None:
                yield news
            if listener.rests:
                raise Rests
        finally:
            self._listeners.pop(listener, None)

    def close(self) -> None:
        """Stop polling; listeners hear nothing more."""
        self._listeners.clear()
        if self._task is not None:
            self._task.cancel()
            self._task = None

    async def _poll(self) -> None:
        while self._listeners:
            try:
                await self._turn()
                self._unread = None
            except RegistryFault as fault:
                log.warning("changes cannot be read, trying again: %s", fault)
                self._unread = self._unread or (self._now(), str(fault))
            except Exception as fault:
                log.exception("reading changes failed; trying again")
                self._unread = self._unread or (self._now(), f"a fault of ours: {fault!r}"[:200])
            await asyncio.sleep(self._every_s)

    async def _turn(self) -> None:
        """News for everybody. Raises RegistryFault where the registry cannot be read at all."""
        by_scope: dict[Scope, list[_Listener]] = {}
        for listener in self._listeners:
            by_scope.setdefault(listener.scope, []).append(listener)
        down: RegistryFault | None = None
        for scope, listeners in by_scope.items():
            try:
                await self._tell(scope, listeners)
            except RegistryFault as fault:
                down = fault
            except Exception:
                log.exception("changes of one scope cannot be read; each of its pages alone")
                await self._each_alone(listeners)
        if down is not None:
            raise down

    async def _tell(self, scope: Scope, listeners: list[_Listener]) -> None:
        after = min(listener.after for listener in listeners)
        rows = await self._in_thread(
            partial(lists.changes_since, self._registry, scope, after, ROWS)
        )
        if len(rows) >= ROWS:
            newest = await self._in_thread(partial(self._newest, scope))
            for listener in listeners:
                if listener.after < newest:
                    listener.after = newest
                    listener.tell(News(newest, None))
            return
        for listener in listeners:
            try:
                _hand_over(listener, [(row[0], row[2]) for row in rows])
            except Exception:
                self._end(listener)

    async def _each_alone(self, listeners: list[_Listener]) -> None:
        """Whoever cannot be told on its own is ended: its browser comes again by itself."""
        for listener in listeners:
            try:
                await self._tell(listener.scope, [listener])
            except RegistryFault:
                continue
            except Exception:
                self._end(listener)

    def _end(self, listener: _Listener) -> None:
        log.exception("a live page of %s was ended by its own fault", _named(listener.scope))
        self._ended += 1
        self._listeners.pop(listener, None)
        listener.tell(None)

    def _newest(self, scope: Scope) -> int:
        return lists.latest_change(self._registry, scope)

    @staticmethod
    async def _in_thread(work: Callable[[], T]) -> T:
        return await asyncio.to_thread(work)


def _named(scope: Scope) -> str:
    return "the whole fleet" if scope.everything else f"{len(scope.customers or ())} customers"


def _hand_over(listener: _Listener, rows: list[tuple[int, str]]) -> None:
    new = [(number, unit) for number, unit in rows if number > listener.after]
    if not new:
        return
    upto = max(number for number, _ in new)
    listener.after = upto
    listener.tell(News(upto, tuple(dict.fromkeys(unit for _, unit in new))))

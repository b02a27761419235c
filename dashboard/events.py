"""Live pages: one poller reads the registry's `change` rows and feeds every open page.

Each listener is filtered by its own Scope. A page that falls behind is told to read itself anew.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from functools import partial
from typing import TypeVar

from fleet.model import Scope
from fleet.registry import pages
from fleet.registry.engine import Registry

T = TypeVar("T")
log = logging.getLogger(__name__)

EVERY_S = 1.0
ROWS = 500
WAITING_AT_MOST = 50


@dataclass(frozen=True, slots=True)
class News:
    """Units whose summary changed, up to change row `upto`. units None: read everything anew."""

    upto: int
    units: tuple[str, ...] | None


@dataclass(eq=False, slots=True)
class _Listener:
    scope: Scope
    after: int
    queue: asyncio.Queue[News] = field(default_factory=lambda: asyncio.Queue(WAITING_AT_MOST))


class Feed:
    """The one poller. It runs while somebody listens and sleeps otherwise."""

    def __init__(self, registry: Registry, every_s: float = EVERY_S) -> None:
        self._registry = registry
        self._every_s = every_s
        self._listeners: set[_Listener] = set()
        self._task: asyncio.Task[None] | None = None

    async def listen(self, scope: Scope, after: int | None) -> AsyncIterator[News]:
        """News for a reader from change row `after` on (None: from now on). Ends with the reader."""
        start = after if after is not None else await self._in_thread(partial(self._newest, scope))
        listener = _Listener(scope, start)
        self._listeners.add(listener)
        if self._task is None or self._task.done():
            self._task = asyncio.create_task(self._poll())
        try:
            while True:
                yield await listener.queue.get()
        finally:
            self._listeners.discard(listener)

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
            except Exception:
                log.exception("reading changes failed; trying again")
            await asyncio.sleep(self._every_s)

    async def _turn(self) -> None:
        by_scope: dict[Scope, list[_Listener]] = {}
        for listener in self._listeners:
            by_scope.setdefault(listener.scope, []).append(listener)
        for scope, listeners in by_scope.items():
            after = min(listener.after for listener in listeners)
            rows = await self._in_thread(
                partial(pages.changes_since, self._registry, scope, after, ROWS)
            )
            for listener in listeners:
                _hand_over(listener, [(row[0], row[2]) for row in rows])

    def _newest(self, scope: Scope) -> int:
        return pages.latest_change(self._registry, scope)

    @staticmethod
    async def _in_thread(work: Callable[[], T]) -> T:
        return await asyncio.to_thread(work)


def _hand_over(listener: _Listener, rows: list[tuple[int, str]]) -> None:
    new = [(number, unit) for number, unit in rows if number > listener.after]
    if not new:
        return
    upto = max(number for number, _ in new)
    units = tuple(dict.fromkeys(unit for _, unit in new))
    listener.after = upto
    if listener.queue.full():
        while not listener.queue.empty():
            listener.queue.get_nowait()
        listener.queue.put_nowait(News(upto, None))
    else:
        listener.queue.put_nowait(News(upto, units))

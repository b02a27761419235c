"""Passwords are hashed and checked in two threads: more at once would take memory and all cores."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

from dashboard.problems import Problem
from fleet.registry import people

T = TypeVar("T")
AT_ONCE = 2
WAITING_AT_MOST = 40
"""At 0.3 s each and two at once, the last one waits 6 s; common practice, no source."""


class Hashing:
    """Two threads and a bounded queue before them."""

    def __init__(self) -> None:
        self._threads = ThreadPoolExecutor(AT_ONCE, thread_name_prefix="password")
        self._waiting = 0

    async def hash(self, password: str) -> str:
        """The hash to keep."""
        return await self._in_thread(lambda: people.hash_password(password))

    async def verify(self, kept: str, password: str) -> bool:
        """Whether it is the password kept; as slow for a name nobody has (kept '')."""
        return await self._in_thread(lambda: people.verify_password(kept, password))

    async def _in_thread(self, work: Callable[[], T]) -> T:
        if self._waiting >= WAITING_AT_MOST:
            raise Problem(503, "Too many are signing in at this moment. Try again in a minute.")
        self._waiting += 1
        try:
            return await asyncio.get_running_loop().run_in_executor(self._threads, work)
        finally:
            self._waiting -= 1

    def close(self) -> None:
        """Let the threads go."""
        self._threads.shutdown(wait=False, cancel_futures=True)

"""How often somebody may try a password: slower and slower, never locking the right person out.

Five tries a minute at an account and twenty a minute from an address (moving windows). Beyond the
first, tries from that same address are refused for a growing while, tries from elsewhere only wait
a growing while; so whoever guesses at a technician's account does not keep the technician out.
"""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import Awaitable, Callable

from limits import RateLimitItem, RateLimitItemPerMinute
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter

from dashboard.door import neighbourhood
from dashboard.problems import Problem

AN_ACCOUNT = 5
AN_ADDRESS = 20
"""Free tries a minute at one account and from one address. A bound of ours."""
COUNTED = 100
"""Tries a minute at one account beyond which the delay grows no more. A bound of ours."""
REFUSED_S_AT_MOST = 60
DELAY_S_AT_MOST = 8.0
WAITING_AT_MOST = 200
"""How long is refused and delayed at most, and how many may wait. A bound of ours."""
BUCKETS = 65_536
"""Accounts are told apart by a hash of this many values, so that made-up names take no memory and
meet the same limits as real ones. A bound of ours."""


class Throttle:
    """In memory of this process; sleep is how a delayed try waits."""

    def __init__(self, sleep: Callable[[float], Awaitable[None]] = asyncio.sleep) -> None:
        self._windows = MovingWindowRateLimiter(MemoryStorage())
        self._account = RateLimitItemPerMinute(COUNTED, namespace="account")
        self._pair = RateLimitItemPerMinute(COUNTED, namespace="pair")
        self._address = RateLimitItemPerMinute(AN_ADDRESS, namespace="address")
        self._sleep = sleep
        self._waiting = 0

    async def knock(self, login: str, address: str) -> None:
        """Count a try; wait where it is one too many. Raises Problem 429 where it is refused."""
        place, account = neighbourhood(address), _bucket(login)
        if not self._windows.hit(self._address, place):
            raise _refused(REFUSED_S_AT_MOST)
        over = self._over(self._pair, account, place)
        if over > 0:
            raise _refused(min(REFUSED_S_AT_MOST, 2**over))
        over = self._over(self._account, account)
        if over > 0:
            await self._delay(min(DELAY_S_AT_MOST, 2.0 ** (over - 1)))

    def _over(self, item: RateLimitItem, *key: str) -> int:
        """Count this try; by how many it exceeds what an account may have in a minute."""
        self._windows.hit(item, *key)
        return COUNTED - self._windows.get_window_stats(item, *key).remaining - AN_ACCOUNT

    async def _delay(self, seconds: float) -> None:
        if self._waiting >= WAITING_AT_MOST:
            raise _refused(int(DELAY_S_AT_MOST))
        self._waiting += 1
        try:
            await self._sleep(seconds)
        finally:
            self._waiting -= 1

    def welcome(self, login: str, address: str) -> None:
        """The right password: forget the tries of this account from there."""
        self._windows.clear(self._pair, _bucket(login), neighbourhood(address))


def _refused(seconds: int) -> Problem:
    return Problem(
        429,
        f"Too many tries. Wait {seconds} s, then try again; who forgot a password asks the owner "
        "for a new link.",
        retry_after_s=seconds,
    )


def _bucket(login: str) -> str:
    return str(int.from_bytes(hashlib.sha256(login.encode()).digest()[:8], "big") % BUCKETS)

"""What is slow on purpose for users, or again and again for no reason, and only slow for tests.

`conftest.py` makes both of the whole run; programs that a test starts are as users have them.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import anyio.from_thread
from argon2 import PasswordHasher
from fastapi.testclient import TestClient

from fleet.registry.people import passwords

FULL = passwords._HASHER, passwords._NOBODY
"""The product's own; tests/fleet/registry/test_people.py holds their parameters."""
CHEAP = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
NOBODY = CHEAP.hash("nobody's")


@contextmanager
def cheap_passwords() -> Iterator[None]:
    """The same hash with the least memory and passes it can have: a sign-in costs 0.1 ms, not 200."""
    passwords._HASHER, passwords._NOBODY = CHEAP, NOBODY
    try:
        yield
    finally:
        passwords._HASHER, passwords._NOBODY = FULL


@contextmanager
def full_passwords() -> Iterator[None]:
    """The product's own cost of a password again, for tests of it."""
    passwords._HASHER, passwords._NOBODY = FULL
    try:
        yield
    finally:
        passwords._HASHER, passwords._NOBODY = CHEAP, NOBODY


@contextmanager
def one_event_loop() -> Iterator[None]:
    """One loop in one thread for every test client, as a server has, instead of one a request."""
    with anyio.from_thread.start_blocking_portal(backend="asyncio") as portal:
        TestClient.portal = portal
        try:
            yield
        finally:
            TestClient.portal = None

"""What the ordinary run takes of a walk whose whole is the long run's.

Nothing is picked by hand or by chance: what is taken hangs on what it is called, so that it is the
same on every machine, and another where the walk itself has changed.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable
from hashlib import blake2b
from typing import TypeVar

T = TypeVar("T")


def lot(*name: object) -> int:
    """The place of a thing among others: the digest of what it is called."""
    return int.from_bytes(blake2b(repr(name).encode(), digest_size=8).digest())


def some(
    things: Iterable[T], most: int, *of: object, name: Callable[[T], object] = repr
) -> list[T]:
    """So many of them, in the order they came in; others for each place `of` which they are taken."""
    every = list(things)
    taken = sorted(range(len(every)), key=lambda n: lot(*of, name(every[n])))[:most]
    return [every[n] for n in sorted(taken)]


def one_of_each(
    things: Iterable[T], kind: Callable[[T], Hashable], name: Callable[[T], object] = repr
) -> list[T]:
    """One thing of every kind."""
    found: dict[Hashable, list[T]] = {}
    for thing in things:
        found.setdefault(kind(thing), []).append(thing)
    return [one for alike in found.values() for one in some(alike, 1, name=name)]

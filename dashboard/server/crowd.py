"""Who is connected, by address, and who goes where there are too many.

Fifty phones of one carrier may stand behind one address, so an address has room for many; whoever
holds connections open without asking anything makes room for those who ask. A trusted proxy speaks
for many addresses: its connections count in the whole only, and what it passes on is counted by the
address it names (`Crowd.asking`).
"""

from __future__ import annotations

import resource
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Literal

from dashboard.door import neighbourhood

Phase = Literal["idle", "head", "body", "answer"]
"""What a connection waits for: a request, the rest of its head, of its body; or it is answered."""
GOES_FIRST: dict[Phase, int] = {"idle": 0, "head": 1, "body": 2}
"""Who makes room, the first first; who is being answered never does. Definition."""
SPARE_FILES = 200
"""Open files that the registry, the store and logs need beside the connections. A bound of
ours."""


@dataclass(eq=False, slots=True)
class Guest:
    """One connection. leave: closes it at once; number: rises with each that came."""

    place: str
    leave: Callable[[], None]
    proxy: bool = False
    phase: Phase = "head"
    number: int = 0


@dataclass(slots=True)
class Crowd:
    """Open connections. most: in all; most_address: from one address; trusted: whether an address
    is that of a proxy we believe."""

    most: int
    most_address: int
    trusted: Callable[[str], bool] = lambda _: False
    _places: dict[str, set[Guest]] = field(default_factory=dict)
    _asking: dict[str, int] = field(default_factory=dict)
    _count: int = 0
    _number: int = 0

    def __len__(self) -> int:
        return self._count

    def enter(self, address: str, leave: Callable[[], None]) -> Guest | int:
        """Let a connection in, in place of one that waits where need be; else the status to
        refuse it with: 429 where its address has too many, 503 where all together are."""
        guest = Guest(neighbourhood(address), leave, proxy=self.trusted(address))
        mine = self._places.get(guest.place, set())
        if not guest.proxy and len(mine) >= self.most_address and not self._make_room(mine):
            return 429
        if self._count >= self.most and not self._make_room(self._largest()):
            return 503
        self._number += 1
        guest.number = self._number
        self._places.setdefault(guest.place, set()).add(guest)
        self._count += 1
        return guest

    def gone(self, guest: Guest) -> None:
        """It has left. Idempotent."""
        held = self._places.get(guest.place)
        if held is None or guest not in held:
            return
        held.remove(guest)
        self._count -= 1
        if not held:
            del self._places[guest.place]

    def _largest(self) -> set[Guest]:
        """The waiting connections of whoever has most of them."""
        waiting = ({g for g in held if g.phase in GOES_FIRST} for held in self._places.values())
        return max(waiting, key=len, default=set())

    def _make_room(self, among: set[Guest]) -> bool:
        waiting = [guest for guest in among if guest.phase in GOES_FIRST]
        if not waiting:
            return False
        first = min(waiting, key=lambda guest: (GOES_FIRST[guest.phase], guest.number))
        self.gone(first)
        first.leave()
        return True

    @contextmanager
    def asking(self, peer: str, address: str) -> Iterator[bool]:
        """One request that a proxy passes on for an address; False where that has too many."""
        if not self.trusted(peer):
            yield True
            return
        place = neighbourhood(address)
        count = self._asking.get(place, 0)
        if count >= self.most_address:
            yield False
            return
        self._asking[place] = count + 1
        try:
            yield True
        finally:
            left = self._asking[place] - 1
            if left:
                self._asking[place] = left
            else:
                del self._asking[place]


def room_for(wanted: int) -> int:
    """How many connections this process may hold of those wanted: its limit of open files is
    raised as far as it may be, and what other files need is left."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    need = wanted + SPARE_FILES
    if soft != resource.RLIM_INFINITY and soft < need:
        may = need if hard == resource.RLIM_INFINITY else min(need, hard)
        try:
            resource.setrlimit(resource.RLIMIT_NOFILE, (may, hard))
            soft = may
        except (OSError, ValueError):
            pass
    if soft == resource.RLIM_INFINITY:
        return wanted
    return max(20, min(wanted, soft - SPARE_FILES))

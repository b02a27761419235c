"""What is remembered of the seconds that messages without a time got: within a batch, and before."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import msgspec

from fleet.model import Unsure
from fleet.registry import unscoped
from fleet.registry.base.engine import Registry
from ingest.seats import Seat, WhenFull


class Sitting(msgspec.Struct):
    """Seats given in one batch, by place in the batch: kept while it is tried again, so that
    what was written stays where it is. later: places of messages to be handed in again.
    told_at: the newest time a device gave in the batch [s UTC], where `ask` says to look."""

    when_full: WhenFull = "ahead"
    given: dict[int, Seat] = {}
    later: list[int] = []
    ask: bool = False
    told_at: int | None = None


class Earlier(Mapping[str, int]):
    """Seconds given to messages without a time: of this batch, else of the last 48 h."""

    def __init__(self, registry: Registry, since: int) -> None:
        self._registry = registry
        self._since = since
        self._asked: dict[str, int | None] = {}
        self.seats: dict[str, int] = {}
        self.unsure: list[Unsure] = []

    def __getitem__(self, key: str) -> int:
        found = self.seats.get(key)
        if found is None and key not in self._asked:
            known = unscoped.find_receipts(self._registry, [key], self._since)
            self._asked[key] = known.get(key)
        if found is None:
            found = self._asked[key]
        if found is None:
            raise KeyError(key)
        return found

    def __iter__(self) -> Iterator[str]:
        return iter(self.seats)

    def __len__(self) -> int:
        return len(self.seats)

    def note(self, key: str, seat: Seat) -> None:
        """Remember the second a message was given, for its redelivery."""
        self.seats[key] = seat.at
        if seat.unsure is not None:
            self.unsure.append(seat.unsure)

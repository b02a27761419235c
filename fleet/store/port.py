"""The store port: what every telemetry store does, in which order, with which errors.

Values are raw (no calibration), times whole UTC seconds, ranges half open: start <= t < end.
Writing is durable when it returns and idempotent on (device, channel, second). Different values for
one (device, channel, second): the largest and, of a gauge, the smallest are kept (`extremes` says
where the smallest stands) and the clash counted, so the content never depends on the order of
arrival.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Protocol

import msgspec

from fleet.model import Reading, Series, Window


class StoreFault(Exception):
    """The store refused something that will not get better by waiting. Says what and what to do."""


class StoreDown(StoreFault):
    """The store cannot be reached or written now (disk full, locked, server away): try again."""

    def __init__(self, message: str, retry_after_s: float | None = None) -> None:
        super().__init__(message)
        self.retry_after_s = retry_after_s


class ReadingsRefused(StoreFault):
    """Readings this store can never keep. `readings` are they; handed in without them, the rest
    of the batch is kept."""

    def __init__(self, message: str, readings: Sequence[Reading]) -> None:
        super().__init__(message)
        self.readings = tuple(readings)


class WriteResult(msgspec.Struct, frozen=True):
    """rows: readings (device-seconds) handed over; clashes: values that differed from a kept one;
    shared: the same by device."""

    rows: int
    clashes: int
    shared: dict[str, int] = {}


class StoreSettings(Protocol):
    """What a store needs to know. retention_days 0: keep for ever."""

    @property
    def data(self) -> Path: ...

    @property
    def store(self) -> str: ...

    @property
    def retention_days(self) -> int: ...

    @property
    def influx_url(self) -> str: ...

    @property
    def influx_org(self) -> str: ...

    @property
    def influx_bucket(self) -> str: ...

    @property
    def influx_token(self) -> str: ...


class Store(Protocol):
    """One process writes; any number read."""

    def write(self, readings: Sequence[Reading]) -> WriteResult:
        """Keep readings for good. All or nothing. Raises StoreDown (try again),
        ReadingsRefused naming those that can never be kept, or StoreFault."""

    def read(
        self, device: str, channels: Iterable[str] | None, start: int, end: int
    ) -> dict[str, Series]:
        """Raw values by channel, each in time order, without NaN. None: every channel there is.

        A channel asked for and not found gives an empty series; unknown names are allowed.
        """

    def window(
        self, device: str, channels: Iterable[str], start: int, end: int, n: int
    ) -> dict[str, Window]:
        """n equal buckets (width rounded up to whole seconds) of min, max, mean, last, count."""

    def days(self, device: str, start: int, end: int) -> list[int]:
        """UTC days (days since 1970-01-01) in the range that hold at least one reading, rising."""

    def delete(self, device: str, start: int, end: int) -> int:
        """Delete readings in the range; returns how many device-seconds went."""

    def devices(self) -> list[str]:
        """Every device that ever wrote, in name order."""

    def tend(self, now: int, budget_s: float = 0.05) -> bool:
        """One slice of housekeeping (packing, retention). True when there is more to do."""

    def check(self) -> list[str]:
        """Sentences about what is wrong with the store; empty when it is sound."""

    def close(self) -> None:
        """Release everything. Idempotent."""

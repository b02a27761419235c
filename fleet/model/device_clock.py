"""What is learned of a device's clock by comparing its stamps with their receipts."""

from __future__ import annotations

from typing import Literal

import msgspec

Stamps = Literal["zoned", "bare"]
"""How a device writes its stamps: with a zone (or as a number, which is UTC), or without one."""

GIVEN_DIGITS, UTC_DIGITS, SITE_DIGITS = "", "utc", "site"
"""How the digits of its stamps are read: as they are given; as UTC; as the site's wall clock. Any
other is a fixed offset from UTC such as +05:30."""


class DeviceClock(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """The clock of a device, for as long as it speaks for one set.

    unit: the set. stamps: how it writes them. looks: the newest comparisons, oldest first, as
    (receipt, how far the digits of the stamp, taken as UTC, were ahead of it) [s UTC, s].
    messages: comparisons in all. zone: how its digits are read, learned at zone_since [s UTC].
    off_since: since when the digits do not fit that. grain_s: steps in which the stamps come
    (0: not known yet). offset_s: how far the clock, read so, is ahead of receipts. spans: days two
    by two (days since 1970 // 2), each with its two largest such offsets, the larger first.
    drift_s_month: what it gains [s in 30 days]; None: not known. stepped_at, stepped_s: when it
    was last set [s UTC], and by how much [s].
    repeated_s: digits of a stamp that came again with other values at another moment.
    """

    unit: str = ""
    stamps: Stamps = "zoned"
    looks: tuple[tuple[int, int], ...] = ()
    messages: int = 0
    zone: str = GIVEN_DIGITS
    zone_since: int | None = None
    off_since: int | None = None
    fitted_at: int | None = None
    grain_s: int = 0
    offset_s: int = 0
    spans: tuple[tuple[int, int, int], ...] = ()
    drift_s_month: float | None = None
    stepped_at: int | None = None
    stepped_s: int = 0
    repeated_s: int | None = None

    @property
    def is_read_otherwise(self) -> bool:
        """Its stamps are not simply taken as they are given."""
        return bool(self.zone or self.coarse or self.repeated_s)

    @property
    def coarse(self) -> bool:
        """Its stamps are too coarse to be times: the receipt is the better one."""
        return self.grain_s >= COARSE_S and self.grain_s % 60 != 0


COARSE_S = 64
"""Steps of a power of two from here on come of a number that lost its low digits; whole minutes
are a choice of the device. Definition."""

NEW_CLOCK = DeviceClock()

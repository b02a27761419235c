"""What an agreement with a customer asks for, whatever its jobs: visits in a year, its own renewal."""

from __future__ import annotations

from datetime import date

RENEWAL_DAYS = 60
"""An agreement is to be renewed within so many days: time to write and to hear; common practice, no
source."""


def visits_behind(agreed: int | None, made: int, today: date) -> int:
    """Visits of the year's agreed number that should have been made by now and were not: the n-th
    of k is to be made by the end of n/k of the year. Common practice, no source."""
    if not agreed:
        return 0
    days = date(today.year, 12, 31).timetuple().tm_yday
    expected = agreed * (today.timetuple().tm_yday - 1) // days
    return max(0, expected - made)


def renewal_near(renewal: str, today: date) -> int | None:
    """Days until an agreement is to be renewed, negative when past; None: not within 60 days."""
    if not renewal:
        return None
    left = (date.fromisoformat(renewal) - today).days
    return left if left <= RENEWAL_DAYS else None

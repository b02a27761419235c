"""Dates on the wall where the set stands: local days, month arithmetic, nights the clock changes.

A local time that does not exist is read with the offset before the gap; one that comes twice is its
first occurrence (RFC 5545, 3.3.5).
"""

from __future__ import annotations

import re
from calendar import monthrange
from datetime import UTC, date, datetime, time, timedelta
from difflib import get_close_matches
from functools import lru_cache
from zoneinfo import ZoneInfo, available_timezones

DAY_S = 86_400
"""Seconds of a UTC day. Arithmetic."""


class ZoneUnknown(ValueError):
    """A name that is not an IANA time zone. Its text says which and what to do."""


@lru_cache(maxsize=1024)
def zone(name: str) -> ZoneInfo:
    """The IANA time zone of that name. Raises ZoneUnknown."""
    try:
        return ZoneInfo(name)
    except (ValueError, OSError, KeyError) as unknown:
        raise ZoneUnknown(
            f"{name[:64]!r} is not a time zone: give an IANA name such as 'Europe/Berlin'."
        ) from unknown


def zone_named(text: str) -> str:
    """The IANA name that somebody typed: letter case, blanks and underscores do not matter, links
    such as GMT or Asia/Calcutta are names too. Raises ZoneUnknown, which names the nearest."""
    names = _zone_names()
    plain = _plain(text)
    if plain in names:
        return names[plain]
    cities: dict[str, str] = {}
    for known in names:
        cities.setdefault(known.rpartition("/")[2], known)
    near = [*([cities[plain]] if plain in cities else []), *get_close_matches(plain, names, 3, 0.7)]
    near += [cities[city] for city in get_close_matches(plain.rpartition("/")[2], cities, 2, 0.75)]
    found = " or ".join(names[one] for one in list(dict.fromkeys(near))[:3])
    hint = f" Did you mean {found}?" if found else ""
    raise ZoneUnknown(
        f"{text.strip()[:64]!r} is not a time zone: give an IANA name such as 'Europe/Berlin'.{hint}"
    )


@lru_cache(maxsize=1)
def _zone_names() -> dict[str, str]:
    """Every name of the zone data by what is left of it when typed carelessly."""
    known = sorted(available_timezones() - {"Factory", "localtime", "posixrules"})
    return {_plain(name): name for name in known}


def _plain(name: str) -> str:
    words = re.sub(r"\s*/\s*", "/", name.strip())
    return re.sub(r"[\s_]+", "_", words).casefold()


def local(at: int, zone_name: str) -> datetime:
    """The wall clock at a UTC second, aware."""
    return datetime.fromtimestamp(at, zone(zone_name))


def local_date(at: int, zone_name: str) -> date:
    """The date on the wall at a UTC second."""
    return local(at, zone_name).date()


def instant(day: date, wall: time, zone_name: str) -> int:
    """The UTC second at which the wall clock shows `wall` on `day` (RFC 5545, 3.3.5)."""
    moment = datetime.combine(day, wall, tzinfo=zone(zone_name))
    return int(moment.timestamp())


def day_bounds(day: date, zone_name: str) -> tuple[int, int]:
    """UTC seconds [start, end) of a local day: 23, 24 or 25 h; 0 of a day a zone skipped."""
    midnight = time()
    return instant(day, midnight, zone_name), instant(day + timedelta(days=1), midnight, zone_name)


def next_midnight(at: int, zone_name: str) -> int:
    """The first UTC second after `at` at which a new local date begins."""
    day = local_date(at, zone_name)
    while (end := day_bounds(day, zone_name)[1]) <= at:
        day += timedelta(days=1)
    return end


def add_months(anchor: date, months: int) -> date:
    """`months` later on the same day of the month, or on its last day if it is shorter.

    Always counted from the anchor, so 31 January gives 28 February and then 31 March.
    Raises OverflowError outside the years 1 to 9999.
    """
    year, month = divmod(anchor.year * 12 + anchor.month - 1 + months, 12)
    if not date.min.year <= year <= date.max.year:
        raise OverflowError(f"{months} months from {anchor} is outside the calendar")
    return date(year, month + 1, min(anchor.day, monthrange(year, month + 1)[1]))


def utc_text(at: int) -> str:
    """A moment as ISO 8601 in UTC, such as 2026-11-25T07:01:00Z."""
    return datetime.fromtimestamp(at, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def utc_date(day: int) -> date:
    """The UTC date of a day number."""
    return datetime.fromtimestamp(day * DAY_S, UTC).date()


def days_from(first_day: str, days: int) -> tuple[str, ...]:
    """So many ISO dates from the first one on."""
    first = date.fromisoformat(first_day)
    return tuple((first + timedelta(days=n)).isoformat() for n in range(days))

"""Weekly hours as people write them: "Mon-Fri 08:00-17:00, Sat 08:00-12:00". Pure."""

from __future__ import annotations

import re
from datetime import time

from fleet.model.jobs import Wall, Week

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_PART = re.compile(
    r"([a-z]{2,9})(?:\s*-\s*([a-z]{2,9}))?\s+(\d{1,2}:\d\d)\s*-\s*(\d{1,2}:\d\d)", re.IGNORECASE
)


class HoursFault(ValueError):
    """Hours that cannot be read. A sentence: which part, and what to write."""


def read_hours(text: str) -> Week:
    """Weekday (Monday is 0) to its times; "" gives {}. Raises HoursFault."""
    found: dict[int, list[Wall]] = {}
    for part in filter(None, (piece.strip() for piece in re.split(r"[,;\n]", text))):
        match = _PART.fullmatch(part)
        if match is None:
            raise HoursFault(
                f"{part[:40]!r} is not understood: write such as Mon-Fri 08:00-17:00, Sat 08:00-12:00."
            )
        first, last = _day(match[1]), _day(match[2] or match[1])
        opens, closes = _wall(match[3]), _wall(match[4], end=True)
        if opens >= closes:
            raise HoursFault(f"{part[:40]!r} ends before it begins: write from the earlier time.")
        for n in range((last - first) % 7 + 1):
            found.setdefault((first + n) % 7, []).append((opens, closes))
    return {day: tuple(sorted(walls)) for day, walls in sorted(found.items())}


def _day(name: str) -> int:
    for n, day in enumerate(DAYS):
        if name[:3].lower() == day.lower():
            return n
    raise HoursFault(f"{name[:20]!r} is no weekday: write Mon, Tue, Wed, Thu, Fri, Sat or Sun.")


def _wall(text: str, end: bool = False) -> str:
    if end and text == "24:00":
        return text
    try:
        return time.fromisoformat(text.zfill(5)).strftime("%H:%M")
    except ValueError:
        raise HoursFault(f"{text} is no time of day: write such as 08:30.") from None


def say_hours(week: Week) -> str:
    """The same as text, days of equal hours joined."""
    parts: list[str] = []
    days = sorted(week)
    n = 0
    while n < len(days):
        last = n
        while (
            last + 1 < len(days)
            and days[last + 1] == days[last] + 1
            and week[days[last + 1]] == week[days[n]]
        ):
            last += 1
        name = DAYS[days[n]] if last == n else f"{DAYS[days[n]]}-{DAYS[days[last]]}"
        parts += [f"{name} {opens}-{closes}" for opens, closes in week[days[n]]]
        n = last + 1
    return ", ".join(parts)

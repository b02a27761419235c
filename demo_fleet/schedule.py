"""When a set is exercised, serviced and visited, as the office agreed it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from demo_fleet.customers import ZONE, Place
from demo_fleet.machine import Life
from demo_fleet.machine.noise import one
from demo_fleet.planted import condition

DAY_S, HOUR_S = 86_400, 3_600
HISTORY_DAYS = 365
OIL_H = {"air_spark": 100.0, "liquid_diesel": 250.0}
"""Hours between oil changes in the shipped plans, by engine class (common practice)."""
WEEKDAYS = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")


@dataclass(frozen=True)
class Exercise:
    """Agreed exercise: weekday (0 Monday), local hour and minute, every so many weeks."""

    weekday: int
    hour: int
    minute: int
    weeks: int
    minutes: int
    load: float

    def rrule(self, first: date) -> str:
        """RFC 5545 text with its start date, local time of the site."""
        start = f"DTSTART:{first:%Y%m%d}T{self.hour:02d}{self.minute:02d}00"
        every = f";INTERVAL={self.weeks}" if self.weeks > 1 else ""
        return f"{start} RRULE:FREQ=WEEKLY{every};BYDAY={WEEKDAYS[self.weekday]}"


def agreed_exercise(own: int, place: Place) -> Exercise | None:
    if one(own, 75) < 0.05:
        return None
    return Exercise(
        weekday=int(one(own, 76) * 5),
        hour=9 + int(one(own, 77) * 6),
        minute=15 * int(one(own, 78) * 4),
        weeks=1 if one(own, 79) < 0.72 else 2,
        minutes=(12, 15, 20, 20, 30)[int(one(own, 80) * 5)],
        load=0.3 if place.model.rated_kw >= 80 and place.n % 2 == 0 else 0.0,
    )


def planted_exercise(own: int, load: float = 0.0) -> Exercise:
    """Weekly, 20 min: for sets whose exercise something happens to."""
    return Exercise(int(one(own, 76) * 5), 9 + int(one(own, 77) * 4), 0, 1, 20, load)


def soon_after(origin: int) -> Exercise:
    """An exercise at the next minute that ends in 0 or 5, two to seven minutes ahead."""
    at = -(-(origin + 120) // 300) * 300
    local = datetime.fromtimestamp(at, UTC).astimezone(ZoneInfo(ZONE))
    return Exercise(local.weekday(), local.hour, local.minute, 1, 15, 0.0)


def first_exercise(exercise: Exercise | None, origin: int) -> date:
    """A date on the right weekday, over a year before the origin."""
    begin = date(1970, 1, 1) + timedelta(days=origin // DAY_S - HISTORY_DAYS - 21)
    weekday = exercise.weekday if exercise else 0
    return begin + timedelta(days=(weekday - begin.weekday()) % 7)


def exercise_starts(
    own: int, exercise: Exercise | None, first_day: int, last_day: int
) -> list[tuple[int, int, float]]:
    """(start [s UTC], minutes, load): agreed local times, as the set's own clock keeps them."""
    if exercise is None:
        return []
    zone = ZoneInfo(ZONE)
    drift = int(180 * (one(own, 81) - 0.4))
    origin_day = first_day + HISTORY_DAYS
    on = first_exercise(exercise, origin_day * DAY_S)
    found = []
    while (day := (on - date(1970, 1, 1)).days) <= last_day:
        if day >= first_day:
            local = datetime(on.year, on.month, on.day, exercise.hour, exercise.minute, tzinfo=zone)
            found.append((int(local.timestamp()) + drift, exercise.minutes, exercise.load))
        on += timedelta(weeks=exercise.weeks)
    return found


def serviced_at(
    own: int,
    place: Place,
    plays: str,
    origin: int,
    life_without_visits: Callable[[], Life],
) -> int:
    """When the last yearly service began [s UTC]: on a weekday between nine and three."""
    share = one(own, 82)
    days_ago = int(12 + 250 * share) if share < 0.5 else int(60 + 255 * share)
    if plays in condition.UNTOUCHED:
        days_ago = condition.UNTOUCHED_DAYS
    elif plays == "due_by_date":
        days_ago = 365 + 9
    elif plays == "late_beyond_tolerance":
        days_ago = 365 + 76
    elif plays == "soon_by_date":
        days_ago = 365 - 12 - place.n % 7
    elif plays == "due_by_hours":
        life = life_without_visits()
        wanted = life.hours(origin) - 1.04 * OIL_H[place.model.engine_class]
        while life.hours(origin - days_ago * DAY_S) > wanted and days_ago < 340:
            days_ago += 1
        while life.hours(origin - days_ago * DAY_S) < wanted:
            days_ago -= 1
    day = origin // DAY_S - days_ago
    if (day + 3) % 7 >= 5:  # day 0 of 1970 was a Thursday: 3 with Monday 0
        day -= 2
    return day * DAY_S + 9 * 3600 + int(one(own, 83) * 5 * 3600) // 300 * 300


def visits_of(own: int, plays: str, serviced: int, first: int, origin: int) -> tuple[int, ...]:
    """The service, and a check between two services, as far as they lie in the history."""
    days_ago = (origin - serviced) // DAY_S
    if plays == "late_beyond_tolerance":
        days_after = 180
    elif days_ago < 160:
        days_after = -178
    else:
        days_after = max(120, days_ago - 60) if days_ago > 280 else 130
    check = serviced + days_after // 7 * 7 * DAY_S + int(one(own, 84) * 7_200)
    return tuple(sorted(t for t in (serviced, check) if first + DAY_S < t < origin - 2 * DAY_S))

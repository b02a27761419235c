"""Technicians and their shifts as the planner takes them."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, time

from fleet.calendar import day_bounds, instant
from fleet.model import Technician
from scheduler.rounds import nouns as rounds
from scheduler.rounds.spans import days_from

LOAD_DAYS = 42
"""Shifts are told so far ahead, for the load of later weeks."""


def technician_of(one: Technician, first_day: str, zone: str) -> rounds.Technician:
    """A technician with the shifts of LOAD_DAYS from a day on; first_day: ISO date."""
    return rounds.Technician(
        id=one.id,
        lat=one.lat,
        lon=one.lon,
        name=one.name,
        skills=tuple(rounds.Skill(skill.name, skill.until) for skill in one.skills),
        shifts=tuple(_shifts(one, first_day)),
    )


def _shifts(one: Technician, first_day: str) -> Iterable[rounds.Shift]:
    for day in days_from(first_day, LOAD_DAYS):
        if any(leave.first <= day <= leave.last for leave in one.leave):
            continue
        walls = one.week.get(date.fromisoformat(day).weekday(), ())
        if not walls:
            continue
        opens, closes = walls[0][0], walls[-1][1]
        on = date.fromisoformat(day)
        end = day_bounds(on, one.time_zone)[1] if closes == "24:00" else _at(on, closes, one)
        yield rounds.Shift(
            day=day,
            start=_at(on, opens, one),
            end=end,
            lunch_s=60 * one.lunch_min,
            overtime_s=60 * one.overtime_min,
            reserve_s=60 * one.reserve_min,
        )


def _at(day: date, wall: str, one: Technician) -> int:
    return instant(day, time.fromisoformat(wall), one.time_zone)

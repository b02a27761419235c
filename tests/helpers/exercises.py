"""Small inputs for the exercise rules: local times, runs, what was seen."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import msgspec

from fleet.model import Finding, Run
from scheduler.rules import exercise
from scheduler.rules.exercise import Candidate, ExerciseVerdict, Plan, Seen

BERLIN = "Europe/Berlin"
RULE = "DTSTART:20260106T100000\nRRULE:FREQ=WEEKLY;BYDAY=TU"
PLAN = Plan(rule=RULE, zone=BERLIN, minutes=20)
"""Every Tuesday at 10:00 for 20 min from 6 January 2026."""
DAY_S = 86_400
WEEK_S = 7 * DAY_S


def at(text: str, zone: str = BERLIN) -> int:
    """UTC seconds of a local time, '2026-01-06 10:00'."""
    return int(datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone)).timestamp())


def utc(text: str) -> int:
    """UTC seconds of '2026-03-08T16:00Z'."""
    return int(datetime.fromisoformat(text).timestamp())


def a_run(start: int, minutes: float = 20, **fields: Any) -> Run:
    end = start + round(60 * minutes)
    base = Run(start=start, end=end, start_seen="observed", end_seen="observed", last_on_at=end)
    return msgspec.structs.replace(base, **fields)


def ran(
    start: int, minutes: float = 20, hand: Any = "", attempts: int = 1, **fields: Any
) -> Candidate:
    return Candidate(a_run(start, minutes, **fields), hand, attempts)


def weekly(first: str, count: int, late_s: int = 0, minutes: float = 20) -> list[Candidate]:
    """Runs on so many Tuesdays at 10:00 on the wall, `late_s` later."""
    start = datetime.fromisoformat(first)
    found = []
    for n in range(count):
        day = start.toordinal() + 7 * n
        wall = datetime.fromordinal(day).replace(hour=10, tzinfo=ZoneInfo(BERLIN))
        found.append(ran(int(wall.timestamp()) + late_s, minutes))
    return found


def watched(runs: Iterable[Candidate], **fields: Any) -> Seen:
    """A steady device, every 10 min standing and every minute running, heard since 2025."""
    base: dict[str, Any] = {
        "runs": sorted(runs, key=lambda c: c.run.start),
        "first_at": at("2025-12-01 00:00"),
        "last_at": at("2027-12-01 00:00"),
        "running_gap_s": 180,
        "standing_s": 600,
    }
    return Seen(**(base | fields))


def verdicts(
    seen: Seen, until: str, plan: Plan = PLAN, since: str = "2026-01-01 00:00"
) -> tuple[ExerciseVerdict, ...]:
    """Everything judged at a local moment."""
    now = at(until, plan.zone)
    dues = exercise.instants(plan.rule, plan.zone, at(since, plan.zone), now + 2 * DAY_S)
    return exercise.judge(plan, exercise.match(plan, dues, seen.runs, seen.failed), seen, now)


def words(found: Sequence[ExerciseVerdict]) -> list[str]:
    return [v.verdict for v in found]


def told(
    found: Sequence[ExerciseVerdict], plan: Plan = PLAN, ran_since: int | None = None
) -> dict[str, Finding]:
    """Findings by kind."""
    all_of = exercise.findings(plan, found, remind_customer=True, ran_since=ran_since)
    return {f.kind: f for f in all_of}

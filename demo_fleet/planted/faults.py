"""What is planted in the fleet, and the truth about it.

Faults that a rule must find, and healthy confusers that no rule may take for a fault. Each is cast
on one set; moments are told back from `origin`, the moment the demo was first made. Nothing of ours
is imported here: what should be found is written down in words, as an examiner would.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

from demo_fleet.machine import FOREVER, Script
from demo_fleet.planted import condition
from fleet.findings import Facts, Severity
from fleet.findings.exercise import ExerciseMissed, ExerciseShort, ExerciseTime
from fleet.findings.reporting import ClockWrong, NotReporting
from fleet.findings.service import MeterReset, MeterRolledOver, OilCheckInRun, ServiceDue
from fleet.findings.starting import FailedStart, HarderStarting, NotInAuto, StartsUnreliable

DAY_S = 86_400
HOUR_S = 3_600

STORM_AREA = "Ettrick"
STORM_DAYS_AGO = 125
STORM_H = 30
"""The long outage: every site of the area runs for more than a day, and nothing is wrong."""

CAST: dict[int, str] = {
    0: "failed_start",
    1: "failed_start_then_started",
    2: "silent",
    3: "due_by_hours",
    4: "due_by_date",
    5: "late_beyond_tolerance",
    6: "meter_replaced",
    7: "clock_lost",
    8: "left_out_of_auto",
    9: "meter_rolled_over",
    10: "meter_spike",
    11: "board_swapped",
    12: "coarse_habit",
    13: "late_batches",
    14: "hand_runs",
    15: "numbers_as_text",
    16: "sentinel",
    20: "clock_blink",
    21: "volts_corrected",
    24: "charging_output_10_6_v",
    28: "soon_by_date",
    31: "soon_by_date",
    32: "exercise_missed_twice",
    42: "exercise_short",
    17: "harder_starting",
    25: "starts_unreliable",
    29: "oil_check_in_run",
    37: "long_run_liquid",
    58: "cold_cranks",
    43: "exercise_drifted",
    45: "exercise_failed",
    53: "exercise_excused",
    57: "exercise_unseen",
    **condition.CAST,
}
"""Which set (its number in `customers.places`) plays what."""
EXERCISES = frozenset(
    {"harder_starting", "starts_unreliable", "failed_start_then_started", "cold_cranks"}
    | condition.WEEKLY
    | {kind for kind in CAST.values() if kind.startswith("exercise_")}
)
"""Kinds whose set exercises weekly, 20 min: what is promised of them needs so many starts."""
QUIET = frozenset({"exercise_missed_twice", "exercise_failed"}) | condition.QUIET
QUIET_DAYS = 40
"""Kinds without an outage in the last weeks: a run in one would make up for the exercise."""
DRIFT_S = 75 * 60


@dataclass(frozen=True)
class Truth:
    """One planted thing. until None: it lasts. visible_from: first moment it could be known.

    expect: what should be found, as {finding, severity, and facts with their units}; empty for a
    healthy confuser, of which `why` says what is to be left alone.
    """

    kind: str
    unit: str
    device: str
    healthy: bool
    at: int
    visible_from: int
    until: int | None
    expect: dict[str, Any]
    why: str


@dataclass(frozen=True)
class Stage:
    """What a fault may look at: origin [s UTC], exercise starts, last evening's outage, and all
    outages and visits of its site as (from, to)."""

    origin: int
    exercises: tuple[int, ...]
    last_outage: tuple[int, int]
    outages: tuple[tuple[int, int], ...] = ()
    visits: tuple[tuple[int, int], ...] = ()

    def demanded(self, before: int) -> list[int]:
        """Exercises before a moment that nothing else stood in the way of, oldest first."""
        busy = (*self.outages, *self.visits)
        return [
            t
            for t in self.exercises
            if t < before and not any(a - HOUR_S < t < b + HOUR_S for a, b in busy)
        ]


def last_outage(origin: int) -> tuple[int, int]:
    """The outage of last evening, (lost, back) [s UTC]: over at least three hours ago."""
    evening = origin // DAY_S * DAY_S - DAY_S + 20 * HOUR_S + 37 * 60
    return evening, evening + 8_280


def storm(origin: int) -> tuple[int, int]:
    begin = (origin // DAY_S - STORM_DAYS_AGO) * DAY_S + 4 * HOUR_S + 11 * 60
    return begin, begin + STORM_H * HOUR_S


def script_for(kind: str, stage: Stage) -> Script:
    """What befalls the set that plays this kind; an empty script where its kind is in its papers."""
    make = _SCRIPTS.get(kind)
    return make(stage) if make else condition.script_for(kind, stage) or Script()


def _failed_start(stage: Stage) -> Script:
    return Script(fail=((stage.last_outage[0] - 60, FOREVER),), weak_battery=True)


def _failed_then_started(stage: Stage) -> Script:
    at = stage.demanded(stage.origin - 40 * DAY_S)[-1]
    mended = (at // DAY_S + 2) * DAY_S + 11 * HOUR_S
    hand = ((mended, mended + 900),)
    manual = ((mended - 1200, mended + 1800),)
    return Script(fail=((at - 60, mended - HOUR_S),), hand=hand, manual=manual)


def _out_of_auto(stage: Stage) -> Script:
    at = stage.origin // DAY_S * DAY_S - DAY_S + 14 * HOUR_S + 25 * 60
    return Script(manual=((at, FOREVER),), hand=((at + 300, at + 1200),))


HARDER_DAYS, HARDER_S = 200, 3.0
"""The graded fault: crank seconds grow by so much over so many days (over twice the limit)."""
FAILED_EXERCISES = (3, 8, 12, 17)
"""Which of the newest exercises failed, counted back: four of the last twenty or so demands."""


def _harder(stage: Stage) -> Script:
    return Script(crank_grows=(stage.origin - HARDER_DAYS * DAY_S, HARDER_S / HARDER_DAYS))


def _unreliable(stage: Stage) -> Script:
    past = stage.demanded(stage.origin)
    at = [past[-back] for back in FAILED_EXERCISES if back <= len(past)]
    return Script(fail=tuple((t - 60, t + 60) for t in at), resets_itself=True)


def _long_run(hours: float) -> Callable[[Stage], Script]:
    """Called to work since so many hours before the origin, and for six more."""
    return lambda stage: Script(
        called=((stage.origin - int(hours * HOUR_S), stage.origin + 6 * HOUR_S),)
    )


def _hand_runs(stage: Stage) -> Script:
    """The owner runs it by hand every other Saturday."""
    first = (stage.origin // DAY_S - 364) // 7 * 7 + 2  # day 2 of 1970 was a Saturday
    days = range(first, stage.origin // DAY_S + 60, 14)
    starts = [day * DAY_S + 10 * HOUR_S + 97 * (day % 19) for day in days]
    return Script(hand=tuple((t, t + 1080) for t in starts))


def _called(stage: Stage) -> Script:
    """Called to work for a dryer, most in late summer: about 350 h a year."""
    spans = []
    for day in range(stage.origin // DAY_S - 365, stage.origin // DAY_S + 60):
        season = day % 365
        if day * 7_919 % 100 < (60 if 200 < season < 300 else 26):
            start = day * DAY_S + 7 * HOUR_S + day * 104_729 % (5 * HOUR_S)
            spans.append((start, start + 7_200 + day * 1_299_709 % 5_400))
    return Script(called=tuple(spans))


def _late_batches(stage: Stage) -> Script:
    """Its router dies now and then; the board sends what it kept when the line is back."""
    days = (1, 4, 9, 17, 40, 77, 130, 210, 300)
    starts = [(stage.origin // DAY_S - d) * DAY_S + 2 * HOUR_S + 613 * d % HOUR_S for d in days]
    return Script(offline=tuple((t, t + 7 * HOUR_S) for t in starts))


def _newest_exercises(stage: Stage, count: int) -> tuple[int, ...]:
    """The newest ones that were over for at least 14 h at the origin, oldest first."""
    return tuple(t for t in stage.exercises if t < stage.origin - 14 * HOUR_S)[-count:]


def _exercise_missed(stage: Stage) -> Script:
    return Script(exercise_off=((_newest_exercises(stage, 2)[0] - 600, FOREVER),))


def _exercise_short(stage: Stage) -> Script:
    return Script(exercise_cut=(_newest_exercises(stage, 4)[0] - 600, 0.4))


def _exercise_drifted(stage: Stage) -> Script:
    return Script(exercise_late=(_newest_exercises(stage, 9)[0] - 600, DRIFT_S))


def _exercise_failed(stage: Stage) -> Script:
    return Script(fail=((_newest_exercises(stage, 1)[0] - 60, FOREVER),))


def _exercise_excused(stage: Stage) -> Script:
    """Its controller leaves out the exercise that follows a long run."""
    off = [
        (t - 600, t + 600)
        for before, t in pairwise(stage.exercises)
        if any(b - a > HOUR_S and before < a and b < t - HOUR_S for a, b in stage.outages)
    ]
    return Script(exercise_off=tuple(off))


def _ago(days: int, seconds: int) -> Callable[[Stage], int]:
    return lambda stage: (stage.origin // DAY_S - days) * DAY_S + seconds


_SPIKE_AT = _ago(12, 9 * HOUR_S + 47)
_SENTINEL_AT = _ago(1, 5 * HOUR_S)

_SCRIPTS: dict[str, Callable[[Stage], Script]] = {
    "failed_start": _failed_start,
    "failed_start_then_started": _failed_then_started,
    "silent": lambda s: Script(silent_from=_ago(3, 4 * HOUR_S + 611)(s)),
    "due_by_hours": _called,
    "meter_replaced": lambda s: Script(meter_reset=_ago(20, 13 * HOUR_S + 900)(s)),
    "meter_rolled_over": lambda s: Script(meter_wraps_h=10_000.0),
    "clock_lost": lambda s: Script(clock_lost=s.origin - 26 * HOUR_S),
    "left_out_of_auto": _out_of_auto,
    "meter_spike": lambda s: Script(meter_zero=((_SPIKE_AT(s), _SPIKE_AT(s) + 601),)),
    "board_swapped": lambda s: Script(board_swap=_ago(96, 12 * HOUR_S + 1020)(s)),
    "late_batches": _late_batches,
    "hand_runs": _hand_runs,
    "exercise_missed_twice": _exercise_missed,
    "exercise_short": _exercise_short,
    "exercise_drifted": _exercise_drifted,
    "exercise_failed": _exercise_failed,
    "exercise_excused": _exercise_excused,
    "sentinel": lambda s: Script(sentinel=((_SENTINEL_AT(s), _SENTINEL_AT(s) + 2_400),)),
    "harder_starting": _harder,
    "starts_unreliable": _unreliable,
    "oil_check_in_run": _long_run(11),
    "long_run_liquid": _long_run(13),
    "cold_cranks": lambda s: Script(crank_cold=0.12),
    "clock_blink": lambda s: Script(clock_blink=_ago(40, 8 * HOUR_S)(s)),
}


def joined(script: Script, hand: tuple[tuple[int, int], ...], before_s: int) -> Script:
    """The script with visits added: each a run by hand, the switch out of automatic around it."""
    manual = tuple((a - before_s, b + 600) for a, b in hand)
    manual = tuple(m for m in manual if not any(m[0] < b and a < m[1] for a, b in script.manual))
    return replace(script, hand=script.hand + hand, manual=script.manual + manual)


EXPECT: dict[str, tuple[type[Facts], Severity, str]] = {
    "failed_start": (
        FailedStart,
        "act_now",
        "cranked in last evening's outage, never started; locked out since",
    ),
    "silent": (NotReporting, "no_word", "stopped reporting while standing by, mains on"),
    "due_by_hours": (ServiceDue, "next_visit", "oil due by engine hours, inside its tolerance"),
    "due_by_date": (
        ServiceDue,
        "next_visit",
        "yearly service due by the calendar, inside its tolerance",
    ),
    "soon_by_date": (ServiceDue, "next_visit", "yearly service within the next 30 days: soon"),
    "late_beyond_tolerance": (
        ServiceDue,
        "same_day",
        "yearly service late by more than its tolerance",
    ),
    "meter_replaced": (
        MeterReset,
        "note",
        "the hour meter went back to 0 and goes on from there",
    ),
    "meter_rolled_over": (MeterRolledOver, "note", "a meter of four digits passed 9,999.9 h"),
    "clock_lost": (ClockWrong, "note", "the device restarted and counts from 1970"),
    "harder_starting": (
        HarderStarting,
        "next_visit",
        "cranks longer and longer for 200 days, at like temperature",
    ),
    "starts_unreliable": (
        StartsUnreliable,
        "next_visit",
        "four of its last twenty or so starts failed, the newest did not",
    ),
    "oil_check_in_run": (
        OilCheckInRun,
        "same_day",
        "an air-cooled set has run for 11 h and nobody was at it",
    ),
    "left_out_of_auto": (NotInAuto, "act_now", "somebody left the switch out of automatic"),
    "exercise_missed_twice": (
        ExerciseMissed,
        "same_day",
        "its exercise clock started nothing the last two times; no outage since",
    ),
    "exercise_short": (ExerciseShort, "next_visit", "the last four exercises ran 8 of 20 min"),
    "exercise_drifted": (ExerciseTime, "note", "its exercise clock is 75 min late"),
    "exercise_failed": (
        FailedStart,
        "act_now",
        "cranked for its last exercise, never started; locked out since",
    ),
    **condition.EXPECT,
}
HEALTHY: dict[str, str] = {
    "failed_start_then_started": "a start failed weeks ago, was mended and started since: history",
    "meter_spike": "the meter showed 0 once while its device restarted: no reset, hours unchanged",
    "board_swapped": "a new board with new counters speaks for the same set: hours go on",
    "coarse_habit": "one message in 6 h and no events: its exercises are seen by meter and counter",
    "late_batches": "readings delivered hours late, shuffled and some twice: same days as on time",
    "hand_runs": "runs started by hand, not counted as attempts: not failed, not unknown starts",
    "numbers_as_text": "numbers sent as text with unit and decimal comma: read and counted",
    "sentinel": "fuel 6553.5 is not a level: refused with a reason, the rest of the message kept",
    "clock_blink": "one message from 1970 after a restart: stored at its receipt, nothing jumps",
    "volts_corrected": "AC input reads 2.8 % low and a meter check corrects it",
    "charging_output_10_6_v": "10.6 V on the charging output is running, 0 V is standing",
    "exercise_excused": "leaves out the exercise that follows an outage run of an hour: not missed",
    "exercise_unseen": "wakes every 6 h, without counter, meter or events: its exercises could not be seen, so none is missed",
    "long_run_liquid": "a liquid-cooled set has run for 13 h: no oil check asked for",
    "cold_cranks": "cranks longer in the cold, year after year: no harder starting",
    "long_outage": "a 30 h outage of a whole area: long runs, no fault",
    **condition.HEALTHY,
}

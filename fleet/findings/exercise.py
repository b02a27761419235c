"""Exercise: missed, short, under-loaded, at another time."""

from __future__ import annotations

from datetime import date
from typing import TypeAlias, assert_never

from fleet.findings.row import (
    NEVER,
    READY,
    RECKONED,
    STATE,
    TOLD,
    Alarm,
    AnyRow,
    Count,
    F,
    Facts,
    Found,
    Kilowatts,
    Minutes,
    Moment,
    Percent,
    Quiet,
    Readies,
    Row,
    Say,
    Sentence,
    Severity,
    WholeSeconds,
)
from fleet.findings.saying import moment, span

BY = {
    "readings": "its readings",
    "counter": "its start counter",
    "events": "its start events",
    "meter": "its hour meter",
}
"""What a missed exercise was seen by."""


def _row(
    facts: type[F],
    say: Say[F],
    severities: tuple[Severity, ...],
    *,
    alarm: Alarm = RECKONED,
    readiness: Readies = READY,
    sends: bool = True,
) -> Row[F]:
    """Worked out of what was agreed; not looked for on a set that is laid up or out for work."""
    return Row(
        facts=facts,
        family="exercise",
        severities=severities,
        alarm=alarm,
        concern="other",
        quiet=Quiet(
            set_aside="not_looked_for",
            unchecked="no_reading",
            answered_by="nothing",
            outage="nothing",
        ),
        readiness=readiness,
        cover=None,
        cover_at=NEVER,
        job="by_severity",
        sends=sends,
        say=say,
    )


class ExerciseMissed(Facts, frozen=True, kw_only=True, omit_defaults=True, tag="exercise_missed"):
    """At the agreed time it did not run, and its readings, start counter, events or hour meter
    would have shown it.

    The exercise is the only proof between two outages that it starts. What keeps it from its
    exercise often keeps it from an outage.

    Ask who was there last, then have its exercise clock looked at.

    Within 2 h of the time at which it has lately run. Same day from 2 in a row on, where nothing
    else ran for that length. Common practice, no source.

    times: in a row. minutes: as agreed. ran_at: it did run for that long then. remind: whom the
    office may write to.
    """

    times: Count
    due_at: Moment
    wall: str
    by: str
    remind: str
    minutes: Minutes | None = None
    ran_at: Moment | None = None

    @property
    def twice(self) -> bool:
        """Missed twice in a row or more often: then readiness is in doubt."""
        return self.times >= 2


def _exercise_missed(facts: ExerciseMissed, f: Found, zone: str, now: int) -> Sentence:
    due, times = moment(facts.due_at, zone, now), facts.times
    by = BY.get(facts.by, BY["readings"])
    seen = f"Did not run its exercise agreed for {due}, by {by}"
    seen += f"; missed {times} times in a row." if times > 1 else "."
    if facts.ran_at is not None:
        seen += f" It did run for that long at {moment(facts.ran_at, zone, now)}."
    return Sentence(
        title="Exercise missed twice" if times == 2 else "Exercise missed",
        seen=seen,
        do="Ask who was there last, then have its exercise clock looked at"
        + (" today." if f.severity == "same_day" else " at the next visit."),
    )


def _missed_twice(facts: ExerciseMissed) -> bool:
    return facts.twice


EXERCISE_MISSED = _row(
    ExerciseMissed,
    _exercise_missed,
    ("same_day", "next_visit"),
    readiness=Readies(
        not_ready=NEVER,
        doubtful=TOLD,
        reason="it missed its exercise twice",
        where=_missed_twice,
    ),
)


class ExerciseShort(Facts, frozen=True, kw_only=True, omit_defaults=True, tag="exercise_short"):
    """It began its exercise and stopped before the agreed time.

    A run too short to warm the engine does more harm than none, and something ended it: a timer or
    a fault.

    At the next visit look at why it stopped: its timer, then its faults.

    Less than agreed by more than 10 % and 2 min; common practice, no source.

    minutes: as agreed.
    """

    due_at: Moment
    remind: str
    ran_at: Moment | None = None
    length_s: WholeSeconds | None = None
    minutes: Minutes | None = None


def _exercise_short(facts: ExerciseShort, f: Found, zone: str, now: int) -> Sentence:
    seen = f"Ran its exercise at {moment(f.since, zone, now)} for {span(facts.length_s or 0)}"
    seen += f" instead of {facts.minutes:g} min." if facts.minutes is not None else "."
    return Sentence(
        title="Exercise cut short",
        seen=seen,
        do="At the next visit look at why it stopped: its timer, then its faults.",
    )


EXERCISE_SHORT = _row(ExerciseShort, _exercise_short, ("next_visit",))


class ExerciseUnderLoaded(
    Facts, frozen=True, kw_only=True, omit_defaults=True, tag="exercise_under_loaded"
):
    """It ran its exercise, and carried less than was agreed.

    A diesel that never works soots up: wet exhaust, glazed bores, oil in the stack.

    Nothing today. Where it goes on, plan a run on a load bank with a technician at the set.

    Mean load under 75 % of the agreed one, 5 min of warming and cooling left out; common practice,
    no source.
    """

    due_at: Moment
    remind: str
    ran_at: Moment | None = None
    length_s: WholeSeconds | None = None
    minutes: Minutes | None = None
    mean_kw: Kilowatts | None = None
    asked_kw: Kilowatts | None = None


def _exercise_under_loaded(facts: ExerciseUnderLoaded, f: Found, zone: str, now: int) -> Sentence:
    seen = f"Ran its exercise at {moment(f.since, zone, now)}"
    if facts.mean_kw is not None:
        seen += f" at {facts.mean_kw:.1f} kW on average"
    if facts.asked_kw is not None:
        seen += f"; {facts.asked_kw:.1f} kW were agreed"
    return Sentence(title="Exercise with little load", seen=f"{seen}.")


EXERCISE_UNDER_LOADED = _row(ExerciseUnderLoaded, _exercise_under_loaded, ("note",), sends=False)


class ExerciseTime(Facts, frozen=True, kw_only=True, omit_defaults=True, tag="exercise_time"):
    """It runs its exercise at another time than agreed, again and again.

    Nobody at the site expects it then, and an hour off after a change of the clock says that its
    own does not follow.

    Set its exercise clock at the next visit, or write the real time into the register.

    30 min or more, the median of its last 5 matches, 3 at least; common practice, no source.

    offset_s: later than agreed, or earlier where it is less than nothing. agreed, real: on the
    wall. matches: exercises it is the median of. summer_time: an hour off, so that its own clock
    may not follow summer time.
    """

    offset_s: WholeSeconds
    agreed: str
    real: str
    matches: Count
    summer_time: bool


def _exercise_time(facts: ExerciseTime, f: Found, zone: str, now: int) -> Sentence:
    late = "later" if facts.offset_s > 0 else "earlier"
    seen = f"Exercises at {facts.real} instead of {facts.agreed}: "
    seen += f"{span(abs(facts.offset_s))} {late} than agreed, over {facts.matches} exercises."
    if facts.summer_time:
        seen += " An hour off: its own clock may not follow summer time."
    return Sentence(
        title="Exercises at another time",
        seen=seen,
        do="Set its exercise clock at the next visit, or write the real time into the register.",
    )


EXERCISE_TIME = _row(ExerciseTime, _exercise_time, ("note",), sends=False)


class CodeExerciseNotMet(
    Facts, frozen=True, kw_only=True, omit_defaults=True, tag="code_exercise_not_met"
):
    """A set that a code puts under NFPA 110 had no run in the last whole month that met the monthly
    exercise.

    The authority asks for the log. A month not met cannot be made up for later.

    Plan this month's test under load with a technician at the set. The adopted edition and the
    local authority come first.

    30 min a month, a diesel at 30 % of nameplate (NFPA 110, 8.4.1 and 8.4.2, secondary source);
    else once a year 30 min at 50 %, then 60 min at 75 % (8.4.2.3, secondary source).

    month: ISO. asked_min, asked_pct: what a month asks for, of nameplate (no share asked where it
    is no diesel). longest_min, load_pct: its best run (None: none, or not measured). supplemental:
    of the last year, `met`, `not_met`, `not_measured` or '' for not needed; its stages as (min, %
    of nameplate).
    """

    month: str
    diesel: bool
    supplemental: str
    asked_min: Minutes
    asked_pct: Percent | None = None
    stages: tuple[tuple[Minutes, Percent], ...] = ()
    longest_min: Minutes | None = None
    load_pct: Percent | None = None


def _code_exercise_not_met(facts: CodeExerciseNotMet, f: Found, zone: str, now: int) -> Sentence:
    month = date.fromisoformat(f"{facts.month}-01")
    asked = f"{facts.asked_min:g} min"
    if facts.asked_pct is not None:
        asked += f" at {facts.asked_pct:g} % of nameplate"
    if facts.longest_min is None:
        ran = "it did not run that month"
    else:
        ran = f"its best run lasted {facts.longest_min:g} min"
        ran += f" at {facts.load_pct:g} %" if facts.load_pct is not None else ""
    do = "Plan this month's test under load with a technician at the set."
    if facts.stages and facts.supplemental != "met":
        steps = ", then ".join(f"{minutes:g} min at {pct:g} %" for minutes, pct in facts.stages)
        do += (
            " Unless its exhaust temperature was proved, the year asks for the supplemental run: "
            f"{steps}."
        )
    return Sentence(
        title="Monthly exercise not met",
        seen=f"{month:%B %Y}: NFPA 110 asks this set for {asked}; {ran}.",
        do=f"{do} The adopted edition and the local authority come first.",
    )


CODE_EXERCISE_NOT_MET = _row(
    CodeExerciseNotMet, _code_exercise_not_met, ("next_visit",), alarm=STATE
)


ExerciseFacts: TypeAlias = (
    ExerciseMissed | ExerciseShort | ExerciseUnderLoaded | ExerciseTime | CodeExerciseNotMet
)
"""What is found of exercise."""


def row_of(facts: ExerciseFacts) -> AnyRow:
    """How such a finding behaves."""
    match facts:
        case ExerciseMissed():
            return EXERCISE_MISSED
        case ExerciseShort():
            return EXERCISE_SHORT
        case ExerciseUnderLoaded():
            return EXERCISE_UNDER_LOADED
        case ExerciseTime():
            return EXERCISE_TIME
        case CodeExerciseNotMet():
            return CODE_EXERCISE_NOT_MET
        case _:
            assert_never(facts)

"""Work that is due, and the hours it is counted by."""

from __future__ import annotations

from typing import TypeAlias, assert_never

from fleet.findings.row import (
    NEVER,
    READY,
    RECKONED,
    STATE,
    AnyRow,
    AsSent,
    Count,
    F,
    Facts,
    Found,
    Hours,
    Moment,
    Quiet,
    Readies,
    Row,
    Say,
    Sentence,
    WholeDays,
    always,
)
from fleet.findings.saying import count, day, hours, moment, span

STAYS = Quiet(set_aside="stays", unchecked="no_reading", answered_by="nothing", outage="nothing")


def _of_the_meter(facts: type[F], say: Say[F], *, sends: bool) -> Row[F]:
    """A Note on the metering of hours, never on the engine."""
    return Row(
        facts=facts,
        family="service",
        severities=("note",),
        alarm=STATE,
        concern="other",
        quiet=STAYS,
        readiness=READY,
        cover=None,
        cover_at=NEVER,
        job="by_severity",
        sends=sends,
        say=say,
    )


class ServiceDue(Facts, frozen=True, kw_only=True, omit_defaults=True, tag="service_due"):
    """A task of its plan is near, due or late, by engine hours or by the calendar, whichever comes
    first.

    Oil and filters wear by hours and age by the calendar. A code or a warranty may ask for proof of
    both.

    Put it on the next round; the same day where it is late beyond its tolerance.

    Soon: 30 days or 90 % of the hours. Late beyond tolerance: over 10 % of the interval and over 30
    days unless its plan says otherwise (common practice, no source); by anything at all under a
    code or a warranty. Intervals are those of the plan, each with its source; the maker's manual
    always wins.

    binds: `hours` or `calendar`, whichever comes first. due_on: local ISO date.
    """

    name: str
    binds: str
    state: str
    reason: str
    due_on: str | None = None
    due_at_hours_h: Hours | None = None
    hours_now_h: Hours | None = None
    hours_left_h: Hours | None = None
    days_left: WholeDays | None = None
    late_days: WholeDays | None = None
    late_hours_h: Hours | None = None


def _service_due(facts: ServiceDue, f: Found, zone: str, now: int) -> Sentence:
    name = facts.name
    over = [f"{hours(facts.late_hours_h)} over"] if facts.late_hours_h else []
    over += [f"{count(facts.late_days, 'day')} late"] if facts.late_days else []
    if over:
        seen = f"{name}: {' and '.join(over)}."
    elif facts.binds == "hours" and facts.due_at_hours_h is not None:
        seen = f"{name}: due at {hours(facts.due_at_hours_h)}."
    elif facts.due_on:
        seen = f"{name}: due on {day(facts.due_on)}."
    else:
        seen = f"{name}: due."
    reason = facts.reason
    if facts.late_days:  # said already, at the head
        reason = reason.replace(f"; {facts.late_days} days over", "", 1)
    if reason:
        seen += f" {reason}."
    return Sentence(
        title=f"{name} late" if f.severity == "same_day" else f"{name} due",
        seen=seen,
        do="Have it done today." if f.severity == "same_day" else "Put it on the next round.",
    )


SERVICE_DUE = Row(
    facts=ServiceDue,
    family="service",
    severities=("same_day", "next_visit"),
    alarm=RECKONED,
    concern="other",
    quiet=STAYS,
    readiness=Readies(
        not_ready=NEVER,
        doubtful=frozenset({"same_day"}),
        reason="service is late beyond its tolerance",
        where=always,
    ),
    cover=None,
    cover_at=NEVER,
    job="of_the_plan",
    sends=True,
    say=_service_due,
)


class OilCheckInRun(Facts, frozen=True, kw_only=True, omit_defaults=True, tag="oil_check_in_run"):
    """An air-cooled engine has run for hours on end, and nobody is known to have looked at its oil.

    Small engines use oil. A storm outlasts what is in the sump, and the engine with it.

    Have its level looked at by somebody who knows the set, stopped and cooled; the power is off
    meanwhile.

    After 8 h of a run, then every 24 h; a visit, task, refuelling or meter reading from 2 h before
    answers it. Common practice, no source.

    run_h: hours of this run at which the look was due. check: the number of the look.
    """

    run_h: Hours
    check: Count
    started_at: Moment
    next_at: Moment | None = None


def _oil_check_in_run(facts: OilCheckInRun, f: Found, zone: str, now: int) -> Sentence:
    began = facts.started_at
    return Sentence(
        title="Oil check in a long run",
        seen=f"Has run for {span(now - began)} without a stop, since {moment(began, zone, now)}; "
        f"its oil was due for a look after {facts.run_h:g} h.",
        do="An air-cooled engine can use up its oil: have the level looked at by somebody who "
        "knows the set, with it stopped and cooled. The power is off meanwhile.",
    )


OIL_CHECK_IN_RUN = Row(
    facts=OilCheckInRun,
    family="service",
    severities=("same_day",),
    alarm=RECKONED,
    concern="other",
    quiet=Quiet(
        set_aside="not_looked_for",
        unchecked="no_reading",
        answered_by="visit",
        outage="nothing",
    ),
    readiness=READY,
    cover=None,
    cover_at=NEVER,
    job="by_severity",
    sends=True,
    say=_oil_check_in_run,
)


class MeterReset(Facts, frozen=True, kw_only=True, omit_defaults=True, tag="meter_reset"):
    """The hour meter fell to a lower reading and stays there.

    A new meter, or one that lost its count. Engine hours go on from the old reading, and service by
    hours depends on them.

    If the meter was replaced or lost its count, record that: the old reading and the new one tie the
    two together, and the engine keeps its age.

    Confirmed by 3 readings or 10 min; one that is back within them was a spike. Common practice, no
    source.
    """

    before_h: Hours
    after_h: Hours


def _meter_reset(facts: MeterReset, f: Found, zone: str, now: int) -> Sentence:
    return Sentence(
        title="Hour meter reset?",
        seen=f"The hour meter went from {hours(facts.before_h)} to "
        f"{hours(facts.after_h)} at {moment(f.since, zone, now)} and stayed there. "
        "Engine hours go on from the old reading.",
        do="If the meter was replaced or lost its count, write it down as Hour meter replaced, with "
        "the old reading and the new: the engine keeps its age.",
    )


METER_RESET = _of_the_meter(MeterReset, _meter_reset, sends=True)


class MeterRolledOver(
    Facts, frozen=True, kw_only=True, omit_defaults=True, tag="meter_rolled_over"
):
    """The hour meter went past the end of its digits and began again.

    Information: engine hours go on without a step.

    Nothing; look once whether the hours shown here are right.

    From within 1 % of a power of ten or of two, of a register of its own steps or of the digits set
    for it, further off after a silence; told for 30 days. Common practice, no source.
    """

    before_h: Hours
    after_h: Hours


def _meter_rolled_over(facts: MeterRolledOver, f: Found, zone: str, now: int) -> Sentence:
    return Sentence(
        title="Hour meter rolled over",
        seen=f"The hour meter rolled over from {hours(facts.before_h)} at "
        f"{moment(f.since, zone, now)}; engine hours go on counting.",
    )


METER_ROLLED_OVER = _of_the_meter(MeterRolledOver, _meter_rolled_over, sends=False)


class MeterDisagrees(Facts, frozen=True, kw_only=True, omit_defaults=True, tag="meter_disagrees"):
    """Over a month the hour meter and the runs that were seen differ by more than gaps and its own
    step explain.

    It is about the metering, never about the engine. Hours of that time are added up from the runs,
    and service goes by them; only where less than half of the meter's hours was seen as runs, it is
    the runs that were not seen, and the meter is followed.

    Compare with the engine's own meter at the next visit.

    5 % and 1.0 h over 30 days, half of the hours; common practice, no source.

    over_days: over which they were compared. follows: `runs` or `meter`.
    """

    meter_h: Hours
    integrated_h: Hours
    over_days: WholeDays
    follows: str = "meter"


def _meter_disagrees(facts: MeterDisagrees, f: Found, zone: str, now: int) -> Sentence:
    pace = "slow" if facts.meter_h < facts.integrated_h else "fast"
    then = "So the engine hours of that time are added up from the runs seen."
    if facts.follows == "meter":
        pace, then = "disagrees", "Most runs were not seen, so engine hours go by the meter."
    return Sentence(
        title=f"Hour meter {pace}",
        seen=f"Over {facts.over_days} days the hour meter gained {hours(facts.meter_h)} while the "
        f"runs seen add up to {hours(facts.integrated_h)}. {then}",
        do="Compare with the engine's own meter at the next visit; this is about the metering, "
        "not the engine.",
    )


METER_DISAGREES = _of_the_meter(MeterDisagrees, _meter_disagrees, sends=False)


class UsesIntegratedHours(
    Facts, frozen=True, kw_only=True, omit_defaults=True, tag="uses_integrated_hours"
):
    """The hour meter counts while the engine is seen to stand, so hours are added up from the runs.

    Such a meter is fed by the key, which is on all day in automatic; by its count service would
    always be late.

    Nothing; where it can be, have the meter wired to the running engine.

    More than 1.0 h and 5 % of its gain on days on which it counted at least 50 % of the time
    watched; common practice, no source.

    standing_h: what it gained while the engine stood. before: it was that of a device fitted
    before.
    """

    standing_h: Hours
    before: bool = False


def _uses_integrated_hours(facts: UsesIntegratedHours, f: Found, zone: str, now: int) -> Sentence:
    return Sentence(
        title="Hours from runs",
        seen="The hour meter of a device that was fitted here before also counted while the engine "
        "stood, so engine hours are added up from the runs seen."
        if facts.before
        else "The hour meter also counts while the engine stands, so it is not used: "
        "engine hours are added up from the runs seen.",
    )


USES_INTEGRATED_HOURS = _of_the_meter(UsesIntegratedHours, _uses_integrated_hours, sends=False)


class HourFormatAsked(
    Facts, frozen=True, kw_only=True, omit_defaults=True, tag="hour_format_asked"
):
    """The readings of the hour meter look like hours and minutes with a point between, or like a count
    of minutes or of seconds, and nobody has said how the device writes them.

    Read as decimals such a meter loses hours or invents them. Until it is said, hours are added up
    from the runs.

    Record how the hour meter writes; all its readings are then read so, the earlier ones too.

    From 3 leaps that only hours and minutes explain, with no fraction of .60 or more, or 6 of a
    count at least 20 times as fast as the clock, and 80 % of all leaps; common practice, no source.

    writes: `hours_minutes`, `minutes` or `seconds`. shown: its newest value as sent.
    """

    writes: str
    shown: AsSent | None = None


WRITES = {
    "hours_minutes": "hours and minutes with a point between",
    "minutes": "a count of minutes",
    "seconds": "a count of seconds",
}


def _hour_format_asked(facts: HourFormatAsked, f: Found, zone: str, now: int) -> Sentence:
    shown = "" if facts.shown is None else f" It sends {facts.shown:.2f} now."
    return Sentence(
        title="How does the hour meter write?",
        seen=f"The hour meter seems to send {WRITES.get(facts.writes, facts.writes)}.{shown} "
        "Until it is said, engine hours are added up from the runs seen.",
        do="Look at its display and write down how the hour meter writes; all its readings are "
        "then read so.",
    )


HOUR_FORMAT_ASKED = _of_the_meter(HourFormatAsked, _hour_format_asked, sends=True)


ServiceFacts: TypeAlias = (
    ServiceDue
    | OilCheckInRun
    | MeterReset
    | MeterRolledOver
    | MeterDisagrees
    | UsesIntegratedHours
    | HourFormatAsked
)
"""What is found of service and engine hours."""


def row_of(facts: ServiceFacts) -> AnyRow:
    """How such a finding behaves."""
    match facts:
        case ServiceDue():
            return SERVICE_DUE
        case OilCheckInRun():
            return OIL_CHECK_IN_RUN
        case MeterReset():
            return METER_RESET
        case MeterRolledOver():
            return METER_ROLLED_OVER
        case MeterDisagrees():
            return METER_DISAGREES
        case UsesIntegratedHours():
            return USES_INTEGRATED_HOURS
        case HourFormatAsked():
            return HOUR_FORMAT_ASKED
        case _:
            assert_never(facts)

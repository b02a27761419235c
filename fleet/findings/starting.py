"""Starts that failed, shutdowns, a switch out of automatic, and how well a set starts."""

from __future__ import annotations

from typing import Literal, TypeAlias, assert_never

from fleet.findings.row import (
    ALL,
    NEVER,
    STATE,
    SWITCH_S,
    TOLD,
    Alarm,
    AnyRow,
    ByMeasure,
    ByMeasureAMonth,
    Celsius,
    Concern,
    Count,
    F,
    Facts,
    Found,
    Moment,
    Quiet,
    Readies,
    Row,
    Say,
    Seconds,
    Sentence,
    Severity,
    Share,
    Volts,
    always,
)
from fleet.findings.saying import began, count, moment, percent_range, times


def _no_cover(
    facts: type[F],
    say: Say[F],
    *,
    alarm: Alarm,
    answered_by: Literal["visit", "nothing"],
    readiness: Readies,
    job: Literal["call_first", "by_severity"],
    concern: Concern = "no_cover",
) -> Row[F]:
    """It would not start now: its site has no cover, and an outage tells of it in its own alert."""
    return Row(
        facts=facts,
        family="starting",
        severities=("act_now", "note"),
        alarm=alarm,
        concern=concern,
        quiet=Quiet(
            set_aside="note",
            unchecked="no_reading",
            answered_by=answered_by,
            outage="told_by_it",
        ),
        readiness=readiness,
        cover="failed",
        cover_at=TOLD,
        job=job,
        sends=True,
        say=say,
    )


def _starts_badly(
    facts: type[F], say: Say[F], severities: tuple[Severity, ...], reason: str
) -> Row[F]:
    """It still starts, by many starts looked at together: work for a visit, and readiness in doubt."""
    return Row(
        facts=facts,
        family="starting",
        severities=severities,
        alarm=STATE,
        concern="other",
        quiet=Quiet(
            set_aside="stays", unchecked="no_reading", answered_by="nothing", outage="nothing"
        ),
        readiness=Readies(not_ready=NEVER, doubtful=TOLD, reason=reason, where=always),
        cover=None,
        cover_at=NEVER,
        job="by_severity",
        sends=True,
        say=say,
    )


class FailedStart(Facts, frozen=True, kw_only=True, omit_defaults=True, tag="failed_start"):
    """It was asked to start and did not: the controller says so, or attempts were counted and no
    run followed that could not have been missed. It ends with a later start, run, visit, task or
    part.

    The site has no cover until somebody has been there. Of all that can be wrong with a set this is
    the one it was bought against.

    Call the site and ask whether they have power; send the nearest van. Nobody is asked for another
    try: a starter cranked without rest burns out, and whoever bends over it may lose a hand when it
    fires.

    Attempts within one cranking cycle are one demand: 75 s of a liquid-cooled set (NFPA 110,
    5.6.4.2, as specified in UFGS 16263A, 2.11.2), 70 s of an air-cooled one (common practice, no
    source), or what the register says.

    attempts: crank attempts, 0 where only the failure was told. failures: in a row. mains_v: newest
    volts of the mains, with nominal_v what they should be.
    """

    attempts: Count
    at: Moment
    failures: Count
    nominal_v: Volts
    crank_min_v: Volts | None = None
    crank_s: Seconds | None = None
    cause: str | None = None
    mains_v: Volts | None = None


def _failed_start(facts: FailedStart, f: Found, zone: str, now: int) -> Sentence:
    seen = f"Did not start at {began(f, zone, now)}"
    seen += (
        f": {times(facts.attempts)}, no run followed." if facts.attempts else ": no run followed."
    )
    if facts.crank_min_v is not None:
        seen += f" The battery fell to {facts.crank_min_v:.1f} V while cranking."
    if facts.cause:
        seen += f" The controller says: {facts.cause}."
    if facts.mains_v is not None and facts.nominal_v > 0:
        seen += (
            f" The mains was healthy when last heard ({facts.mains_v:.0f} V)."
            if facts.mains_v > facts.nominal_v / 2
            else " The mains was off when last heard: nobody is covered."
        )
    return Sentence(title="Would not start", seen=seen, do="Call the site, send the nearest van.")


FAILED_START = _no_cover(
    FailedStart,
    _failed_start,
    alarm=Alarm(
        over_after_s=0,
        stays_while_silent=False,
        while_learning=True,
        known_at_once=True,
        each_is_news=True,
    ),
    answered_by="visit",
    readiness=Readies(
        not_ready=NEVER,
        doubtful=NEVER,
        reason="did not start {when}, and no start was seen since",
        where=always,
    ),
    job="by_severity",
    concern="start_failed",
)


class ShutDown(Facts, frozen=True, kw_only=True, omit_defaults=True, tag="shut_down"):
    """It stopped itself on a fault, or its emergency stop was pushed, and nothing has run and
    nobody was recorded at it since.

    It locks itself out: it will not start for the next outage, however good its battery is.

    Call the site, send the nearest van. It stays down until somebody has found out why: an engine
    restarted on low oil pressure is scrap.

    Left out within 300 s of a failed start, which says the same; common practice, no source.

    event: what the device said, `shutdown` or `emergency_stop`. cause: in the controller's words.
    """

    event: str = ""
    cause: str = ""


def _shut_down(facts: ShutDown, f: Found, zone: str, now: int) -> Sentence:
    pushed = facts.event == "emergency_stop"
    seen = "Its emergency stop was pushed" if pushed else "Shut itself down"
    seen += f" at {began(f, zone, now)}, and it was not seen running since."
    if facts.cause:
        seen += f" The controller says: {facts.cause}."
    return Sentence(
        title="Emergency stop" if pushed else "Shut down on a fault",
        seen=seen,
        do="Call the site, send the nearest van: it stays down until somebody has found out why.",
    )


SHUT_DOWN = _no_cover(
    ShutDown,
    _shut_down,
    alarm=Alarm(
        over_after_s=0,
        stays_while_silent=False,
        while_learning=False,
        known_at_once=True,
        each_is_news=False,
    ),
    answered_by="visit",
    readiness=Readies(
        not_ready=NEVER,
        doubtful=NEVER,
        reason="stopped itself or was stopped for emergency {when}, and no run was seen since",
        where=always,
    ),
    job="by_severity",
)


class NotInAuto(Facts, frozen=True, kw_only=True, omit_defaults=True, tag="not_in_auto"):
    """The panel switch stands out of automatic, by its contact or by the device's word.

    It cannot start by itself. It is what is forgotten most often after a service, and nobody
    notices until the mains goes.

    Ask the last technician first. Nobody at the site switches it over while somebody may be at it:
    it may start that second.

    For 60 s by the contact's newest word; common practice, no source.
    """

    since: Moment


def _not_in_auto(facts: NotInAuto, f: Found, zone: str, now: int) -> Sentence:
    return Sentence(
        title="Not in auto",
        seen=f"The panel switch has been out of automatic since {began(f, zone, now)}: "
        "the set cannot start by itself.",
        do="Ask the last technician first; nobody switches it over while somebody may be at it.",
    )


NOT_IN_AUTO = _no_cover(
    NotInAuto,
    _not_in_auto,
    alarm=Alarm(
        over_after_s=SWITCH_S,
        stays_while_silent=True,
        while_learning=False,
        known_at_once=True,
        each_is_news=False,
    ),
    answered_by="nothing",
    readiness=Readies(
        not_ready=ALL,
        doubtful=NEVER,
        reason="the panel switch is not in automatic",
        where=always,
    ),
    job="call_first",
)


class StartsUnreliable(
    Facts, frozen=True, kw_only=True, omit_defaults=True, tag="starts_unreliable"
):
    """Too many of its newest demands failed. Starts by hand and ends nobody saw count for neither
    side.

    A set is bought to start nineteen times in twenty at the least. Three failures in twenty are a
    reason to look and no proof of a bad set; where even the widest interval lies under the target,
    it is proven.

    Have fuel, battery and starting system looked at at the next visit; the same day where it is
    proven.

    3 of the last 20 demands, 5 of 50 or 8 of 100 (memory: NUMARC 87-00 rev. 1, appendix D, and
    Regulatory Guide 1.155, a screening at 95 %). Proven: the 99 % Jeffreys interval lies under that
    (NIST e-Handbook, 7.2.4). Over after 7 good starts in a row; common practice, no source.

    failed of demands: within the trigger's window. low, high: the interval of its share of starts
    that succeed (Jeffreys), `confidence` sure. target: the share that is asked for. trigger: which
    of the limits was reached, and where it comes from. proven: surely under the target.
    """

    failed: Count
    demands: Count
    low: Share
    high: Share
    confidence: Share
    target: Share
    trigger: str
    proven: bool


def _starts_unreliable(facts: StartsUnreliable, f: Found, zone: str, now: int) -> Sentence:
    share = percent_range(facts.low, facts.high, " and ")
    seen = (
        f"Did not start {facts.failed} of the last {count(facts.demands, 'time')}: its "
        f"starts lie between {share} ({facts.confidence:.0%} sure)."
    )
    seen += (
        f" That is surely under {facts.target:.0%}."
        if facts.proven
        else " That is a reason to look, and no proof."
    )
    return Sentence(
        title="Starts fail often",
        seen=seen,
        do="Have fuel, battery and starting system looked at "
        + ("today." if f.severity == "same_day" else "at the next visit."),
    )


STARTS_UNRELIABLE = _starts_badly(
    StartsUnreliable, _starts_unreliable, ("same_day", "next_visit"), "its starts fail often"
)


class HarderStarting(Facts, frozen=True, kw_only=True, omit_defaults=True, tag="harder_starting"):
    """It still starts, but takes more seconds of cranking, or more attempts, than it did at like
    temperature.

    A set seldom fails out of the blue: fuel that leaks back, a tired glow plug, a battery on its
    way out all show here weeks before the morning on which it does not catch.

    Look at fuel, air, plugs or glow plugs and battery at the next visit.

    At least 12 starts within 8 °C of the newest over 45 days; up by 0.5 s and 30 %, or by 0.5 of an
    attempt, what the cold does taken out; chance would show it once in 2000 (Mann-Kendall and
    Theil-Sen: Gilbert 1987, EPA QA/G-9S). The sizes are common practice, no source.

    before, now: attempts a start, or seconds of cranking, as `measure` says; per_month with the
    ends of its interval in the same. starts: compared, at about temp_c. chance: that no trend looks
    so (Mann-Kendall).
    """

    measure: Literal["attempts", "crank_s"]
    before: ByMeasure
    now: ByMeasure
    per_month: ByMeasureAMonth
    per_month_low: ByMeasureAMonth
    per_month_high: ByMeasureAMonth
    starts: Count
    temp_c: Celsius
    from_at: Moment
    chance: Share


def _harder_starting(facts: HarderStarting, f: Found, zone: str, now: int) -> Sentence:
    what = "attempts a start" if facts.measure == "attempts" else "s of cranking"
    return Sentence(
        title="Starts harder",
        seen=f"Has come to start harder since {moment(facts.from_at, zone, now)}: "
        f"from {facts.before:.1f} to {facts.now:.1f} {what}, "
        f"over {facts.starts} starts at about {facts.temp_c:.0f} °C.",
        do="Look at fuel, air, plugs or glow plugs and battery at the next visit: it may not start "
        "one day.",
    )


HARDER_STARTING = _starts_badly(
    HarderStarting, _harder_starting, ("next_visit",), "it has come to start harder"
)


StartingFacts: TypeAlias = FailedStart | ShutDown | NotInAuto | StartsUnreliable | HarderStarting
"""What is found of how it starts."""


def row_of(facts: StartingFacts) -> AnyRow:
    """How such a finding behaves."""
    match facts:
        case FailedStart():
            return FAILED_START
        case ShutDown():
            return SHUT_DOWN
        case NotInAuto():
            return NOT_IN_AUTO
        case StartsUnreliable():
            return STARTS_UNRELIABLE
        case HarderStarting():
            return HARDER_STARTING
        case _:
            assert_never(facts)

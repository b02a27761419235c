"""Starts that failed, shutdowns, a switch out of automatic, and how well a set starts."""

from __future__ import annotations

from typing import Literal

from fleet.findings.row import (
    ALL,
    NEVER,
    STATE,
    SWITCH_S,
    TOLD,
    Alarm,
    Celsius,
    Facts,
    Found,
    Moment,
    Quiet,
    Readies,
    Row,
    Seconds,
    Sentence,
    Share,
    Volts,
    always,
)
from fleet.findings.saying import began, count, moment, percent_range, times


class FailedStart(Facts, frozen=True, kw_only=True, omit_defaults=True, tag="failed_start"):
    """The set was asked to start and did not run.

    Nobody is covered until it starts. Call the site and send the nearest van. It is over with a later
    start or run, or with a visit, a task or a part that somebody recorded.

    attempts: crank attempts, 0 where only the failure was told. failures: in a row. mains_v: newest
    volts of the mains, with nominal_v what they should be.
    """

    attempts: int
    at: Moment
    failures: int
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


FAILED_START = Row(
    facts=FailedStart,
    family="starting",
    severities=("act_now", "note"),
    alarm=Alarm(
        over_after_s=0,
        stays_while_silent=False,
        while_learning=True,
        known_at_once=True,
        each_is_news=True,
    ),
    concern="no_cover",
    quiet=Quiet(set_aside="note", unchecked="no_reading", answered_by="visit", outage="told_by_it"),
    readiness=Readies(
        not_ready=NEVER,
        doubtful=NEVER,
        reason="did not start {when}, and no start was seen since",
        where=always,
    ),
    cover="failed",
    cover_at=TOLD,
    job="by_severity",
    sends=True,
    say=_failed_start,
)


class ShutDown(Facts, frozen=True, kw_only=True, omit_defaults=True, tag="shut_down"):
    """The set shut itself down on a fault, or its emergency stop was pushed.

    It stays down until somebody has found out why. Call the site and send the nearest van. It is over
    with a later run, or with a visit, a task or a part that somebody recorded.

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


SHUT_DOWN = Row(
    facts=ShutDown,
    family="starting",
    severities=("act_now", "note"),
    alarm=Alarm(
        over_after_s=0,
        stays_while_silent=False,
        while_learning=False,
        known_at_once=True,
        each_is_news=False,
    ),
    concern="no_cover",
    quiet=Quiet(set_aside="note", unchecked="no_reading", answered_by="visit", outage="told_by_it"),
    readiness=Readies(
        not_ready=NEVER,
        doubtful=NEVER,
        reason="stopped itself or was stopped for emergency {when}, and no run was seen since",
        where=always,
    ),
    cover="failed",
    cover_at=TOLD,
    job="by_severity",
    sends=True,
    say=_shut_down,
)


class NotInAuto(Facts, frozen=True, kw_only=True, omit_defaults=True, tag="not_in_auto"):
    """The panel switch is out of automatic.

    The set cannot start by itself. Ask the last technician first: nobody switches it over while
    somebody may be at it. Said after 60 s out of automatic (common practice, no source).
    """

    since: Moment


def _not_in_auto(facts: NotInAuto, f: Found, zone: str, now: int) -> Sentence:
    return Sentence(
        title="Not in auto",
        seen=f"The panel switch has been out of automatic since {began(f, zone, now)}: "
        "the set cannot start by itself.",
        do="Ask the last technician first; nobody switches it over while somebody may be at it.",
    )


NOT_IN_AUTO = Row(
    facts=NotInAuto,
    family="starting",
    severities=("act_now", "note"),
    alarm=Alarm(
        over_after_s=SWITCH_S,
        stays_while_silent=True,
        while_learning=False,
        known_at_once=True,
        each_is_news=False,
    ),
    concern="no_cover",
    quiet=Quiet(
        set_aside="note", unchecked="no_reading", answered_by="nothing", outage="told_by_it"
    ),
    readiness=Readies(
        not_ready=ALL,
        doubtful=NEVER,
        reason="the panel switch is not in automatic",
        where=always,
    ),
    cover="failed",
    cover_at=TOLD,
    job="call_first",
    sends=True,
    say=_not_in_auto,
)


class StartsUnreliable(
    Facts, frozen=True, kw_only=True, omit_defaults=True, tag="starts_unreliable"
):
    """So many of its last starts failed that the set is not to be relied on.

    It may not start when it is needed. Have fuel, battery and starting system looked at.

    failed of demands: within the trigger's window. low, high: the interval of its share of starts that
    succeed (Jeffreys), `confidence` sure. target: the share that is asked for. trigger: which of the
    limits was reached, and where it comes from. proven: surely under the target.
    """

    failed: int
    demands: int
    low: Share
    high: Share
    confidence: Share
    target: Share
    trigger: str
    proven: bool


def _starts_unreliable(facts: StartsUnreliable, f: Found, zone: str, now: int) -> Sentence:
    share = percent_range(facts.low, facts.high)
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


STARTS_UNRELIABLE = Row(
    facts=StartsUnreliable,
    family="starting",
    severities=("same_day", "next_visit"),
    alarm=STATE,
    concern="other",
    quiet=Quiet(set_aside="stays", unchecked="no_reading", answered_by="nothing", outage="nothing"),
    readiness=Readies(not_ready=NEVER, doubtful=TOLD, reason="its starts fail often", where=always),
    cover=None,
    cover_at=NEVER,
    job="by_severity",
    sends=True,
    say=_starts_unreliable,
)


class HarderStarting(Facts, frozen=True, kw_only=True, omit_defaults=True, tag="harder_starting"):
    """The set needs more attempts, or cranks longer, than it did in like cold.

    It may not start one day. Look at fuel, air, plugs or glow plugs and battery at the next visit.

    before, now: attempts a start, or seconds of cranking, as `measure` says; per_month with the ends
    of its interval in the same. starts: compared, at about temp_c. chance: that no trend looks so
    (Mann-Kendall).
    """

    measure: Literal["attempts", "crank_s"]
    before: float
    now: float
    per_month: float
    per_month_low: float
    per_month_high: float
    starts: int
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


HARDER_STARTING = Row(
    facts=HarderStarting,
    family="starting",
    severities=("next_visit",),
    alarm=STATE,
    concern="other",
    quiet=Quiet(set_aside="stays", unchecked="no_reading", answered_by="nothing", outage="nothing"),
    readiness=Readies(
        not_ready=NEVER, doubtful=TOLD, reason="it has come to start harder", where=always
    ),
    cover=None,
    cover_at=NEVER,
    job="by_severity",
    sends=True,
    say=_harder_starting,
)

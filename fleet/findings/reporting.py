"""Devices that say nothing, or say it oddly."""

from __future__ import annotations

from typing import TypeAlias, assert_never

from fleet.findings.row import (
    AT_ONCE,
    NEVER,
    READY,
    STATE,
    AnyRow,
    Count,
    F,
    Facts,
    Found,
    Megabytes,
    Moment,
    Quiet,
    Readies,
    Row,
    Say,
    Sentence,
    Severity,
    WholeDays,
    WholeSeconds,
    always,
)
from fleet.findings.saying import CONDITIONS, count, day, megabytes, moment, span
from fleet.findings.states import Condition


def _of_the_device(
    facts: type[F], say: Say[F], severities: tuple[Severity, ...], *, sends: bool
) -> Row[F]:
    """Of the device and its card, not of the set, whether that is in service or not."""
    return Row(
        facts=facts,
        family="reporting",
        severities=severities,
        alarm=STATE,
        concern="other",
        quiet=Quiet(
            set_aside="stays", unchecked="no_reading", answered_by="nothing", outage="nothing"
        ),
        readiness=READY,
        cover=None,
        cover_at=NEVER,
        job="by_severity",
        sends=sends,
        say=say,
    )


class NotReporting(Facts, frozen=True, kw_only=True, omit_defaults=True, tag="not_reporting"):
    """Nothing was heard of it for longer than its habit allows, counted from receipt. A device that
    was fitted and never spoke is a Note for a day. Of one that speaks and is not understood, and of
    two that seem to speak under one id, it says so.

    It is unknown, which is not the same as ready. Whatever it said last may be over.

    Check its power and its signal, and treat it as unknown.

    3 of its own intervals, at least 20 min; of one that sleeps the second missed report and 10 %;
    never heard for 24 h. Common practice, no source.

    limit_s: how long it may be silent. last_condition: of the set when it was last heard. ran_at:
    when it was last heard running, where nothing since has it standing.
    puzzling_since, puzzling_at: receipts of the first and the newest message of which nothing could be
    understood. two_devices: the id as which two seem to speak, so that neither is believed; empty:
    one does. never: it never spoke.
    """

    limit_s: WholeSeconds
    silent_since: Moment | None = None
    heard_at: Moment | None = None
    last_condition: Condition | None = None
    ran_at: Moment | None = None
    puzzling_since: Moment | None = None
    puzzling_at: Moment | None = None
    two_devices: str = ""
    never: bool = False


def _not_reporting(facts: NotReporting, f: Found, zone: str, now: int) -> Sentence:
    heard, since = facts.heard_at, facts.silent_since
    if facts.two_devices:
        return _two_devices(facts, zone, now)
    if facts.puzzling_at is not None:
        return _not_understood(facts, zone, now)
    if heard is None:
        return Sentence(
            title="Never heard",
            seen=f"Nothing has been heard from its device since {moment(since, zone, now)}."
            if since is not None
            else "Nothing has ever been heard from its device.",
            do="Check the device's topic and id against the register, then its power and signal.",
        )
    seen = f"Silent for {span(now - heard)}, last heard {moment(heard, zone, now)}."
    title = f"Silent {span(now - heard)}"
    last = facts.last_condition
    if last in ("running", "last_heard_running"):
        title += ", last heard running"
        title += f", {moment(facts.ran_at, zone, now)}" if facts.ran_at is not None else ""
        seen += " It was running when it was last heard."
    elif last is not None:
        seen += f" It last said: {CONDITIONS[last].lower()}."
    return Sentence(
        title=title,
        seen=seen,
        do="Check its power and signal; treat it as unknown, not as ready.",
    )


def _not_understood(facts: NotReporting, zone: str, now: int) -> Sentence:
    """It speaks, and nothing of it can be read: its power and its signal are well."""
    first, last = facts.puzzling_since, facts.puzzling_at
    assert last is not None
    seen = "Its device speaks and is not understood"
    seen += f": nothing it sent since {moment(first, zone, now)} could be read" if first else ""
    seen += f", last at {moment(last, zone, now)}."
    if facts.heard_at is not None:
        seen += f" Understood last {moment(facts.heard_at, zone, now)}."
    title = "Speaks, not understood"
    if facts.ran_at is not None:
        title += f", last heard running, {moment(facts.ran_at, zone, now)}"
        seen += " It was running when it was last understood."
    return Sentence(
        title=title,
        seen=seen,
        do="Look on Health at what it sent, set aside with its reasons or under unknown names, then at "
        "its settings; treat the set as unknown, not as ready.",
    )


def _two_devices(facts: NotReporting, zone: str, now: int) -> Sentence:
    """Two boards with one configuration: what comes may be of another set."""
    name, first = facts.two_devices, facts.puzzling_since
    seen = f"Two devices seem to speak as {name}"
    seen += f" since {moment(first, zone, now)}" if first is not None else ""
    seen += (
        ": its message numbers or engine hours go on from two counts in turn. What either says is "
    )
    seen += "set aside: nobody knows which set it is of."
    if facts.heard_at is not None:
        seen += f" Believed last {moment(facts.heard_at, zone, now)}."
    title = f"Two devices seem to speak as {name}"
    if facts.ran_at is not None:
        title += f"; last heard running, {moment(facts.ran_at, zone, now)}"
        seen += " It was running when it was last believed."
    return Sentence(
        title=title,
        seen=seen,
        do="Find the other board that has this id and give it one of its own; treat the set as unknown, "
        "not as ready.",
    )


NOT_REPORTING = Row(
    facts=NotReporting,
    family="reporting",
    severities=("no_word", "note"),
    alarm=AT_ONCE,
    concern="silent",
    quiet=Quiet(
        set_aside="note", unchecked="no_reading", answered_by="nothing", outage="held_back"
    ),
    readiness=Readies(
        not_ready=NEVER, doubtful=NEVER, reason="nothing heard since {when}", where=always
    ),
    cover=None,
    cover_at=NEVER,
    job="call_first",
    sends=True,
    say=_not_reporting,
)


class ClockWrong(Facts, frozen=True, kw_only=True, omit_defaults=True, tag="clock_wrong"):
    """The device gives times that cannot be right or tell nothing apart, or has ceased to give any.

    Its readings carry the time they were received. That is right while the line is up, and wrong
    for what it kept while it was down.

    Have the device's clock set from the network.

    Before 2015, more than 10 min ahead of receipt, in steps of more than 10 s in a number, or
    standing still for 10 min; shown for 24 h after the last. Common practice, no source.
    """

    device: str
    last_at: Moment


def _clock_wrong(facts: ClockWrong, f: Found, zone: str, now: int) -> Sentence:
    return Sentence(
        title="Device clock wrong",
        seen="The device gives times that cannot be right, or has ceased to give any; its readings "
        f"carry the time they were received, since {moment(f.since, zone, now)}.",
        do="Have the device's clock set from the network.",
    )


CLOCK_WRONG = _of_the_device(ClockWrong, _clock_wrong, ("note",), sends=False)


class SequenceGaps(Facts, frozen=True, kw_only=True, omit_defaults=True, tag="sequence_gaps"):
    """Numbered messages of its device never arrived.

    A line or a buffer that loses messages loses the one that matters some day.

    Look at signal and power of the device when you are there; nothing today.

    Any number that is missing; common practice, no source.
    """

    device: str
    gaps: Count


def _sequence_gaps(facts: SequenceGaps, f: Found, zone: str, now: int) -> Sentence:
    return Sentence(
        title="Messages missing",
        seen=f"{facts.gaps} numbered messages of this device never arrived.",
    )


SEQUENCE_GAPS = _of_the_device(SequenceGaps, _sequence_gaps, ("note",), sends=False)


class SimEnding(Facts, frozen=True, kw_only=True, omit_defaults=True, tag="sim_ending"):
    """The data card of its device ends soon or has ended; heard after that day, the date itself is
    old.

    From that day on the set is silent, and looks like one that has failed.

    Renew the card with its network, or fit another at the next visit.

    Note from 30 days before its last day, Next visit from 7 days before; common practice, no
    source.

    ends: its last day, local ISO date. works: it is heard after its end, so that the date is wrong.
    """

    ends: str
    days_left: WholeDays
    sim: str
    works: bool


def _sim_ending(facts: SimEnding, f: Found, zone: str, now: int) -> Sentence:
    last, left = day(facts.ends), facts.days_left
    name = f"The data card {facts.sim}".rstrip() if facts.sim else "The data card"
    if facts.works:
        return Sentence(
            title="Data card past its end",
            seen=f"{name} was to end on {last}, and the device is heard all the same.",
            do="Write the new last day into the register.",
        )
    if left < 0:
        title, seen = "Data card ended", f"{name} ended on {last}."
    else:
        title = "Data card ends today" if not left else f"Data card ends in {count(left, 'day')}"
        seen = f"{name} ends on {last}; from then on nothing is heard of the set."
    return Sentence(
        title=title,
        seen=seen,
        do="Renew the card with its network, or fit another at the next visit.",
    )


SIM_ENDING = _of_the_device(SimEnding, _sim_ending, ("next_visit", "note"), sends=True)


class DataBudget(Facts, frozen=True, kw_only=True, omit_defaults=True, tag="data_budget"):
    """Its device has sent this month nearly what its data card allows.

    Networks slow or stop a card that is used up, in the middle of the month and the storm.

    Have the device report less often, or agree on more data.

    80 % of the month's budget (UTC), counting topic, payload and 150 bytes a message (measured);
    common practice, no source.

    month: of UTC, ISO.
    """

    used_mb: Megabytes
    budget_mb: Megabytes
    month: str


def _data_budget(facts: DataBudget, f: Found, zone: str, now: int) -> Sentence:
    used, budget = facts.used_mb, facts.budget_mb
    return Sentence(
        title="Data budget used up" if used >= budget else "Data budget nearly used",
        seen=f"About {megabytes(used)} of {budget:g} MB were received this month, "
        f"{round(100 * used / budget)} %.",
        do="Have the device report less often, or agree on more data.",
    )


DATA_BUDGET = _of_the_device(DataBudget, _data_budget, ("note",), sends=False)


ReportingFacts: TypeAlias = NotReporting | ClockWrong | SequenceGaps | SimEnding | DataBudget
"""What is found of how a device reports."""


def row_of(facts: ReportingFacts) -> AnyRow:
    """How such a finding behaves."""
    match facts:
        case NotReporting():
            return NOT_REPORTING
        case ClockWrong():
            return CLOCK_WRONG
        case SequenceGaps():
            return SEQUENCE_GAPS
        case SimEnding():
            return SIM_ENDING
        case DataBudget():
            return DATA_BUDGET
        case _:
            assert_never(facts)

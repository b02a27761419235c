"""This service itself: its line, and its messages."""

from __future__ import annotations

from typing import TypeAlias, assert_never

import msgspec

from fleet.findings.row import (
    AT_ONCE,
    NEVER,
    READY,
    SEVERITIES,
    STATE,
    Alarm,
    AnyRow,
    Concern,
    Count,
    F,
    Facts,
    Family,
    Found,
    Moment,
    Quiet,
    Row,
    Say,
    Seconds,
    Sentence,
    Severity,
)
from fleet.findings.saying import count, moment, spelled_span


def _row(
    facts: type[F],
    say: Say[F],
    severities: tuple[Severity, ...],
    *,
    family: Family,
    alarm: Alarm,
    concern: Concern,
) -> Row[F]:
    """Of no set: it sends nobody to one and says nothing of readiness or of an outage."""
    return Row(
        facts=facts,
        family=family,
        severities=severities,
        alarm=alarm,
        concern=concern,
        quiet=Quiet(
            set_aside="stays", unchecked="no_reading", answered_by="nothing", outage="nothing"
        ),
        readiness=READY,
        cover=None,
        cover_at=NEVER,
        job="by_severity",
        sends=False,
        say=say,
    )


class OwnLine(Facts, frozen=True, kw_only=True, omit_defaults=True, tag="own_line"):
    """Many sets fell silent together and none of them had lost its mains first.

    It is more likely our own line or broker than theirs. One alert stands for all of them.

    Look at the broker and the line of this service first; the sets are unknown meanwhile.

    5 sets and 20 % of all, last heard within 10 min; common practice, no source.

    units: silent ones, of so many. from_at, to_at: when they were last heard.
    """

    units: Count
    of: Count
    from_at: Moment = msgspec.field(name="from")
    to_at: Moment = msgspec.field(name="to")


def _own_line(facts: OwnLine, f: Found, zone: str, now: int) -> Sentence:
    return Sentence(
        title="Our own line",
        seen=f"{count(facts.units, 'set')} fell silent together at "
        f"{moment(f.since, zone, now)}, and none of them had lost its mains first: it is more "
        "likely our own line or broker than theirs.",
        do="Look at the broker and the line of this service first; the sets are unknown meanwhile.",
    )


OWN_LINE = _row(
    OwnLine, _own_line, ("act_now",), family="this_service", alarm=AT_ONCE, concern="silent"
)


class Undelivered(Facts, frozen=True, kw_only=True, omit_defaults=True, tag="undelivered"):
    """A message to somebody was given up, or should have left some minutes ago.

    Whoever should have been woken sleeps.

    Put the address or the mail server right and send a test.

    5 min after it should have left; shown until 2 days after that. Common practice, no source.

    late: messages that should have left by now; given_up: could not be delivered. people: how many
    they were for. late_s, given_up_s: from when on they are called so.
    """

    late: Count
    given_up: Count
    people: Count
    late_s: Seconds
    given_up_s: Seconds


def _undelivered(facts: Undelivered, f: Found, zone: str, now: int) -> Sentence:
    said = []
    if facts.given_up:
        within = spelled_span(facts.given_up_s)
        said.append(f"{count(facts.given_up, 'message')} could not be delivered within {within}")
    if facts.late:
        over = spelled_span(facts.late_s)
        said.append(f"{count(facts.late, 'message')} should have left over {over} ago")
    whom = "one person" if facts.people == 1 else f"{facts.people} people"
    return Sentence(
        title="Messages do not arrive",
        seen=f"{' and '.join(said)}, to {whom}; the oldest since {moment(f.since, zone, now)}.",
        do="Open How people are reached, put the address or the mail server right and send a test.",
    )


UNDELIVERED = _row(
    Undelivered, _undelivered, ("same_day",), family="this_service", alarm=AT_ONCE, concern="other"
)


class Earlier(Facts, frozen=True, kw_only=True, omit_defaults=True, tag="earlier"):
    """A finding that an earlier version of this service wrote and that this one no longer knows.

    It is kept as it was written. said: the kind it had then; its facts are in `more`.
    """

    said: str

    @property
    def kind(self) -> str:
        return self.said


def _earlier(facts: Earlier, f: Found, zone: str, now: int) -> Sentence:
    told = ", ".join(f"{name} {value}" for name, value in sorted(facts.more.items()))
    return Sentence(title=facts.said, seen=f"{facts.said}: {told}")


EARLIER = _row(Earlier, _earlier, SEVERITIES, family="earlier", alarm=STATE, concern="other")


ThisServiceFacts: TypeAlias = OwnLine | Undelivered | Earlier
"""What is found of this service itself, and what earlier versions wrote."""


def row_of(facts: ThisServiceFacts) -> AnyRow:
    """How such a finding behaves."""
    match facts:
        case OwnLine():
            return OWN_LINE
        case Undelivered():
            return UNDELIVERED
        case Earlier():
            return EARLIER
        case _:
            assert_never(facts)

"""The shape of a finding's facts, and of the row that says how its kind behaves."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any, Generic, Literal, TypeAlias, TypeVar

import msgspec

from fleet.findings.states import Cover

Severity = Literal["act_now", "same_day", "next_visit", "no_word", "note"]
SEVERITIES: tuple[Severity, ...] = ("act_now", "same_day", "next_visit", "no_word", "note")
"""Gravest first; the order of lists."""
Severities = frozenset[Severity]
ALL: Severities = frozenset(SEVERITIES)
TOLD: Severities = ALL - {"note"}
"""All but a Note, which is information and opens no alert."""
NEVER: Severities = frozenset()


def _unit(unit: str) -> msgspec.Meta:
    return msgspec.Meta(extra={"unit": unit})


Moment = Annotated[int, _unit("UTC s")]
"""A moment: UTC seconds, and ISO 8601 UTC where the API gives it."""
Volts = Annotated[float, _unit("V")]
Hertz = Annotated[float, _unit("Hz")]
Hours = Annotated[float, _unit("h")]
Minutes = Annotated[float, _unit("min")]
Seconds = Annotated[float, _unit("s")]
Celsius = Annotated[float, _unit("°C")]
Percent = Annotated[float, _unit("%")]
Share = Annotated[float, _unit("1")]
"""A part of one."""
Kilowatts = Annotated[float, _unit("kW")]
Litres = Annotated[float, _unit("l")]
Megabytes = Annotated[float, _unit("MB")]
Days = Annotated[float, _unit("d")]
WholeSeconds = Annotated[int, _unit("s")]
WholeDays = Annotated[int, _unit("d")]
Months = Annotated[int, _unit("months")]
Count = Annotated[int, _unit("1")]
"""A number of things, or the number of one."""
VoltsAMonth = Annotated[float, _unit("V a month")]
HertzAMonth = Annotated[float, _unit("Hz a month")]
ByMeasure = Annotated[float, _unit("attempts, or s where `measure` says so")]
ByMeasureAMonth = Annotated[float, _unit("attempts a month, or s where `measure` says so")]
AsSent = Annotated[float, _unit("h and min, min or s, as `writes` says")]
ByQuantity = Annotated[float, _unit("V, or Hz where `quantity` says so")]


LATE_S = 600
"""Learned longer than this after it began is late news: said with both times. Common practice, no
source."""


class Evidence(msgspec.Struct, frozen=True, kw_only=True):
    """Which readings a statement stands on. Times in UTC seconds."""

    channels: tuple[str, ...] = ()
    from_at: int | None = None
    to_at: int | None = None
    readings: int = 0
    oldest_s: int | None = None
    note: str = ""


class Facts(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True, tag_field="kind"):
    """What is known of a finding of one kind. The tag of the record is the kind's name.

    set_aside: why people set the unit aside, where the finding is a Note for that. more: facts that
    were written by an earlier version and have no field of their own today.
    """

    set_aside: str = ""
    more: dict[str, Any] = {}

    @property
    def kind(self) -> str:
        """The name of the kind, as episodes keep it."""
        return kind_of(type(self))


def kind_of(record: type[Facts]) -> str:
    """The name of the kind whose facts the record holds."""
    return str(record.__struct_config__.tag)


class Metered(Facts, frozen=True, kw_only=True, omit_defaults=True, tag_field="kind"):
    """Facts that stand on volts or hertz. unchecked: no meter has been on the reading yet."""

    unchecked: bool = False


class Found(msgspec.Struct, frozen=True, kw_only=True):
    """What every finding has, whatever its kind.

    since: when the condition began; learned_at: when we could first know it (UTC seconds).
    part: which task, circuit or battery, where a unit can have the finding more than once.
    unheard_since: when the value it stands on was heard last, where that is too long ago to say that
    it still is so (UTC seconds); None: it is heard, or no value of now.
    """

    severity: Severity
    since: int
    part: str = ""
    learned_at: int | None = None
    unheard_since: int | None = None
    evidence: Evidence = Evidence()


class Sentence(msgspec.Struct, frozen=True, kw_only=True):
    """title: a few words for a tile; seen: what was seen; do: the next step, may be empty.

    late: of late news when it began and when it was learned, `02:14, learned 05:31`; else ''.
    """

    title: str
    seen: str
    do: str = ""
    cautions: tuple[str, ...] = ()
    late: str = ""

    @property
    def text(self) -> str:
        return f"{self.seen} {self.do}".strip()


Family = Literal[
    "starting",
    "reporting",
    "service",
    "exercise",
    "mains",
    "fuel",
    "battery",
    "supply",
    "this_service",
    "earlier",
]
Concern = Literal["danger", "no_cover", "start_failed", "silent", "losing", "other"]
"""What a finding is to who sleeps: danger to people wakes always; the others have a row each in the
owner's waking table. start_failed: as no_cover where the mains is sensed. losing: cover will be lost
soon, as long as it is Same day; else other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """How a kind behaves as an alert. Common practice, no source.

    over_after_s: gone for this long before it is over [s]. On-delays and deadbands stand with the
    rules that find a thing. stays_while_silent: goes on while its set is not heard. while_learning:
    told in the learning time of a new set. known_at_once: known with the message that tells of it;
    others wait for what proves them, or were a Note before. each_is_news: happens at a moment, and
    another one while the alert is open is a step of its life.
    """

    over_after_s: int
    stays_while_silent: bool
    while_learning: bool
    known_at_once: bool
    each_is_news: bool


def _alarm(over_after_s: int, *, silent: bool, learning: bool = False, now: bool = False) -> Alarm:
    return Alarm(
        over_after_s=over_after_s,
        stays_while_silent=silent,
        while_learning=learning,
        known_at_once=now,
        each_is_news=False,
    )


HOLD_S = 30 * 60
"""A measured value that swings about a limit is over only after half an hour without it. Common
practice, no source."""
STATE_S = 5 * 60
"""A state is over after five minutes without it. Common practice, no source."""
SWITCH_S = 60
"""A switch that was put back is back after a minute. Common practice, no source."""
STATE = _alarm(STATE_S, silent=True)
MEASURED = _alarm(HOLD_S, silent=True)
BY_RUNS = _alarm(0, silent=True)
"""Judged by whole runs: a good one ends it."""
RECKONED = _alarm(0, silent=False)
"""Worked out of records and the calendar: over as soon as it is not so."""
AT_ONCE = _alarm(0, silent=False, learning=True)
DANGER = _alarm(STATE_S, silent=True, learning=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Quiet:
    """What makes a finding of the kind say less. An open visit and a shelf hold back every alert.

    set_aside: of a set that is laid up or out for work it is a Note, is not looked for, or stays.
    unchecked: on readings that no meter has been on it is a Note, unless that circuit gave volts
    before, or unless the battery is compared with itself; or it stays, in words that say so.
    answered_by: what somebody did at the set that ends it. outage: an outage holds the alert back,
    or tells it in its own.
    """

    set_aside: Literal["note", "not_looked_for", "stays"]
    unchecked: Literal["no_reading", "note", "note_unless_seen", "note_unless_compared", "stays"]
    answered_by: Literal["visit", "meter", "nothing"]
    outage: Literal["held_back", "told_by_it", "nothing"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Readies:
    """What a finding says of readiness. not_ready, doubtful: at these severities, `where` it holds.

    reason: in words, {when} a moment.
    """

    not_ready: Severities
    doubtful: Severities
    reason: str
    where: Callable[[Any], bool]


def always(_facts: Any) -> bool:
    return True


READY = Readies(not_ready=NEVER, doubtful=NEVER, reason="", where=always)
"""Says nothing of readiness."""


F = TypeVar("F", bound=Facts)
Say = Callable[[F, Found, str, int], Sentence]
"""What is said of a finding: of its facts, what every finding has, the site's zone, and now [UTC s]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row(Generic[F]):
    """How one kind of finding behaves, beside the record of its facts. Nothing has a default.

    severities: that it may take. cover, cover_at: how a site fares in an outage with it, and at which
    severities it counts there. job: one call comes first and it suggests a job; it comes of the
    service plan; or it suggests a job where it is Act now or Same day. sends: its next step may
    bring somebody to the set, so that the cautions go with it. say: its sentence.
    """

    facts: type[F]
    family: Family
    severities: tuple[Severity, ...]
    alarm: Alarm
    concern: Concern
    quiet: Quiet
    readiness: Readies
    cover: Cover | None
    cover_at: Severities
    job: Literal["call_first", "of_the_plan", "by_severity"]
    sends: bool
    say: Say[F]

    @property
    def kind(self) -> str:
        return kind_of(self.facts)

    @property
    def endangers(self) -> bool:
        """Whether people or what they own are in danger: it wakes always, stays Act now on a set that
        is set aside or was never checked with a meter, and is told of a new set."""
        return self.concern == "danger"

    def counts_in_outage(self, severity: Severity) -> bool:
        """Whether it says how a site fares in an outage."""
        return self.cover is not None and severity in self.cover_at


AnyRow: TypeAlias = Row[Any]
"""A row of whatever kind."""

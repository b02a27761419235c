"""How one set carries an outage, and in which order the sites are called."""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

from fleet.model import Condition, Cover, Criticality, Mains, MainsNow, OutageMember, Run

UNHEARD_S = 600
"""Ten minutes and its next report overdue: then nothing heard since is no proof of cover. Common
practice, no source."""
LOW_FUEL_H = 4.0
"""Little fuel: less than this at the present load, where no finding says so. Common practice, no
source."""
RUNNING: frozenset[Condition] = frozenset({"running", "on_load", "cooling_down"})
NOT_STANDING: frozenset[Condition] = RUNNING | {"cranking", "last_heard_running"}
"""Nobody has said of these that they stand."""
STARTS_WITHIN_S = 120
"""A set that is heard standing this long after its mains went has not come on. Common practice, no
source."""
OPEN: frozenset[Cover] = frozenset(
    {"failed", "not_running", "bad_output", "no_voltage", "unproven"}
)
"""The site has no cover, or none is proven."""

RANK: dict[Cover, int] = {
    "failed": 0,
    "not_running": 1,
    "bad_output": 2,
    "no_voltage": 3,
    "unproven": 4,
    "waiting": 7,
    "low_fuel": 10,
    "covered": 14,
    "aside": 20,
    "mains_back": 30,
}
"""Places in the call list by cover, groups far enough apart for EARLIER. Common practice, no
source."""
EARLIER: dict[Criticality, int] = {"life": 2, "business": 1, "home": 0}
"""Places by which a critical site comes before its turn; never past another group's first. Common
practice, no source."""


class SetNow(msgspec.Struct, frozen=True, kw_only=True):
    """What is known of a set now. Moments UTC seconds.

    report_s: how often it reports while standing; beats: it reports on change, and `report_s` is its
    heartbeat. promised_at: when it said that its next report is due. offline_at: when its last will
    came, if it is away. says: how its findings have it fare. stood_at: the reading that said last that the engine
    stands, where none since says that it turns.
    """

    unit: str
    site: str
    customer: str
    area: str = ""
    lat: float | None = None
    lon: float | None = None
    zone: str = "UTC"
    criticality: Criticality = "home"
    condition: Condition = "standing_by"
    mains: MainsNow = MainsNow()
    heard_at: int | None = None
    report_s: int = 60
    beats: bool = False
    promised_at: int | None = None
    offline_at: int | None = None
    says: frozenset[Cover] = frozenset()
    last_run: Run | None = None
    stood_at: int | None = None
    fuel_h: float | None = None

    @property
    def said(self) -> Mains:
        """What it said of its mains last: absent, present or unknown; however old."""
        return self.mains.state if self.mains.last == "unknown" else self.mains.last


def cover_of(held: SetNow, lost_at: int, now: int) -> Cover:
    """How the set's site fares at `now`, its mains gone since `lost_at` (UTC seconds).

    Nothing that was said before the mains went is proof of cover: a set that was ready, and has
    not been heard since, may stand still.

    Gives: a word. Common practice, no source.
    """
    if held.condition in ("out_of_service", "laid_up"):
        return "aside"
    if back_at(held, lost_at) is not None:
        return "mains_back"
    runs = started_in(held, lost_at)
    if "failed" in held.says and not runs:
        return "failed"
    if overdue(held, lost_at, now):
        return "unproven"
    if not runs and said_standing(held, lost_at):
        return "not_running"
    if runs and "bad_output" in held.says:
        return "bad_output"
    if runs and "no_voltage" in held.says:
        return "no_voltage"
    if runs:
        low = held.fuel_h is not None and held.fuel_h < LOW_FUEL_H
        return "low_fuel" if low or "low_fuel" in held.says else "covered"
    return "waiting"


def back_at(held: SetNow, lost_at: int) -> int | None:
    """When its own mains was seen again after the loss at lost_at; None: not yet.

    Gives: [UTC s]. Definition.
    """
    since = held.mains.since
    if held.said == "present" and since is not None and since > lost_at:
        return since
    return None


def said_standing(held: SetNow, lost_at: int) -> bool:
    """Whether a reading said that it stands, its mains off, after it should have come on.

    That something was received says nothing: a message on its way when the mains went, a status, a
    late batch, another channel.

    Gives: yes or no. Common practice, no source.
    """
    after = held.stood_at is not None and held.stood_at - lost_at >= STARTS_WITHIN_S
    return after and held.mains.state == "absent" and held.condition not in NOT_STANDING


def started_in(held: SetNow, lost_at: int) -> bool:
    """Whether it runs now, as last heard after the mains went.

    A set that fell silent in its run is believed until it is not reporting at all; a run that was
    seen before the mains went, and not since, says nothing.

    Gives: yes or no. Definition.
    """
    heard = held.heard_at is not None and held.heard_at >= lost_at
    run = held.last_run
    going = held.condition in (*RUNNING, "last_heard_running")
    going |= run is not None and run.end is None
    before = run is not None and run.start < lost_at and run.last_on_at < lost_at
    return heard and going and not before


def overdue(held: SetNow, lost_at: int, now: int) -> bool:
    """Whether it should have spoken since: ten minutes have passed and its next report is overdue.

    One that was silent before has its ten minutes too: the router that fell silent with it may come
    back behind the set, and what it kept with it. A set that was heard running after the loss is believed until it is not reporting at all. One
    that speaks on change has no report to wait for: where its last will came, ten minutes will do.

    Gives: yes or no. Common practice, no source.
    """
    if now - max(lost_at, held.heard_at or 0) < UNHEARD_S:
        return False
    if held.condition in ("not_reporting", "no_device") or held.heard_at is None:
        return True
    if started_in(held, lost_at) and held.heard_at > lost_at:
        return False
    due = max(held.heard_at + round(1.1 * held.report_s), held.promised_at or 0)
    if held.beats and held.offline_at is not None and held.offline_at >= lost_at:
        due = held.offline_at
    return now > due


def key(member: OutageMember) -> tuple[int, int, int, str]:
    """The place in the call list: the lowest is called first.

    The rank of its cover less the places a critical site comes before its turn; of equals the
    critical one, then whose state is older.

    Gives: four numbers to sort by [1]. Common practice, no source.
    """
    rank, earlier = RANK[member.cover], EARLIER[member.criticality]
    return rank - earlier, -earlier, member.since, member.unit


def call_list(members: Iterable[OutageMember]) -> list[OutageMember]:
    """Whom to call, in order: failed to start, running with bad output,
    running without volts, no proof of cover, not heard
    yet, little fuel, covered; critical sites (life, business) earlier. Sites whose mains is back
    come last.

    Gives: records in order. Common practice, no source.
    """
    return sorted(members, key=key)


def tally(members: Iterable[OutageMember]) -> dict[Cover, int]:
    """How many sets fare how: the count of members by their cover.

    Gives: counts [1]. Arithmetic.
    """
    counts: dict[Cover, int] = {}
    for member in members:
        counts[member.cover] = counts.get(member.cover, 0) + 1
    return counts


def minutes(member: OutageMember, held: SetNow, until: int) -> OutageMember:
    """The member with its seconds of cover, counted from the runs that were seen.

    covered: it ran; unproven: nothing was heard; uncovered: what is left of the time without
    mains. Worked out anew each time, so that news that comes late puts them right.

    Gives: a record in seconds [s]. Arithmetic.
    """
    start, end = member.lost_at, member.back_at or until
    heard = max(start, min(end, held.heard_at or 0))
    ran = dict(member.ran)
    run = held.last_run
    if run is not None and (run.end is None or run.end > start) and run.start < end:
        ran[max(run.start, start)] = min(run.end if run.end is not None else heard, end)
    spans = tuple(sorted((a, b) for a, b in ran.items() if b > a))
    covered = sum(b - a for a, b in spans)
    going = run is not None and run.end is None
    known = max(heard, max((b for _, b in spans), default=start))
    unproven = 0 if going and held.condition in RUNNING else max(0, end - known)
    if going and held.condition in RUNNING:
        covered += max(0, end - known)
    return msgspec.structs.replace(
        member,
        ran=spans,
        covered_s=covered,
        unproven_s=unproven,
        uncovered_s=max(0, end - start - covered - unproven),
    )

"""What was worked out about an engine: runs, start demands, engine hours, due work."""

from __future__ import annotations

from typing import Literal

import msgspec

from fleet.findings import Condition, Finding

EdgeSeen = Literal["observed", "gap", "open"]
"""observed: the change was seen between two readings within the allowed gap;
gap: bounded by silence only; open: not yet known (a run still going)."""

RunWhy = Literal["exercise", "outage", "by_hand", "unknown"]
DemandEnd = Literal["started", "failed", "by_hand", "not_seen", "unknown"]


class Run(msgspec.Struct, frozen=True, kw_only=True):
    """An interval in which the engine turned under its own power.

    end None: still running. end_latest: bound of an uncertain end (seconds UTC).
    longest_gap_s: longest silence inside. bridged_by_meter: the hour meter moved across a gap.
    """

    start: int
    end: int | None
    start_seen: EdgeSeen
    end_seen: EdgeSeen
    start_earliest: int | None = None
    end_latest: int | None = None
    longest_gap_s: int = 0
    bridged_by_meter: bool = False
    readings: int = 0
    last_on_at: int = 0
    why: RunWhy = "unknown"
    confidence: Literal["high", "medium", "low"] = "low"
    energy_kwh: float | None = None
    peak_load_kw: float | None = None


class StartDemand(msgspec.Struct, frozen=True, kw_only=True):
    """One demand to start and how it ended."""

    at: int
    attempts: int
    end: DemandEnd
    run_start: int | None = None
    crank_s: float | None = None
    crank_min_v: float | None = None
    cause: str = ""
    seen_by: tuple[str, ...] = ()
    learned_at: int | None = None
    temp_c: float | None = None
    """Engine, else air, before the first attempt [degC]; None: not reported then."""


class HoursRise(msgspec.Struct, frozen=True, kw_only=True):
    """Hours the meter gained between two moments of one epoch, cut at people's anchors."""

    from_at: int
    to_at: int
    hours_h: float


class MeterEvent(msgspec.Struct, frozen=True, kw_only=True):
    """Something odd the hour meter did. refused and spike leave the total as it was."""

    at: int
    kind: Literal["spike", "reset", "roll_over", "refused"]
    before_h: float
    after_h: float
    reason: str = ""


class EngineHours(msgspec.Struct, frozen=True, kw_only=True):
    """Engine hours now, [h]. source says which evidence they stand on."""

    hours_h: float | None
    source: Literal["meter", "integrated", "none"]
    anchor_at: int | None = None
    anchor_h: float | None = None
    uncertain_h: float = 0.0
    note: str = ""


DUE_NOW = ("late_beyond", "late", "due")
"""States of a due item whose work is to be done now, gravest first."""


class DueItem(msgspec.Struct, frozen=True, kw_only=True):
    """One task of one unit and when it falls due.

    due_on is a local ISO date; share: 1.0 = exactly due. likely_from, likely_on, likely_to: local
    dates by which it is due with 10, 50 and 90 % chance, where hours may make it due before its
    calendar date (None: not so, or beyond the forecast).
    """

    unit: str
    task: str
    name: str
    state: Literal["late_beyond", "late", "due", "soon", "later", "unknown"]
    binds: Literal["hours", "calendar", "neither"]
    share: float
    due_on: str | None = None
    due_at_hours_h: float | None = None
    hours_now_h: float | None = None
    hours_used_h: float | None = None
    every_h: float | None = None
    every_months: int | None = None
    last_done_on: str | None = None
    last_done_hours_h: float | None = None
    hours_left_h: float | None = None
    days_left: int | None = None
    late_days: int | None = None
    late_hours_h: float | None = None
    likely_on: str | None = None
    likely_from: str | None = None
    likely_to: str | None = None
    minutes: int = 0
    parts: dict[str, float] = {}
    reason: str = ""

    @property
    def cycle(self) -> str:
        """What a job of this work is made from: the same until the work is done once more."""
        last = self.last_done_on or "never"
        hours = "" if self.last_done_hours_h is None else f":{self.last_done_hours_h:.0f}"
        return f"due:{self.unit}:{self.task}:{last}{hours}"


Readiness = Literal["set_aside", "not_ready", "unknown", "doubtful", "ready"]
"""Would it start now and carry its load: the first that applies, in this order."""

Mains = Literal["present", "absent", "unknown"]


class MainsNow(msgspec.Struct, frozen=True, kw_only=True):
    """The mains at the set's own site, by its own channel or events; unknown: not wired or stale.

    The change to this state came in (since_earliest, since]: since is the first report that showed
    it, since_earliest the last that showed the other state (None: never seen). `at` is the newest
    report of the mains. All UTC seconds. last: what was said last, however old; since,
    since_earliest and at belong to it.
    """

    state: Mains = "unknown"
    since: int | None = None
    since_earliest: int | None = None
    at: int | None = None
    last: Mains = "unknown"


class ReadinessNow(msgspec.Struct, frozen=True, kw_only=True):
    """The verdict that answers "would it start now?".

    why: what decided it, a kind of finding or a word of `scheduler.readiness`; others: what else
    says the same; since: when it became so. proof_at: start of the newest run that began by itself,
    proof_why: exercise or outage, proof_sure: that it did so, proof_v: volts it made;
    proof_limit_s: how long such a proof holds. hand_at: start of the newest run by hand. blind:
    what is not wired and so not seen. ran_at: when it was last heard running, where it is not known
    to run now and nothing since has it standing (None: otherwise). puzzling_since: since when its
    device speaks and is not understood, where nothing else is known of it (None: otherwise).
    two_devices: the id as which two seem to speak, where that is why (empty: otherwise).
    """

    state: Readiness
    why: str = ""
    since: int | None = None
    others: tuple[str, ...] = ()
    proof_at: int | None = None
    proof_why: Literal["", "exercise", "outage"] = ""
    proof_sure: bool = False
    proof_v: float | None = None
    proof_limit_s: int | None = None
    hand_at: int | None = None
    blind: tuple[str, ...] = ()
    ran_at: int | None = None
    puzzling_since: int | None = None
    two_devices: str = ""


class UnitSummary(msgspec.Struct, frozen=True, kw_only=True):
    """What the fleet pages show of a unit: one row, no computing needed."""

    unit: str
    at: int
    condition: Condition
    condition_since: int | None
    heard_at: int | None
    newest_at: int | None
    hours: EngineHours
    findings: tuple[Finding, ...] = ()
    last_run: Run | None = None
    last_start: StartDemand | None = None
    next_due: DueItem | None = None
    silent_limit_s: int | None = None
    clock_note: str = ""
    demands: int = 0
    demands_failed: int = 0
    """Start demands of a year whose end was seen, and those that failed: for model and fleet."""
    other_runs: tuple[tuple[int, float, float], ...] = ()
    """(runs without exercise, their hours [h], days watched) of each 60 days of a year, newest
    first: for the forecast of sets in the same area."""
    other_hours_h: tuple[float, ...] = ()
    """Lengths of the newest runs without exercise [h], at most 12."""
    mains: MainsNow = MainsNow()
    readiness: ReadinessNow | None = None
    adopted: bool = False
    """Taken over without commissioning: no meter has been on its volts yet."""
    learning_until: int | None = None
    """End of the learning time of a new set (UTC seconds); None: over."""
    turned_at: int | None = None
    stood_at: int | None = None
    """The newest word of its running signal, by the reading's own time (UTC seconds): on, or off.
    Only one of them is given."""
    dark_at: int | None = None
    """When another channel had the engine turning while its running signal had it at rest (UTC
    seconds): it runs without the volts that its signal looks for."""

    @property
    def ran_at(self) -> int | None:
        """When it was last heard running, where it is not known to run now and nothing since has it
        standing (UTC seconds); None: otherwise."""
        return self.readiness.ran_at if self.readiness else None

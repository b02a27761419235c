"""What a set did: runs, starts, engine hours; for a page in words, for the interface in numbers."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Annotated, Literal

from msgspec import Meta

from dashboard import phrases
from dashboard.views.contract import Form, Next, View, view_of
from fleet import words
from fleet.model import EngineHours, Run, StartDemand, UnitSummary
from scheduler.assess import Assessment, HoursThen
from scheduler.rules.exercise import RunReason

LATE_S = 600
"""News of a start this much later than the start says so. Common practice, no source."""


class RunView(Run, View, frozen=True, kw_only=True):
    """A run, and whether it began by itself."""

    form = Form(
        hidden=frozenset({"start_earliest", "last_on_at"}),
        moments=frozenset({"end_latest"}),
        about={
            "end": "null: still running; of a run whose end was not seen (end_seen: gap) the moment it was "
            "last heard running",
            "end_latest": "null: the end was seen, or it may run still",
        },
    )
    length_s: int | None
    by_itself: Annotated[
        str, Meta(description="yes, likely, no or unknown: what began it (400 days back)")
    ] = "unknown"
    by_itself_confidence: str = "low"


def run_view(run: Run, reason: RunReason | None = None) -> RunView:
    """A run; reason: what the assessment adds, whether it began by itself."""
    return view_of(
        RunView,
        run,
        length_s=None if run.end is None else run.end - run.start,
        by_itself=reason.by_itself if reason else "no" if run.why == "by_hand" else "unknown",
        by_itself_confidence=reason.itself_confidence if reason else run.confidence,
    )


def run_views(runs: Iterable[Run], reasons: Iterable[RunReason]) -> list[RunView]:
    """Runs in their order with what the assessment knows of them."""
    itself = {reason.start: reason for reason in reasons}
    return [run_view(run, itself.get(run.start)) for run in runs]


class StartView(StartDemand, View, frozen=True, kw_only=True):
    """A demand to start."""

    form = Form(hidden=frozenset({"temp_c"}), moments=frozenset({"run_start"}))


def start_view(start: StartDemand) -> StartView:
    """A demand to start as it is told."""
    return view_of(StartView, start)


class HoursView(EngineHours, View, frozen=True, kw_only=True):
    """Engine hours with what they stand on."""


def hours_view(hours: EngineHours) -> HoursView:
    """Engine hours as they are told."""
    return view_of(HoursView, hours)


class HoursThenView(View, frozen=True, kw_only=True):
    """Engine hours at a past moment, and what they stand on."""

    form = Form(name="HoursThen", about={"hours_h": "null: they could not have been seen"})
    unit: str
    at: int
    hours_h: float | None
    source: str
    note: str


def hours_then(unit: str, at: int, then: HoursThen | None) -> HoursThenView:
    """Engine hours at a moment (UTC seconds); None: the unit was never looked at."""
    return HoursThenView(
        unit=unit,
        at=at,
        hours_h=then.hours_h if then else None,
        source=then.now.source if then else "none",
        note=then.now.note if then else "",
    )


class RunPage(View, frozen=True, kw_only=True):
    """A page of runs."""

    items: Sequence[RunView]
    next: Next


class StartPage(View, frozen=True, kw_only=True):
    """A page of starts."""

    items: Sequence[StartView]
    next: Next


WHY = {"exercise": "exercise", "outage": "outage", "by_hand": "by hand", "unknown": "not known"}


@dataclass(frozen=True, slots=True, kw_only=True)
class RunLine:
    """A run in words; empty where there is nothing to say."""

    start: str
    length: str
    why: str
    peak: str
    notes: str


def run_line(run: Run, zone: str, now: int) -> RunLine:
    """A run in words; an edge that was not seen is said so."""
    notes = []
    if run.end_seen == "gap":
        heard = words.moment(run.last_on_at or run.end or run.start, zone, now)
        notes.append(f"end not seen: last heard running, {heard}")
    if run.start_seen == "gap":
        notes.append("start not seen")
    if run.bridged_by_meter:
        notes.append("a gap bridged by the hour meter")
    why = WHY[run.why]
    if run.why != "unknown" and run.confidence == "low":
        why = f"perhaps {why}"
    return RunLine(
        start=words.moment(run.start, zone, now),
        length=length(run),
        why=why,
        peak=f"{phrases.quantity(run.peak_load_kw, 1)} kW" if run.peak_load_kw else "",
        notes=", ".join(notes),
    )


def length(run: Run) -> str:
    """How long it ran; of one whose end was not seen the least it can have been."""
    if run.end is None:
        return "running"
    ran = phrases.span_words(run.end - run.start)
    return f"at least {ran}" if run.end_seen == "gap" else ran


ENDS = {
    "started": "started",
    "failed": "did not start",
    "by_hand": "started by hand",
    "not_seen": "start not seen",
    "unknown": "end not known",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class StartLine:
    """A start demand in words; empty where there is nothing to say."""

    at: str
    end: str
    failed: bool
    attempts: int | Literal[""]
    crank_s: str
    crank_v: str
    cause: str
    learned: str


def start_line(start: StartDemand, zone: str, now: int) -> StartLine:
    """A start demand in words."""
    late = start.learned_at is not None and start.learned_at - start.at > LATE_S
    return StartLine(
        at=words.moment(start.at, zone, now),
        end=ENDS[start.end],
        failed=start.end == "failed",
        attempts=start.attempts or "",
        crank_s=f"{start.crank_s:.1f} s" if start.crank_s is not None else "",
        crank_v=f"{start.crank_min_v:.1f} V" if start.crank_min_v is not None else "",
        cause=start.cause,
        learned=f"learned {words.moment(start.learned_at, zone, now)}"
        if late and start.learned_at is not None
        else "",
    )


SOURCES = {
    "meter": "the device's hour meter, from the last reading of the engine's own",
    "integrated": "the runs seen, added up from the last reading of the engine's own",
    "none": "nothing yet",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class HoursLine:
    """Engine hours in words."""

    hours: str
    uncertain: str
    source: str
    anchor: str
    note: str


def hours_line(
    summary: UnitSummary | None, verdict: Assessment | None, zone: str, now: int
) -> HoursLine | None:
    """Engine hours with what they stand on; None before the first verdict."""
    held = verdict.hours if verdict else summary.hours if summary else None
    if held is None:
        return None
    anchor = ""
    if held.anchor_h is not None and held.anchor_at is not None:
        anchor = f"{words.hours(held.anchor_h)} at {words.moment(held.anchor_at, zone, now)}"
    return HoursLine(
        hours=words.hours(held.hours_h) if held.hours_h is not None else "not known",
        uncertain=f"± {words.hours_at_most(held.uncertain_h)}" if held.uncertain_h >= 0.1 else "",
        source=SOURCES[held.source],
        anchor=anchor,
        note=held.note,
    )

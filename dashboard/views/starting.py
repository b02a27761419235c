"""How a set starts and how it is used: for its page in words, for programs in numbers. Pure."""

from __future__ import annotations

from dashboard import phrases
from dashboard.views.contract import FORMS, Form, View
from fleet import words
from fleet.registry.lists.rows import StartCount
from scheduler.assess import Assessment
from scheduler.rules.reliability import Harder, Share, pooled
from scheduler.rules.service import Duty

MEASURES = {"crank_s": "cranking", "attempts": "attempts"}


FORMS[Harder] = Form(
    name="HarderOut",
    said="Crank seconds or attempts, as `measure` says, over time at like temperature.",
)
FORMS[Duty] = Form(
    name="DutyOut", said="Since the last oil change. heavy_h null: the load is not measured."
)


class ShareView(View, frozen=True, kw_only=True):
    """Share of start demands that started, with its interval (Jeffreys)."""

    units: int
    demands: int
    failed: int
    started_share: float
    low_share: float
    high_share: float
    confidence_share: float


def share_view(held: Share | None, units: int) -> ShareView | None:
    """A share with the number of sets it is of; None where no demand was seen."""
    if held is None:
        return None
    return ShareView(
        units=units,
        demands=held.demands,
        failed=held.failed,
        started_share=held.estimate,
        low_share=held.low,
        high_share=held.high,
        confidence_share=held.confidence,
    )


def pooled_view(count: StartCount) -> ShareView | None:
    """The share of many sets taken together."""
    return share_view(_pooled(count), count.units)


def panel(
    verdict: Assessment | None,
    counts: tuple[StartCount, ...],
    model: str,
    zone: str,
    now: int,
) -> list[tuple[str, str]]:
    """(name, words) of start reliability, harder starting and use; [] before the first verdict."""
    if verdict is None:
        return []
    of_model, of_all = counts
    rows = [("Starts, this set", share(verdict.starts.share))]
    if of_model.units > 1:
        rows.append((f"All {of_model.units} of {model}", share(_pooled(of_model))))
    if of_all.units > of_model.units and of_all.units > 1:
        rows.append((f"All {of_all.units} sets", share(_pooled(of_all))))
    rows += [(f"Over time, {MEASURES[one.measure]}", harder(one)) for one in verdict.starts.harder]
    if verdict.starts.not_judged and verdict.starts.share is not None:
        rows.append(("Over time", f"not judged: {verdict.starts.not_judged}"))
    return rows + use(verdict, zone, now)


def _pooled(count: StartCount) -> Share | None:
    return pooled([(count.failed, count.demands)])


def share(held: Share | None) -> str:
    """'started 48 of 49 times; 90 to 99.4 % (90 % sure)'."""
    if held is None:
        return "no start seen in a year"
    between = words.percent_range(held.low, held.high)
    times = phrases.count(held.demands, "time")
    return f"started {held.started} of {times}; {between} ({held.confidence:.0%} sure)"


def harder(one: Harder) -> str:
    """'1.9 to 2.9 s, 26 starts at about 12 °C: harder'."""
    unit = " s" if one.measure == "crank_s" else ""
    said = f"{one.before:.1f} to {one.now:.1f}{unit}, {one.n} starts at about {one.temp_c:.0f} °C"
    return f"{said}: harder" if one.found else f"{said}: no rise to be sure of"


def use(verdict: Assessment, zone: str, now: int) -> list[tuple[str, str]]:
    """Runs without exercise in a year, and the duty since the last oil change."""
    ahead = verdict.ahead
    rows: list[tuple[str, str]] = []
    if ahead.other.days:
        hours = sum(hours for _, hours, _ in ahead.other.months)
        watched = phrases.count(round(ahead.other.days), "day")
        runs = phrases.count(ahead.other.runs, "run")
        rows.append(("Besides exercise", f"{runs}, {words.hours(hours)} in {watched} heard"))
    if ahead.exercise_h:
        rows.append(("Agreed exercise", f"{words.hours(ahead.exercise_h)} in the year ahead"))
    duty = ahead.duty
    if duty is not None and duty.runs:
        since = words.moment(duty.since, zone, now)
        rows.append(("Short cold runs", f"{duty.short_cold} of {duty.runs} since {since}"))
        heavy = "load not measured" if duty.heavy_h is None else words.hours(duty.heavy_h)
        rows.append(
            ("Heavy hours", f"{heavy} since {since}" if duty.heavy_h is not None else heavy)
        )
    return rows

"""Volts and hertz of a unit: for its page in words and small pictures, for programs in numbers. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated

from markupsafe import Markup
from msgspec import Meta

from dashboard import phrases, svg
from dashboard.views.contract import Form, View, view_of
from fleet import wiring, words
from fleet.calendar import local_date
from fleet.model import Unit
from scheduler.assess import Assessment
from scheduler.rules.supply import Connection, Drift, Measured, SupplySeen

NAMES = {"volts": "Volts", "hertz": "Hertz"}
UNITS = {"volts": ("V", 0), "hertz": ("Hz", 2)}
LIKE = {
    "droop line": "its load taken into account by its own droop",
    "no load": "runs without load only",
    "like load": "runs with like load only",
    "runs without an outage": "load not measured, outage runs left out",
}
NOT_JUDGED = {
    "too few samples": "too few samples to judge the newest run",
    "electronics": "made by electronics: no governor to judge",
}


class DriftView(Drift, View, frozen=True, kw_only=True):
    """How it moved from the first runs, in its unit; crosses_*: when it would leave its band."""

    form = Form(
        renamed={"low": "per_month_low", "high": "per_month_high"},
        hidden=frozenset({"since"}),
        moments=frozenset({"crosses_from", "crosses_to"}),
        about={
            "base": "runs taken as commissioned",
            "share": "of the way to its limit",
            "by": "what like was compared with like on",
        },
    )


class MeasuredView(View, frozen=True, kw_only=True):
    """One quantity, in `unit`: V or Hz."""

    unit: str
    channel: str
    nominal: float
    low: float
    high: float
    band: Annotated[str, Meta(description="whose limits these are")]
    last: Annotated[float | None, Meta(description="median of the newest run with settled samples")]
    last_at: int | None
    samples: int
    width_pct: Annotated[float | None, Meta(description="of the hertz inside that run, of nominal")]
    usual_low: float | None
    usual_high: float | None
    runs: int
    as_a_supply: Annotated[
        str, Meta(description="beside what a network would deliver; never a limit")
    ]
    out: bool
    since: Annotated[
        int | None,
        Meta(
            description="from when its history counts: its device, calibration or a part was changed"
        ),
    ]
    checked: Annotated[bool, Meta(description="a meter was on it since its device was fitted")]
    not_judged: str
    drift: DriftView | None
    drift_not_judged: str


def measured_view(one: Measured) -> MeasuredView:
    """One quantity as programs read it."""
    return MeasuredView(
        unit=UNITS[one.quantity][0],
        channel=one.channel,
        nominal=one.band.nominal,
        low=one.band.low,
        high=one.band.high,
        band=one.band.by,
        last=one.last,
        last_at=one.last_at,
        samples=one.n,
        width_pct=one.width_pct,
        usual_low=one.usual_low,
        usual_high=one.usual_high,
        runs=one.runs,
        as_a_supply=one.supply,
        out=one.out,
        since=one.since,
        checked=one.checked,
        not_judged=one.not_judged,
        drift=view_of(DriftView, one.drift) if one.drift else None,
        drift_not_judged=one.drift_not_judged,
    )


class SupplyView(View, frozen=True, kw_only=True):
    """Volts and hertz of a unit."""

    unit: str
    volts: MeasuredView | None
    hertz: MeasuredView | None
    out_at_last_run: bool
    unbalance_pct: Annotated[float | None, Meta(description="NEMA MG 1, line to line")]
    standing_untold: Annotated[
        bool, Meta(description="volts on a standing set could not be told from a run")
    ]
    wrong_nominal: tuple[float, ...]
    system: Annotated[
        str,
        Meta(description="how it is connected; empty: neither declared nor told by its readings"),
    ]
    line_v: Annotated[float | None, Meta(description="nominal of that system, line to line")]
    declared: Annotated[bool, Meta(description="false: as its readings look, and it is asked")]
    unwatched: Annotated[
        tuple[str, ...], Meta(description="conductors whose loss no reading would show")
    ]


def supply_view(unit: str, seen: SupplySeen) -> SupplyView:
    """Volts and hertz of the unit of that id."""
    return SupplyView(
        unit=unit,
        volts=measured_view(seen.volts) if seen.volts else None,
        hertz=measured_view(seen.hertz) if seen.hertz else None,
        out_at_last_run=seen.out_at_last_run,
        unbalance_pct=seen.unbalance_pct,
        standing_untold=seen.standing_untold,
        wrong_nominal=tuple(n for n in (seen.wrong_volts, seen.wrong_hertz) if n is not None),
        system=(seen.connection.system or "") if seen.connection else "",
        line_v=_rounded(seen.connection.line_v if seen.connection else None),
        declared=seen.connection is not None and seen.connection.declared,
        unwatched=seen.connection.unwatched if seen.connection else (),
    )


def _rounded(volts: float | None) -> float | None:
    return None if volts is None else round(volts, 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """A quantity over its runs: a small picture, and the same in words."""

    picture: Markup
    said: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """Volts or hertz in words. value and when: of the last run; rows: (name, words)."""

    name: str
    value: str
    when: str
    out: bool
    checked: bool
    picture: Markup | None
    trend: Trend | None
    not_judged: str
    rows: list[tuple[str, str]] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyPanel:
    """The panel of volts and hertz. rows: (name, words); question: how it is connected."""

    measured: list[Quantity]
    rows: list[tuple[str, str]]
    notes: list[str]
    question: Question | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What its readings look like and nobody has declared. answer: the form that says so, filled in;
    other: the form to say something else. Both addresses behind the set's."""

    said: str
    answer: str
    other: str


def panel(unit: Unit, verdict: Assessment | None, zone: str, now: int) -> SupplyPanel | None:
    """Everything the panel says; None before the unit was first assessed."""
    if verdict is None:
        return None
    seen = verdict.supply
    both = [one for one in (seen.volts, seen.hertz) if one is not None]
    notes = []
    if seen.standing_untold:
        notes.append(
            "Its own volts are the only sign of running: volts on a standing set could not be told "
            "from a run."
        )
    if unit.phases == "3" and seen.unbalance_pct is None:
        notes.append("Lines are not read against each other: unbalance is not seen.")
    rows = []
    linked = seen.connection
    if linked is not None and linked.unwatched:
        missing = ", ".join(linked.unwatched)
        notes.append(f"Not measured: {missing}. The loss of it would not show.")
    if linked is not None and linked.system is not None and linked.line_v is not None:
        how = "as declared" if linked.declared else "by its readings; nobody has declared it"
        rows.append(("Connected as", f"{wiring.said(linked.system, linked.line_v)}, {how}"))
    if seen.unbalance_pct is not None:
        rows.append(("Unbalance", f"{seen.unbalance_pct:.1f} % line to line, by NEMA MG 1"))
    return SupplyPanel(
        measured=[measured(one, zone, now) for one in both],
        rows=rows,
        notes=notes,
        question=question(linked),
    )


def question(linked: Connection | None) -> Question | None:
    """What is asked of who may say how the set is connected; None where it is declared or untold."""
    if linked is None or not linked.asked or linked.line_v is None:
        return None
    if linked.system is None:
        return Question(
            said=f"Its lines stand at {linked.line_v:.0f} V from one to another, and none is read to "
            "neutral. Is it a wye, or a delta without neutral?",
            answer=f"/record/system?line_v={linked.line_v:.0f}",
            other="",
        )
    return Question(
        said=f"It looks like {wiring.said(linked.system, linked.line_v)}, by its readings. Is it?",
        answer=f"/record/system?system={linked.system}&line_v={linked.line_v:.0f}",
        other="/record/system",
    )


def measured(one: Measured, zone: str, now: int) -> Quantity:
    """One quantity: the last run on its band, and what is known of it over time."""
    unit, decimals = UNITS[one.quantity]
    band = one.band
    said = f"{_number(one.last, decimals)} {unit}" if one.last is not None else ""
    span = (band.low - 0.25 * (band.high - band.low), band.high + 0.25 * (band.high - band.low))
    allowed = f"{_number(band.low, decimals)} to {_number(band.high, decimals)} {unit}"
    name = NAMES[one.quantity]
    picture = None
    if one.last is not None:
        label = f"{name} {said}, allowed {allowed}"
        picture = svg.band_bar(one.last, (band.low, band.high), span, label)
    return Quantity(
        name=name,
        value=said,
        when=words.moment(one.last_at, zone, now) if one.last_at is not None else "",
        out=one.out,
        checked=one.checked,
        picture=picture,
        trend=trend(one),
        not_judged=NOT_JUDGED.get(one.not_judged, one.not_judged),
        rows=[("Band", f"{allowed}, {band.by}"), *measured_rows(one, zone, now)],
    )


def measured_rows(one: Measured, zone: str, now: int) -> list[tuple[str, str]]:
    """What is known of one quantity beyond its band."""
    unit, decimals = UNITS[one.quantity]
    rows = []
    if one.usual_low is not None and one.usual_high is not None:
        low, high = _number(one.usual_low, decimals), _number(one.usual_high, decimals)
        between = f"{words.ends(low, high)} {unit}"
        runs = phrases.count(one.runs, "run")
        rows.append(("Usual here", f"{between}, {runs} {usual_of(one, zone, now)}"))
    if one.quantity == "hertz" and one.width_pct is not None and not one.not_judged:
        wide = f"{one.width_pct:.1f} % wide inside the run, {one.band.steady_pct:g} % allowed"
        rows.append(("Steadiness", wide))
    if one.supply:
        rows.append(("As a supply", one.supply))
    if one.not_judged != "electronics":
        rows.append(("Over time", over_time(one, zone, now)))
    return rows


def trend(one: Measured) -> Trend | None:
    """Its newest runs as a line; None with two or less."""
    if len(one.points) <= 2:
        return None
    unit, decimals = UNITS[one.quantity]
    values = [value for _, value in one.points]
    label = f"{NAMES[one.quantity]} of the newest {phrases.count(len(values), 'run')}: "
    low, high = _number(min(values), decimals), _number(max(values), decimals)
    label += f"{words.ends(low, high)} {unit}"
    return Trend(picture=svg.sparkline(values, label), said=label)


def usual_of(one: Measured, zone: str, now: int) -> str:
    """ "of a year", or since its device, calibration or a part of it was changed."""
    return "of a year" if one.since is None else phrases.since(one.since, zone, now)


def over_time(one: Measured, zone: str, now: int) -> str:
    """How it moved since it was commissioned, and when it would leave its band."""
    drift = one.drift
    if drift is None:
        return f"not judged: {one.drift_not_judged or 'too few like runs'}"
    unit, decimals = UNITS[one.quantity]
    moved = f"{drift.moved:+.{max(decimals, 1)}f} {unit}".replace("-", "\u2212")
    said = f"{moved} against the first {drift.base} of {phrases.count(drift.runs, 'run')}; "
    said += LIKE[drift.by]
    if not drift.found:
        return f"{said}: no drift to be sure of"
    return f"{said}. {crossing(drift, zone, now)}"


def crossing(drift: Drift, zone: str, now: int) -> str:
    """When a drift leaves the band, never surer than it is."""
    if drift.crosses_at is None:
        return f"{max(0.0, drift.share):.0%} of the way to its limit; too slow to name a date"
    when = _day(drift.crosses_at, zone, now)
    if drift.crosses_from is None or drift.crosses_to is None:
        return f"Leaves its band about {when}"
    first, last = _day(drift.crosses_from, zone, now), _day(drift.crosses_to, zone, now)
    return f"Leaves its band about {when}, between {first} and {last}"


def _day(at: int, zone: str, now: int) -> str:
    return phrases.day_words(local_date(at, zone), phrases.site_today(zone, now))


def _number(value: float, decimals: int) -> str:
    return phrases.quantity(value, decimals)

"""The starter battery of a unit: for its page in words and small pictures, for programs in numbers. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor

from markupsafe import Markup

from dashboard import phrases, svg
from dashboard.views.contract import FORMS, Form, View
from fleet import words
from fleet.words import battery_sentences
from scheduler.assess import Assessment
from scheduler.day import Day
from scheduler.rules.battery import BatterySeen, BatteryTrend, ChargeLook, CrankLook, RestLook

DRAWN_DAYS = 90
"""Days of the line. A page's length."""
LEAST_SHARE = 0.1
"""The line of volts is at least this share of nominal high: 1.2 V of a 12 V battery. A page's
length."""
SHAPES = {
    "good": "",
    "watch": "visit",
    "replace": "day",
    "charger_fault": "day",
    "not_enough_data": "",
}
LOOKS = {
    "rest": "its volts at rest",
    "charge": "its volts on charge",
    "cranking": "its volts while cranking",
    "start": "the newest start, which it answered",
}


FORMS[RestLook] = Form(
    name="RestOut", about={"charge_pct": "by a table for its chemistry; null: none"}
)
FORMS[ChargeLook] = Form(
    name="ChargeOut",
    renamed={
        "days": "watched_d",
        "days_left": "left_d",
        "days_left_low": "left_low_d",
        "days_left_high": "left_high_d",
    },
    moments=frozenset({"fault_since"}),
    about={
        "kind": "as the register says, else as its volts tell",
        "days": "days with volts",
        "fault": "low, over, running_down or empty",
        "days_left": "until it may no longer crank, as it sags now",
    },
)
FORMS[CrankLook] = Form(
    name="CrankingOut",
    hidden=frozenset({"like_from", "like_starts", "like_low"}),
    about={
        "volts_v": "lowest 0.1 s mean of the newest measured start",
        "healthy_at": "a healthy start within 8 C of it",
        "below": "of the newest three, those under their limit",
    },
)
FORMS[BatteryTrend] = Form(
    name="BatteryTrendOut",
    moments=frozenset({"crosses_from", "crosses_to"}),
    about={"crosses_at": "null: not within twice the span watched"},
)


class BatteryView(BatterySeen, View, frozen=True, kw_only=True):
    """The verdict on a starter battery and the looks it stands on."""

    form = Form(
        renamed={"age_days": "age_d"},
        about={
            "verdict": "good, watch, replace, charger_fault, not_enough_data",
            "by": "the looks it stands on",
            "usual_low_v": "usual of this set, standing",
            "checked": "a meter has been on its volts",
        },
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Volts:
    """The newest volts beside what is usual for this unit, standing; picture None: not known."""

    volts: str
    when: str
    usual: str
    picture: Markup | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A small picture and the same in words."""

    picture: Markup
    said: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BatteryPanel:
    """The Battery panel. bad: the verdict asks for somebody; rows: (name, words)."""

    verdict: str
    bad: bool
    said: str
    value: Volts | None
    line: Line | None
    rows: list[tuple[str, str]]
    evidence: list[str]


def panel(
    verdict: Assessment | None, days: Sequence[Day], zone: str, now: int
) -> BatteryPanel | None:
    """Everything the Battery panel says; None before the first verdict. days: a year, rising."""
    if verdict is None:
        return None
    seen = verdict.battery
    return BatteryPanel(
        verdict=battery_sentences.VERDICTS[seen.verdict],
        bad=bool(SHAPES[seen.verdict]),
        said=battery_sentences.stands(seen.verdict, seen.why, seen.by, low(seen.cranking, zone)),
        value=value(seen, zone, now),
        line=line(days, now, seen.nominal_v),
        rows=[
            ("Charger", charger(seen.charge)),
            ("At rest", rest(seen.rest, zone, now)),
            ("Cranking", cranking(seen.cranking, zone, now)),
            ("Over time", over_time(seen.trend, zone)),
            ("Fitted", fitted(seen, zone)),
        ],
        evidence=evidence(seen, zone, now),
    )


def low(look: CrankLook, zone: str) -> str:
    """At how many of which starts it cranked low."""
    return battery_sentences.cranked_low(look.like_low, look.like_starts, look.like_from, zone)


def value(seen: BatterySeen, zone: str, now: int) -> Volts | None:
    """The newest volts beside what is usual for this unit, standing."""
    if seen.volts_v is None or seen.volts_at is None:
        return None
    usual = None
    said = "too few days to say what is usual"
    if seen.usual_low_v is not None and seen.usual_high_v is not None:
        usual = (seen.usual_low_v, seen.usual_high_v)
        said = f"usual for this set, standing, {words.ends(f'{usual[0]:.1f}', f'{usual[1]:.1f}', '–')} V"
    picture = None
    if usual is not None:
        label = f"Battery {seen.volts_v:.1f} V, {said}"
        picture = svg.band_bar(seen.volts_v, usual, svg.bar_span(seen.volts_v, usual), label)
    return Volts(
        volts=f"{seen.volts_v:.1f}",
        when=words.moment(seen.volts_at, zone, now),
        usual=said,
        picture=picture,
    )


def line(days: Sequence[Day], now: int, nominal_v: float) -> Line | None:
    """Its volts day by day, standing; None with under two days."""
    past = [d for d in days if d.day > now // 86_400 - DRAWN_DAYS and d.battery is not None]
    volts = [d.battery.mid_v for d in past if d.battery is not None and d.battery.mid_v is not None]
    if len(volts) < 2:
        return None
    label = (
        f"Middle of each day, standing, {phrases.count(len(volts), 'day')}: "
        f"{words.ends(f'{min(volts):.2f}', f'{max(volts):.2f}')} V, {volts[-1]:.2f} V last"
    )
    return Line(picture=svg.sparkline(volts, label, LEAST_SHARE * nominal_v), said=label)


def charger(charge: ChargeLook) -> str:
    """What charges it, who says so, and whether it does."""
    if charge.reason:
        return "not seen: its volts are not measured"
    said = battery_sentences.CHARGERS[charge.kind]
    if charge.kind != "unknown":
        said += ", by the register" if charge.asked != "unknown" else ", as its volts tell"
    if "unknown" not in (charge.asked, charge.learned) and charge.asked != charge.learned:
        said += f"; its volts look like {battery_sentences.CHARGERS[charge.learned]}"
    if charge.fault == "low":
        said += "; it does not charge now"
    left = battery_sentences.days_left(
        charge.days_left_low, charge.days_left, charge.days_left_high
    )
    if left:
        said += f"; {left}"
    if not charge.mains_seen and charge.kind not in ("none", "solar"):
        said += "; whether the mains feeds it is not seen"
    return said


def rest(look: RestLook, zone: str, now: int) -> str:
    """'12.62 V after 14 h, about 96 % charged, Tue 06:00'."""
    if look.at is None or look.volts_v is None:
        return f"not seen: {look.reason}"
    said = f"{look.volts_v:.2f} V after {words.span(look.rested_s or 0)}"
    if look.charge_pct is not None:
        said += f", about {look.charge_pct:.0f} % charged"
    return f"{said}, {words.moment(look.at, zone, now)}"


def cranking(look: CrankLook, zone: str, now: int) -> str:
    """'9.1 V at 4 °C, Tue 06:12; a healthy start held 9.9 V at 7 °C; limit 9.3 V'."""
    if look.at is None or look.volts_v is None:
        return "not measured: its device sends no lowest volts of a start"
    said = f"{look.volts_v:.1f} V"
    if look.temp_c is not None:
        said += f" at {look.temp_c:.0f} °C"
    said += f", {words.moment(look.at, zone, now)}"
    if look.healthy_v is not None and look.healthy_temp_c is not None:
        said += f"; a healthy start held {look.healthy_v:.1f} V at {look.healthy_temp_c:.0f} °C"
    elif look.reason:
        said += f"; not compared: {look.reason}"
    return said if look.limit_v is None else f"{said}; limit {look.limit_v:.1f} V"


def over_time(trend: BatteryTrend | None, zone: str) -> str:
    """'falling, 0.06 to 0.09 V a month over 30 weeks; meets its limit about 5 Mar 2027'."""
    if trend is None:
        return "too few weeks to say"
    steepest, least = ceil(-100 * trend.low_v) / 100, floor(-100 * trend.high_v) / 100
    if not trend.falling:
        return f"no fall to be sure of in {trend.weeks} weeks"
    said = f"falling, {words.ends(f'{least:.2f}', f'{steepest:.2f}')} V a month over {trend.weeks} weeks"
    if trend.crosses_at is None:
        return f"{said}; its limit is further off than can be foretold"
    said += f"; meets its limit about {battery_sentences.on(trend.crosses_at, zone)}"
    if trend.crosses_from is not None:
        said += f", at the earliest {battery_sentences.on(trend.crosses_from, zone)}"
    return (
        said
        if trend.crosses_to is None
        else f"{said}, at the latest {battery_sentences.on(trend.crosses_to, zone)}"
    )


def fitted(seen: BatterySeen, zone: str) -> str:
    """Its age, chemistry and volts."""
    what = f"{seen.nominal_v:.0f} V, {battery_sentences.CHEMISTRIES[seen.chemistry]}"
    if seen.fitted_at is None:
        return f"{what}; when it was fitted is not written down"
    years = (seen.age_days or 0) / 365.25
    age = f"{years:.1f} years" if years >= 2 else f"{round(years * 12)} months"
    return f"{what}; {battery_sentences.on(seen.fitted_at, zone)}, {age} ago"


def evidence(seen: BatterySeen, zone: str, now: int) -> list[str]:
    """What the verdict stands on, a line each."""
    found = [f"Stands on {', '.join(LOOKS[name] for name in seen.by)}."] if seen.by else []
    if seen.charge.days:
        found.append(
            f"Charging: {phrases.count(seen.charge.days, 'day')} of volts, 12 h after a run or later."
        )
    crank = seen.cranking
    if crank.starts:
        said = f"Cranking: {phrases.count(crank.starts, 'measured start')}"
        if crank.healthy_at is not None:
            said += f", compared with the one of {words.moment(crank.healthy_at, zone, now)}"
        found.append(f"{said}. The limit is that of the load test at the same temperature.")
    if seen.charge.fault_since is not None:
        found.append(f"So since {words.moment(seen.charge.fault_since, zone, now)}.")
    if seen.volts_v is not None and not seen.checked:
        found.append(
            "No meter has been on its volts yet: what stands on their height alone is only a Note."
        )
    return found

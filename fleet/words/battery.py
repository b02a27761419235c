"""The starter battery and its charger: what may keep a set from cranking."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil
from typing import Any

from fleet.calendar import local_date
from fleet.model import Finding
from fleet.words.saying import CAUTIONS, Sentence, Speaker, count, day, moment, unchecked, when

CHARGERS = {
    "none": "no charger",
    "float": "a float charger",
    "on_off": "a charger that switches on and off",
    "boost": "a charger with a weekly boost",
    "solar": "a solar panel",
    "unknown": "not known yet",
}
CHEMISTRIES = {"flooded": "flooded", "agm": "AGM", "gel": "gel", "lfp": "lithium iron phosphate"}
VERDICTS = {
    "good": "Good",
    "watch": "Watch",
    "replace": "Replace",
    "charger_fault": "Charger fault",
    "not_enough_data": "Not enough seen to say",
}

STANDS: dict[str, str] = {
    "cranking": "It cranks the engine as a healthy battery does.",
    "rest": "It holds its charge.",
    "start": "It is charged as usual and cranked the engine at the last start; how strongly is not "
    "measured.",
    "failed_cell": "A cell looks failed: it may not start the engine.",
    "charger": "It is not being charged: it may not start the engine once it has run down.",
    "over_charge": "It is charged too high, which dries it out.",
    "fallen": "It cranks lower than it did: it may not start the engine in the cold.",
    "trend": "It cranks lower month by month: it may not start the engine in the cold.",
    "runs_down": "Nothing charges it between runs, and it runs down.",
}
AGAINST = {
    ("replace", "cranking"): "It cranks below its limit: it may not start the engine.",
    ("watch", "rest"): "It rests less than half charged: it may not start the engine in the cold.",
}


def stands(verdict: str, why: str, by: Sequence[str] = (), low: str = "") -> str:
    """The verdict on a battery in one sentence a customer understands. by: the looks there were; low:
    `cranked_low`, where that is why."""
    if verdict == "not_enough_data":
        charged = (
            "It is charged as usual, which says nothing of its strength: " if "charge" in by else ""
        )
        return f"{charged}{'a' if charged else 'A'} start or a long rest would show it."
    if why == "low":
        return f"{low}: its cables, its size or the measuring deserve a look."
    return AGAINST.get((verdict, why)) or STANDS.get(why, "")


def cranked_low(low: int, starts: int, since: int | None, zone: str) -> str:
    """ "It cranked low at 3 of 4 measured starts since 5 Dec 2026": of this battery, as the device
    that speaks now measures it, and of nothing before. since: the first of them [UTC s]."""
    if since is None or starts < 1:
        return "It cranks low"
    return f"It cranked low at {low} of {count(starts, 'measured start')} since {on(since, zone)}"


def on(at: int, zone: str) -> str:
    """The local date of a moment: `5 Dec 2026`."""
    return day(local_date(at, zone).isoformat())


def volts(value: float) -> str:
    """Volts of a battery: `12.6 V`."""
    return f"{value:.1f} V"


def days_left(low: float | None, mid: float | None, high: float | None) -> str:
    """ "as it sags now it may no longer crank in about 12 days, from 9 to 20"; "" where not foretold.

    Never narrower than its interval; an end that cannot be foretold is left open.
    """
    if mid is None:
        return ""
    if mid <= 0:
        return "it may not crank any more"
    said = "as it sags now it may no longer crank in "
    if mid < 1:
        return f"{said}less than a day"
    said += f"about {_days(mid)}"
    if low is None:
        return said
    if high is None:
        return f"{said}, at the earliest {int(low)}"
    return f"{said}, from {int(low)} to {ceil(high)}"


def _days(days: float) -> str:
    return "a day" if round(days) == 1 else f"{round(days)} days"


def _left(facts: dict[str, Any]) -> str:
    said = days_left(
        facts.get("days_left_low"), facts.get("days_left"), facts.get("days_left_high")
    )
    return said[:1].upper() + said[1:]


def _usual(facts: dict[str, Any]) -> str:
    low, high = facts.get("usual_low_v"), facts.get("usual_high_v")
    if not isinstance(low, int | float) or not isinstance(high, int | float):
        return ""
    return f"; usual for this set are {low:.1f} to {high:.1f} V"


def _last(facts: dict[str, Any]) -> str:
    value = facts.get("volts_v")
    return f", {volts(value)} last" if isinstance(value, int | float) else ""


def _charger_fault(f: Finding, zone: str, now: int) -> Sentence:
    facts = f.facts
    low = 13.0 * float(facts["nominal_v"]) / 12
    where = "with the mains on" if facts.get("mains_seen") else "the mains is not seen here"
    seen = (
        f"Its battery is not being charged since {moment(f.since, zone, now)}: under {low:.0f} V, "
    )
    seen += f"{where}{_last(facts)}{_usual(facts)}."
    if left := _left(facts):
        seen += f" {left}."
    return Sentence(
        title="Battery not charged",
        seen=seen + unchecked(f),
        do=f"Look at the charger, its mains supply and fuse {when(f)}; a run fills the battery only "
        "in part.",
        cautions=CAUTIONS,
    )


def _over_charge(f: Finding, zone: str, now: int) -> Sentence:
    limit = 15.0 * float(f.facts["nominal_v"]) / 12
    return Sentence(
        title="Battery over-charged",
        seen=f"More than {limit:.0f} V at 25 °C, the limit moved with the air's warmth, since "
        f"{moment(f.since, zone, now)}{_last(f.facts)}{_usual(f.facts)}. It gasses and dries out."
        + unchecked(f),
        do=f"Put a meter on the battery, then look at the charger {when(f)}.",
        cautions=CAUTIONS,
    )


def _failed_cell(f: Finding, zone: str, now: int) -> Sentence:
    facts = f.facts
    before, after = volts(facts["before_v"]), volts(facts["after_v"])
    if facts.get("by") == "after_run":
        what = f"held {after} after a run that lifted it to {before}"
    else:
        what = f"fell from {before} to {after} from one day to the next, more than a lost charger takes"
    return Sentence(
        title="Battery cell likely failed",
        seen=f"Its battery {what}, {moment(f.since, zone, now)}: it looks like a failed cell, and it "
        f"may not start.{unchecked(f)}",
        do="Test the battery and take a new one along today.",
        cautions=CAUTIONS,
    )


def _runs_down(f: Finding, zone: str, now: int) -> Sentence:
    facts = f.facts
    seen = "Nothing charges its battery between runs"
    if isinstance(rest := facts.get("rest_v"), int | float):
        seen += f": {rest:.2f} V at rest"
        if isinstance(charge := facts.get("charge_pct"), int | float):
            seen += f", about {charge:.0f} % charged"
    seen += f". {_left(facts)}, unless it runs before."
    return Sentence(
        title="Battery runs down",
        seen=seen + unchecked(f),
        do=f"Charge it {when(f)}, and think of a charger.",
        cautions=CAUTIONS,
    )


def _weak(f: Finding, zone: str, now: int) -> Sentence:
    facts, why = f.facts, f.facts.get("why")
    replace = why == "cranking"
    if why == "rest":
        seen = f"Its battery rests at {facts['rest_v']:.2f} V, about {facts['charge_pct']:.0f} % charged."
    else:
        seen = _cranked(facts, zone, now)
    if why == "low" and isinstance(since := facts.get("like_from"), int):
        low, starts = int(facts["like_low"]), int(facts["like_starts"])
        seen += f" {cranked_low(low, starts, since, zone)}."
    if isinstance(crosses := facts.get("crosses_at"), int):
        seen += f" {_falling(crosses, facts, zone, now)}"
    cold = "may not start" if replace else "may not start in the cold"
    return Sentence(
        title="Battery weak, replace" if replace else "Battery weak",
        seen=f"{seen} It {cold}.{unchecked(f)}",
        do="Test the battery, its cables and the starter, and take a new battery along today."
        if replace
        else "Test the battery under load and look at its cables at the next visit.",
        cautions=CAUTIONS,
    )


def _falling(crosses: int, facts: dict[str, Any], zone: str, now: int) -> str:
    """When the trend meets the limit; what has been met already has no date to come."""
    if crosses <= now:
        return "It has been falling."
    said = f"Falling: at this rate it meets its limit about {on(crosses, zone)}"
    first, last = facts.get("crosses_from"), facts.get("crosses_to")
    if isinstance(first, int):
        first = max(first, now)
        if isinstance(last, int) and on(first, zone) == on(last, zone):
            return f"{said}."
        said += f", at the earliest {on(first, zone)}"
        said += f", at the latest {on(last, zone)}" if isinstance(last, int) else ""
    return f"{said}."


def _cranked(facts: dict[str, Any], zone: str, now: int) -> str:
    seen = "Cranking"
    if isinstance(value := facts.get("crank_v"), int | float):
        seen += f" took its battery down to {volts(value)}"
    if isinstance(temp := facts.get("temp_c"), int | float):
        seen += f" at {temp:.0f} °C"
    if isinstance(at := facts.get("crank_at"), int):
        seen += f", {moment(at, zone, now)}"
    if isinstance(limit := facts.get("limit_v"), int | float):
        seen += f"; the limit then is {volts(limit)}"
    if isinstance(healthy := facts.get("healthy_v"), int | float):
        seen += f"; a healthy start of this set held {volts(healthy)}"
        if isinstance(temp := facts.get("healthy_temp_c"), int | float):
            seen += f" at {temp:.0f} °C"
        seen += f" ({moment(int(facts['healthy_at']), zone, now)})"
    return f"{seen}."


def _old(f: Finding, zone: str, now: int) -> Sentence:
    months = int(f.facts["months"])
    age = f"{months} months" if months < 36 else f"{months / 12:.1f} years"
    return Sentence(
        title="Battery old",
        seen=f"Its battery was fitted {on(int(f.facts['fitted_at']), zone)}, {age} ago; "
        f"{int(f.facts['usual_months'])} months are usual for such a set. Age alone is no fault.",
        do="Think of a new one with the next service.",
    )


SPEAKERS: dict[str, Speaker] = {
    "battery_weak": _weak,
    "battery_failed_cell": _failed_cell,
    "charger_fault": _charger_fault,
    "over_charge": _over_charge,
    "battery_runs_down": _runs_down,
    "battery_old": _old,
}
SENDS_A_PERSON = frozenset(SPEAKERS) - {"battery_old"}

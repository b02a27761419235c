"""Would this one start now? Readiness with its proof, the mains, the fuel, and what is not seen."""

from __future__ import annotations

from typing import Any

from dashboard import phrases
from fleet import words
from fleet.findings import fuel as say_fuel
from fleet.model import Run, UnitSummary
from fleet.words import mains as say_mains
from fleet.words import readiness as say_ready
from scheduler.assess import Assessment
from scheduler.rules import mains
from scheduler.rules.fuel import FuelSeen

BLIND_SHORT = {
    "starts": "start attempts",
    "switch": "panel switch",
    "mains": "mains",
    "fuel": "fuel",
    "charger": "battery and charger",
    "hours": "hour meter",
    "volts": "output volts",
    "transfer": "load, so the transfer gear",
}
"""What a device does not report, in a few words."""
YEAR_S = 365 * 86_400


def panel(
    summary: UnitSummary | None, verdict: Assessment | None, zone: str, now: int
) -> dict[str, Any]:
    """The top of a unit's page: its word, the sentence without it, and the facts beside it."""
    held = summary.readiness if summary else None
    said = say_ready.readiness(held, zone, now).partition(": ")[2]
    facts = []
    if summary is not None:
        facts.append(("Mains here", say_mains.mains_now(summary.mains, zone, now)))
    if verdict is not None:
        facts.append(("Fuel", fuel(verdict.fuel)))
    if held is not None and held.blind:
        names = ", ".join(BLIND_SHORT.get(name, name) for name in held.blind)
        facts.append(("Not seen", f"{names}. Never counted as good."))
    return {
        "state": held.state if held else "unknown",
        "said": said[:1].upper() + said[1:],
        "others": say_ready.others(held, zone, now) if held else [],
        "facts": facts,
        "limits": limits(summary, zone, now),
    }


def limits(summary: UnitSummary | None, zone: str, now: int) -> list[str]:
    """What keeps the verdict from being sure for a while."""
    found = []
    held = summary.readiness if summary else None
    told = held is not None and "adopted" in (held.why, *held.others)
    if summary is not None and summary.adopted and not told:
        found.append("No meter has been on its volts yet: what it reads of them is not checked.")
    if summary is not None and summary.learning_until is not None:
        until = words.moment(summary.learning_until, zone, now)
        found.append(f"New here: what is usual for it is being learned until {until}.")
    return found


def fuel(seen: FuelSeen) -> str:
    """How much is left and how long it lasts, or why that is not known."""
    if seen.by == "supplied":
        return "Mains gas, supplied from outside."
    if seen.level_pct is None:
        return "Not seen: its level is not measured."
    said = f"{seen.level_pct:.0f} %"
    if seen.hours_h is None:
        return f"{said}; how long it lasts is not known: {seen.reason}."
    load = say_fuel.at_load(seen.load_share, seen.at_load)
    load = "by its own use" if seen.by == "trend" else load
    return f"{said}, {say_fuel.lasts(seen.hours_h)} {load}."


def supplies(
    verdict: Assessment | None, runs: list[Run], zone: str, now: int
) -> list[tuple[str, str]]:
    """(name, words) of fuel and mains for their own panel; [] before the first verdict."""
    if verdict is None:
        return []
    seen = verdict.fuel
    rows = [("Fuel", fuel(seen))]
    if seen.hours_h is not None:
        filled = seen.trend_from == seen.refill_at
        said = say_fuel.by(seen.by, seen.trend_from, filled, zone, now, seen.engine)
        rows.append(("Reckoned", said))
    if seen.litres_l is not None:
        rows.append(("Can be burnt", f"{phrases.quantity(seen.litres_l)} L"))
    if seen.agreed_h is not None:
        kind = "agreed" if seen.agreed else "usual practice"
        rows.append(("Wanted", f"{seen.agreed_h:.0f} h, {kind}"))
    if seen.factor is not None:
        rows.append(("Its own refuels", f"{seen.factor:.2f} times what the chart says"))
    if seen.refill_at is not None:
        rows.append(("Last filled", words.moment(seen.refill_at, zone, now)))
    return rows + outages(verdict, runs, zone, now)


def outages(verdict: Assessment, runs: list[Run], zone: str, now: int) -> list[tuple[str, str]]:
    """Outages of a year at its own site, and how much of them it ran through."""
    if verdict.mains.last == "unknown":
        return []
    lately = [one for one in verdict.outages if one.lost > now - YEAR_S]
    if not lately:
        first = verdict.mains.since if verdict.mains.since_earliest is None else None
        if first is not None and first > now - YEAR_S:
            return [("Outages here", f"none seen {phrases.since(first, zone, now)}")]
        return [("Outages here", "none seen in a year")]
    parts = [mains.covered_s(one, runs, verdict.at) for one in lately]
    ran, without = (sum(part[n] for part in parts) for n in (0, 1))
    said = f"{phrases.count(len(lately), 'outage')} in a year, {phrases.span_words(ran + without)}"
    return [
        ("Outages here", said),
        ("Ran through", phrases.span_words(ran)),
        ("Without power", phrases.span_words(without)),
    ]

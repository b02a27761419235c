"""A unit's runs, starts, hours, facts and records in words, for its page. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from dashboard import authors, phrases
from dashboard.pages import forms
from dashboard.viewers import staff_name
from fleet import words
from fleet.model import Record, Run, Scope, StartDemand, Unit, UnitSummary
from fleet.registry.types import ListedRecord, UnitInputs, UnsureSpell
from scheduler.assess import Assessment

BLIND = {
    "starts": "Start attempts are not reported: a start by hand and one by itself look alike.",
    "switch": "The panel switch is not wired: nobody would see it left out of automatic.",
    "mains": "The mains is not measured: an outage here shows only by the set running.",
    "fuel": "Fuel is not measured: neither a level nor a gas supply.",
    "charger": "Battery or charging volts are not measured.",
    "hours": "The hour meter is not reported: hours are added up from the runs seen.",
    "volts": "Output volts are not measured: it could run without giving power.",
    "transfer": "The load is not measured: nobody would see the transfer gear fail to switch over.",
}
"""What a unit's device does not see, in words."""


NO_CLOCK = "This device sends no time: Hourhand uses the time of receipt."

WHY = {"exercise": "exercise", "outage": "outage", "by_hand": "by hand", "unknown": "not known"}


def run_line(run: Run, zone: str, now: int) -> dict[str, Any]:
    """A run in words; an edge that was not seen is said so."""
    notes = []
    if run.end_seen == "gap":
        notes.append("end not seen")
    if run.start_seen == "gap":
        notes.append("start not seen")
    if run.bridged_by_meter:
        notes.append("a gap bridged by the hour meter")
    why = WHY[run.why]
    if run.why != "unknown" and run.confidence == "low":
        why = f"perhaps {why}"
    return {
        "start": words.moment(run.start, zone, now),
        "length": "running" if run.end is None else phrases.span_words(run.end - run.start),
        "why": why,
        "peak": f"{phrases.quantity(run.peak_load_kw, 1)} kW" if run.peak_load_kw else "",
        "notes": ", ".join(notes),
    }


ENDS = {
    "started": "started",
    "failed": "did not start",
    "by_hand": "started by hand",
    "not_seen": "start not seen",
    "unknown": "end not known",
}


def start_line(start: StartDemand, zone: str, now: int) -> dict[str, Any]:
    """A start demand in words."""
    return {
        "at": words.moment(start.at, zone, now),
        "end": ENDS[start.end],
        "failed": start.end == "failed",
        "attempts": start.attempts or "",
        "crank_s": f"{start.crank_s:.1f} s" if start.crank_s is not None else "",
        "crank_v": f"{start.crank_min_v:.1f} V" if start.crank_min_v is not None else "",
        "cause": start.cause,
        "learned": f"learned {words.moment(start.learned_at, zone, now)}"
        if start.learned_at is not None and start.learned_at - start.at > 600
        else "",
    }


SOURCES = {
    "meter": "the device's hour meter, from the last reading of the engine's own",
    "integrated": "the runs seen, added up from the last reading of the engine's own",
    "none": "nothing yet",
}


def hours(
    summary: UnitSummary | None, verdict: Assessment | None, zone: str, now: int
) -> dict[str, str] | None:
    """Engine hours with what they stand on."""
    held = verdict.hours if verdict else summary.hours if summary else None
    if held is None:
        return None
    anchor = ""
    if held.anchor_h is not None and held.anchor_at is not None:
        anchor = f"{words.hours(held.anchor_h)} at {words.moment(held.anchor_at, zone, now)}"
    return {
        "hours": words.hours(held.hours_h) if held.hours_h is not None else "not known",
        "uncertain": f"± {words.hours(held.uncertain_h)}" if held.uncertain_h >= 0.1 else "",
        "source": SOURCES[held.source],
        "anchor": anchor,
        "note": held.note,
    }


FUELS = {
    "petrol": "petrol",
    "natural_gas": "natural gas",
    "lpg": "LP gas",
    "diesel": "diesel",
    "dual": "dual fuel",
}
CHARGERS = {
    "none": "none",
    "float": "float",
    "on_off": "on and off",
    "boost": "weekly boost",
    "solar": "solar",
    "unknown": "",
}


def set_facts(unit: Unit, today: date, scope: Scope) -> list[tuple[str, str]]:
    """The register's facts of the set, those that are known."""
    phases = {"1": "single phase", "split": "split phase", "3": "three phase"}[unit.phases]
    rows = [
        ("Make and model", f"{unit.make} {unit.model}".strip()),
        ("Serial", unit.serial),
        ("Rating", f"{unit.rated_kw:g} kW" if unit.rated_kw else ""),
        ("Output", f"{unit.nominal_v:g} V, {unit.nominal_hz:g} Hz, {phases}"),
        (
            "Engine",
            ", ".join(
                filter(
                    None,
                    (
                        f"{unit.cooling}-cooled" if unit.cooling else "",
                        FUELS.get(unit.fuel or "", ""),
                        phrases.count(unit.cylinders, "cylinder") if unit.cylinders else "",
                    ),
                )
            ),
        ),
        (
            "Battery",
            f"{unit.battery_nominal_v:g} V {unit.battery_chemistry}"
            + (f", {unit.battery_ah:g} Ah" if unit.battery_ah else ""),
        ),
        (
            "Battery fitted",
            phrases.day_words(unit.battery_fitted, today) if unit.battery_fitted else "",
        ),
        ("Charger", CHARGERS[unit.charger]),
        ("Tank", f"{unit.tank_l:g} L" if unit.tank_l else ""),
        (
            "Serves",
            {"life": "life safety", "business": "a business", "home": "a home"}[unit.criticality],
        ),
        ("Service plan", unit.service_plan),
        ("Technician", staff_name(scope, unit.technician)),
    ]
    return [(name, value) for name, value in rows if value]


def habit(
    verdict: Assessment | None,
    inputs: UnitInputs | None,
    unit: Unit | None,
    unsure: Sequence[UnsureSpell],
    zone: str,
    now: int,
) -> list[tuple[str, str]]:
    """Which device speaks for it, how often, and what is not known of its times."""
    rows: list[tuple[str, str]] = []
    for pulse in inputs.pulses if inputs else ():
        rows.append(("Device", pulse.device))
        if pulse.firmware:
            rows.append(("Firmware", pulse.firmware))
        if pulse.clockless:
            rows.append(("Time", NO_CLOCK))
    if unit is not None:
        rows += card_rows(unit, inputs, now)
    rows += [("Time unknown", unsure_words(spell, zone, now)) for spell in unsure[::-1]]
    if verdict is None:
        return rows
    kept = verdict.habit
    how = {
        "steady": f"every {words.span(kept.standing_s)} standing, "
        f"{words.span(kept.running_s)} running",
        "on_change": f"on change, at least every {words.span(kept.heartbeat_s)}",
        "sleeping": f"wakes every {words.span(kept.standing_s)}",
    }[kept.mode]
    rows.append(("Reports", how))
    rows.append(
        (
            "Known from",
            {
                "default": "nobody said: the default",
                "declared": "the device",
                "register": "the register",
                "learned": "14 days of listening",
            }[kept.source],
        )
    )
    rows.append(("Silent after", words.span(verdict.silent_limit_s)))
    return rows


def card_rows(unit: Unit, inputs: UnitInputs | None, now: int) -> list[tuple[str, str]]:
    """The data card, its last day, and what came by it this month."""
    today = phrases.site_today("UTC", now)
    month = 12 * today.year + today.month - 1
    used = sum(p.month_b for p in inputs.pulses if p.month == month) / 1e6 if inputs else 0.0
    rows = []
    if unit.sim or unit.sim_ends:
        ends = f"ends {words.day(unit.sim_ends)}" if unit.sim_ends else ""
        rows.append(("Data card", ", ".join(filter(None, (unit.sim, ends)))))
    if unit.data_mb_month is not None:
        rows.append(("Data this month", f"about {words.megabytes(used)} of {unit.data_mb_month:g}"))
    return rows


def unsure_words(spell: UnsureSpell, zone: str, now: int) -> str:
    """How many readings came together whose time nobody knows, and between which moments."""
    before = words.moment(spell.before_at, zone, now)
    count = phrases.count(spell.readings, "reading")
    if spell.after_at is None:
        return f"{count} of unknown time before {before}"
    return f"{count} of unknown time between {words.moment(spell.after_at, zone, now)} and {before}"


def record_line(listed: ListedRecord, zone: str, now: int, scope: Scope) -> dict[str, Any]:
    """A record in words."""
    record: Record = listed.record
    return {
        "at": words.moment(record.at, zone, now),
        "kind": forms.KINDS[record.kind].name,
        "by": staff_name(
            scope, authors.said(record.by, record.entered_by, record.via, record.named)
        ),
        "job": record.job if scope.everything else "",
        "facts": forms.facts_words(record, zone, now),
        "id": record.id,
        "word": record.kind,
        "superseded": listed.superseded_by is not None,
    }

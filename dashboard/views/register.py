"""What the register and people's records say of a set: for its page in words, for programs as they are."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from dashboard import phrases
from dashboard.views.contract import FORMS, Form, Next, View, view_of
from dashboard.views.facts import record_facts
from dashboard.views.named import staff_name
from fleet import wiring, words
from fleet.model import Habit, Record, Scope, Unit
from fleet.registry.facts.rows import UnitInputs, UnsureSpell
from fleet.words import device_clock
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
    if unit.system:
        phases = wiring.said(unit.system, unit.line_v) if unit.line_v else wiring.NAMES[unit.system]
    rows = [
        ("Make and model", f"{unit.make} {unit.model}".strip()),
        ("Serial", unit.serial),
        ("Rating", f"{unit.rated_kw:g} kW" if unit.rated_kw else ""),
        ("Output", f"{unit.nominal_v:g} V, {unit.nominal_hz:g} Hz, {phases}"),
        ("Leads sense", wiring.senses_text(unit.senses)),
        ("Common bus", unit.bus),
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
        elif clock := device_clock.sentences(pulse.clock, zone, now):
            rows.append(("Clock", " ".join(clock)))
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


class RecordView(Record, View, frozen=True, kw_only=True):
    """What a person did."""

    form = Form(
        about={
            "by": "who did it, bound to who was signed in; of a token its name",
            "entered_by": "who typed it in for them, where that was another",
            "via": "token or import, where nobody signed in for it; else empty",
            "named": "whom the program of a token named; vouched for by nobody",
            "job": "the job it was written for; empty: none",
        }
    )
    superseded_by: str | None


def record_view(record: Record, superseded_by: str | None, scope: Scope) -> RecordView:
    """A record for who may see it: people's names and jobs are for the firm."""
    return view_of(
        RecordView,
        record,
        by=staff_name(scope, record.by),
        entered_by=staff_name(scope, record.entered_by),
        named=staff_name(scope, record.named),
        job=record.job if scope.everything else "",
        facts=record_facts(record.facts),
        superseded_by=superseded_by,
    )


class RecordPage(View, frozen=True, kw_only=True):
    """A page of records."""

    items: tuple[RecordView, ...]
    next: Next


FORMS[Habit] = Form(name="HabitOut")


class RegisterRowView(Unit, View, frozen=True, kw_only=True):
    """The register's row of a unit, as it stands there."""

    form = Form(raw=True)


def register_row(unit: Unit, scope: Scope) -> RegisterRowView:
    """The register's row for who may see it: its technician's name is for the firm."""
    return view_of(RegisterRowView, unit, technician=staff_name(scope, unit.technician))

"""A unit as a row of the register."""

from __future__ import annotations

from typing import Any

from fleet.calendar import utc_text
from fleet.model import Site, Unit
from fleet.registry.register.columns import NAMES, PLAIN
from fleet.registry.register.composed import habit_text
from fleet.wiring import senses_text


def row_of(unit: Unit, site: Site, customer: str, group: str) -> dict[str, Any]:
    """A unit as a row of the register: what an export writes and an import reads back."""
    row: dict[str, Any] = {name: getattr(unit, name) for name in PLAIN}
    row |= {
        "customer": customer,
        "site": site.name,
        "address": site.address,
        "lat": site.lat,
        "lon": site.lon,
        "time_zone": site.time_zone,
        "unit": unit.id,
        "device": unit.device,
        "group": group,
        "senses": senses_text(unit.senses),
        "habit": habit_text(unit.habit),
        "running_join": unit.running.join,
        "running_hold_s": unit.running.hold_off_s,
    }
    for suffix, signal in (("", unit.running.first), ("_2", unit.running.second)):
        if signal is not None:
            row |= {
                f"running_signal{suffix}": signal.channel,
                f"running_on{suffix}": signal.on,
                f"running_off{suffix}": signal.off,
            }
    row["exercise"] = unit.exercise.replace("\n", " ")
    if unit.engine_hours_at is not None:
        row["engine_hours_at"] = utc_text(unit.engine_hours_at)
    for name in ("idle_down", "inverter"):
        row[name] = "yes" if row[name] else "no"
    return {name: "" if row.get(name) is None else row[name] for name in NAMES}

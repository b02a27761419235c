"""What the device says, as sent and as it is read, beside the form in which somebody writes down what
a meter said. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from dashboard import logbook, phrases
from fleet.channels import VOLTS
from fleet.model import RecordKind
from fleet.registry.facts.rows import UnitInputs

OF_HOURS: frozenset[RecordKind] = frozenset({"hour_meter", "meter_replaced", "hour_format"})
"""Kinds of record about the hours that a meter shows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceSays:
    """One reading: raw as the device sent it, read as it is shown here ('' where that is the same)."""

    name: str
    raw: str
    read: str
    when: str


def device_says(
    inputs: UnitInputs, kind: RecordKind, zone: str, now: int
) -> tuple[DeviceSays, ...]:
    """The newest readings that a record of this kind is written beside; none for other kinds."""
    if kind == "meter_check":
        wanted = VOLTS
    elif kind in OF_HOURS:
        wanted = frozenset({"run_hours_h"})
    else:
        return ()
    sent = {
        (channel, latest.at): latest.value
        for pulse in inputs.pulses
        for channel, latest in pulse.latest.items()
    }
    return tuple(
        _line(one, sent[one.channel, one.at], zone, now)
        for one in logbook.readings_now(inputs, now)
        if one.channel in wanted
    )


def _line(one: logbook.Now, raw: float, zone: str, now: int) -> DeviceSays:
    unit = "h" if one.channel == "run_hours_h" else "V"
    return DeviceSays(
        name=phrases.called(one.channel),
        raw=f"{phrases.quantity(raw, 2)} {unit}" if unit == "V" else f"{raw:.2f}",
        read=f"{phrases.quantity(one.value, 2)} {unit}" if abs(one.value - raw) >= 0.005 else "",
        when=phrases.fresh(one.at, zone, now),
    )

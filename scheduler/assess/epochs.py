"""Where what is said of the past begins: a part, the device or its calibration was changed.

What was measured before such a moment was measured of something else, or by something else; no
sentence about a set's past counts across it.
"""

from __future__ import annotations

from collections.abc import Collection

from fleet.calendar import local_date
from fleet.model import Record
from fleet.registry.facts.rows import UnitInputs
from scheduler.assess.written import moment

OF_THE_BATTERY = frozenset({"battery_v", "crank_min_v"})
"""Channels that tell of the battery that is in, and of none before it."""


def changed_at(record: Record, zone: str) -> int:
    """When a part was changed (UTC s): the day written down, else the moment of the record.

    A record of the same local day is the better time of the two.

    Gives: [UTC s]. Definition.
    """
    when = moment(record.facts.get("date"), zone, False)
    if when is None or local_date(record.at, zone) == local_date(when, zone):
        return record.at
    return when


def parts_changed(inputs: UnitInputs, words: Collection[str], now: int) -> list[int]:
    """When parts whose name holds one of the words were changed, rising; those up to `now`.

    Gives: [UTC s]. Definition.
    """
    zone = inputs.site.time_zone
    found = [
        changed_at(record, zone)
        for record in inputs.records
        if record.kind == "part_changed"
        and record.at <= now
        and any(word in str(record.facts.get("part", "")).lower() for word in words)
    ]
    return sorted(at for at in found if at <= now)


def battery_from(inputs: UnitInputs, now: int) -> int | None:
    """When the battery that is in was fitted, by record or register (UTC s); None: not written.

    What is to be fitted one day is not in yet.

    Gives: [UTC s]. Definition.
    """
    registered = moment(inputs.unit.battery_fitted, inputs.site.time_zone, False)
    known = [] if registered is None or registered > now else [registered]
    return max([*known, *parts_changed(inputs, ("battery",), now)], default=None)


def fitted_from(inputs: UnitInputs, now: int) -> int:
    """Since when the device that speaks now does (UTC s); 0 where that was never said.

    Gives: [UTC s]. Definition.
    """
    moments = [f.from_at for f in inputs.fittings if f.from_at is not None and f.from_at <= now]
    return max(moments, default=0)


def cuts(inputs: UnitInputs, channel: str, now: int) -> list[int]:
    """Moments from which a channel reads differently: another device, another calibration.

    Gives: [UTC s]. Definition.
    """
    moments = [f.from_at for f in inputs.fittings if f.from_at is not None]
    moments += [c.from_at for c in inputs.calibrations if c.channel == channel]
    return sorted({at for at in moments if at <= now})


def line_from(inputs: UnitInputs, channel: str, now: int) -> int:
    """Since when a channel reads as it does now (UTC s); 0: as far as is known, always.

    Gives: [UTC s]. Definition.
    """
    return max(cuts(inputs, channel, now), default=0)

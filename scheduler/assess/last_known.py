"""What was last seen of a unit: silence, newest values, set-aside spells, blind spots."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from fleet.calibration import true_value
from fleet.model import Latest, Pulse
from fleet.registry.facts.rows import UnitInputs
from scheduler.assess.verdict import Blind
from scheduler.assess.written import moment
from scheduler.day import Day, plate_of, span

BLIND_CHANNELS: tuple[tuple[Blind, frozenset[str]], ...] = (
    ("starts", frozenset({"start_attempts", "crank_min_v", "crank_s"})),
    ("switch", frozenset({"in_auto"})),
    ("mains", frozenset({"mains_v"})),
    ("fuel", frozenset({"fuel_pct"})),
    ("charger", frozenset({"battery_v"})),
    ("hours", frozenset({"run_hours_h"})),
    ("volts", frozenset({"ac_v", "ac_l1_v", "ac_l12_v"})),
    ("transfer", frozenset({"load_kw"})),
)
LOOK_BACK_DAYS = 14
"""Days in which a channel was read, or it is not wired. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Silence:
    """fitted: a device speaks for it now; ever: anything was ever heard of the unit.

    since: what silence is counted from (receipt of the newest message, or the fitting of a
    device that has not spoken yet), None where there is nothing to count from. puzzling_since,
    puzzling_at: receipts of the first and the newest message of which nothing could be understood,
    since the newest that was; None: there was none. two_devices: the id of the device as which two
    seem to speak, so that nothing it says is believed; empty: one does.
    """

    fitted: bool
    ever: bool
    heard_at: int | None
    since: int | None
    puzzling_since: int | None = None
    puzzling_at: int | None = None
    two_devices: str = ""


def silence(inputs: UnitInputs, days: Sequence[Day], now: int) -> Silence:
    """What is known of the device's silence. Receipt times count, never the device's clock.

    Gives: a record in UTC seconds [UTC s]. Definition.
    """
    current = [f for f in inputs.fittings if covers(f.from_at, f.to_at, now)]
    heard = max((p.heard_at for p in inputs.pulses if p.heard_at is not None), default=None)
    begun = max((f.from_at for f in current if f.from_at is not None), default=None)
    since = heard
    if begun is not None and (heard is None or heard < begun):
        since = begun
    puzzling = max(inputs.pulses, key=lambda p: p.puzzling_at or 0, default=None)
    return Silence(
        bool(current),
        heard is not None or bool(days),
        heard,
        since,
        puzzling.puzzling_since if puzzling else None,
        puzzling.puzzling_at if puzzling else None,
        puzzling.device if puzzling and puzzling.puzzling_at and puzzling.two_devices else "",
    )


def covers(start: int | None, end: int | None, at: int) -> bool:
    """Whether [start, end), open where None, holds a moment.

    Gives: yes or no. Arithmetic.
    """
    return (start is None or start <= at) and (end is None or at < end)


def newest(inputs: UnitInputs, channel: str, now: int) -> Latest | None:
    """The newest calibrated value of a channel, with its time; None where there is none, where
    nobody knows when it was, or where no set of its nominal and rating can give it.

    Gives: a value in the channel's unit, a record. Definition.
    """
    found = [
        p.latest[channel]
        for p in inputs.pulses
        if channel in p.latest and p.latest[channel].at not in inputs.unsure.get(p.device, ())
    ]
    if not found:
        return None
    latest = max(found, key=lambda value: value.at)
    fittings = {f.id for f in inputs.fittings if covers(f.from_at, f.to_at, latest.at)}
    lines = [c for c in inputs.calibrations if c.channel == channel and c.fitting in fittings]
    value = true_value(lines, latest.at, latest.value)
    low, high = span(channel, plate_of(inputs.unit), inputs.unit.battery_nominal_v)
    return Latest(latest.at, value) if low <= value <= high else None


def told_now(inputs: UnitInputs) -> set[str]:
    """Channels of which the newest value that was heard is a number.

    Gives: words, the names of channels. Definition.
    """
    return {
        name
        for pulse in inputs.pulses
        for name, latest in pulse.latest.items()
        if math.isfinite(latest.value)
    }


def newest_pulse(inputs: UnitInputs) -> Pulse | None:
    """The pulse heard last, of the devices fitted now.

    Gives: a record, or none. Definition.
    """
    return max(inputs.pulses, key=lambda p: (p.heard_at or 0, p.device), default=None)


def blind_spots(inputs: UnitInputs, days: Sequence[Day]) -> tuple[Blind, ...]:
    """What was reported neither lately nor last: not seen, never good.

    Gives: words. Common practice, no source.
    """
    last = days[-1].day if days else 0
    recent = [day for day in days if day.day > last - LOOK_BACK_DAYS]
    seen = {name for day in recent for name in day.spots}
    seen |= told_now(inputs)
    starts = any(set(demand.seen_by) - {"run"} for day in recent for demand in day.starts)
    return tuple(
        name
        for name, channels in BLIND_CHANNELS
        if not channels & seen and not (name == "starts" and starts)
    )


@dataclass(frozen=True, slots=True)
class Aside:
    """Why a unit is set aside now, from when, until when (UTC seconds, None: open)."""

    condition: str
    from_at: int
    to_at: int | None


def aside(inputs: UnitInputs, now: int) -> tuple[Aside | None, list[int]]:
    """The spell that holds now (out of service before laid up) and every coming edge.

    Gives: a record, and moments [UTC s]. Definition.
    """
    spells = set_aside(inputs)
    holding = [s for s in spells if covers(s.from_at, s.to_at, now)]
    edges = [edge for s in spells for edge in (s.from_at, s.to_at) if edge is not None]
    best = max(holding, key=lambda s: (s.condition == "out_of_service", s.from_at), default=None)
    return best, [edge for edge in edges if edge > now]


def set_aside(inputs: UnitInputs) -> list[Aside]:
    """Every spell in which people set the unit aside, past and coming.

    Gives: records in UTC seconds [UTC s]. Definition.
    """
    zone_name = inputs.site.time_zone
    spells = [
        Aside(
            record.kind,
            moment(record.facts.get("from"), zone_name, False) or record.at,
            moment(record.facts.get("to"), zone_name, True),
        )
        for record in inputs.records
        if record.kind in ("out_of_service", "laid_up")
    ]
    start = moment(inputs.unit.laid_up_from, zone_name, False)
    if start is not None:
        spells.append(Aside("laid_up", start, moment(inputs.unit.laid_up_to, zone_name, True)))
    return spells

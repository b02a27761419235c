"""What people read off the engine's own hour meter, as hours of the engine.

A meter that is replaced, or that loses its count, goes on from another number on the same engine. A
record of kind meter_replaced ties the two: old reading, new reading. Every other reading is of the
meter that shows it; where its moment says one meter and its value only fits another, the value is
right, as people write such things down late, early and in any order
(docs/engineering/hours.md#a-replaced-meter).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, time

from fleet.calendar import instant, local_date
from fleet.model import MeterEvent, Record, Unit
from scheduler.assess.hours.gains import Gains
from scheduler.assess.hours.metering import NEW_LIVES
from scheduler.day import Day
from scheduler.rules.service import hours_fact

READING_KINDS = ("hour_meter", "task_done", "meter_replaced")
"""Records in which a person read the engine's own meter."""
READ_H = 1.0
SLIP_H = 0.1
"""A reading fits a meter from one step of a tenth below the reading before it to an hour more than
the clock allows. Common practice, no source."""
OTHER_METER_H = 5.0
"""A reading that fits no meter is of the one before or after where it lies this near what that one
can have shown: it was written down at another moment. Common practice, no source."""
NEVER = Gains(())


@dataclass(frozen=True, slots=True)
class Reading:
    """What a meter showed [h] at a moment [UTC s]. new_h: what the meter put in its place showed."""

    at: int
    shown_h: float
    new_h: float | None = None


@dataclass(frozen=True, slots=True)
class MeterReadings:
    """Readings as hours of the engine. anchors: (moment, engine hours), rising; offsets: from a
    moment on, what engine hours are more than what the meter fitted then shows [h]."""

    anchors: tuple[tuple[int, float], ...] = ()
    offsets: tuple[tuple[int, float], ...] = ()

    def offset(self, at: int) -> float:
        """What engine hours are more than the engine's own meter shows at a moment [h]."""
        return next((h for begun, h in reversed(self.offsets) if begun <= at), 0.0)

    def engine_hours(self, at: int, shown_h: float) -> float:
        """A reading that is not among the anchors as engine hours [h]."""
        known = dict(self.anchors)
        return known.get(at, shown_h + self.offset(at))


@dataclass(frozen=True, slots=True)
class DeviceMeter:
    """The device's own meter: gains, what it would show at `at` had it never begun again, and from
    when on that is how much more than what it shows [h]; its resets."""

    gains: Gains = NEVER
    at: int = 0
    value_h: float = 0.0
    lives: tuple[tuple[int, float], ...] = ()
    resets: tuple[MeterEvent, ...] = ()

    def value(self, at: int) -> float:
        """Its hours at a moment, over all its lives [h]."""
        return self.value_h - self.gains.between(at, self.at)

    def lost(self, at: int) -> float:
        """How much less it shows at a moment [h]."""
        return next((h for begun, h in reversed(self.lives) if begun <= at), 0.0)


NO_DEVICE = DeviceMeter()


def reading_moments(unit: Unit, records: Iterable[Record]) -> tuple[int, ...]:
    """When people read the engine's own meter, rising.

    Gives: moments [UTC s]. Definition.
    """
    return tuple(sorted({reading.at for reading in _readings(unit, records)}))


def device_meter(days: Sequence[Day], gains: Gains, value_h: float, now: int) -> DeviceMeter:
    """The device's own meter over all its lives. value_h: what it would show now [h].

    Gives: a record in hours [h]. Definition.
    """
    lives: list[tuple[int, float]] = []
    resets: list[MeterEvent] = []
    before, fitting = 0.0, ""
    for day in days:
        if not day.meter and day.carry.fitting == fitting:
            continue
        meter = day.carry.meter
        odd = [e.at for e in day.meter if e.kind in NEW_LIVES]
        resets += [e for e in day.meter if e.kind == "reset"]
        if meter.at is None or meter.max_h is None:
            continue
        if odd or (fitting and day.carry.fitting != fitting):
            lost = value_h - gains.between(meter.at, now) - meter.max_h
            if abs(lost - before) > READ_H:
                lives.append((odd[-1] if odd else day.first_at or meter.at, lost))
                before = lost
        fitting = day.carry.fitting
    return DeviceMeter(gains, now, value_h, tuple(lives), tuple(resets))


def meter_readings(
    unit: Unit, records: Sequence[Record], zone: str, now: int, device: DeviceMeter = NO_DEVICE
) -> MeterReadings:
    """Every reading up to `now` as hours of the engine, whatever the order they were written in.

    A meter_replaced record ties two meters exactly; its moment is that at which the device's own
    meter fell from the old reading, where it is the same meter. A reading that fits neither the
    meter of its moment nor the one before or after, but what the device's meter shows in a later
    life of it, is of a meter that lost its count: the engine's hours go on. What fits nothing is
    taken as it was written.

    Gives: a record in hours [h]. Definition.
    """
    read = [*_readings(unit, records), *_of_register(unit, records, zone, now)]
    placed = sorted((_placed(r, device) for r in read if r.at <= now), key=_order)
    state = _Tying(device)
    for index, reading in enumerate(placed):
        state.take(reading, next((r for r in placed[index + 1 :] if r.new_h is not None), None))
    return MeterReadings(tuple(sorted(state.anchors.items())), tuple(state.offsets))


@dataclass(slots=True)
class _Tying:
    """Readings taken one by one. offset: of the meter fitted; earlier: of the one before it."""

    device: DeviceMeter
    offset: float = 0.0
    earlier: float | None = None
    anchors: dict[int, float] = field(default_factory=dict)
    offsets: list[tuple[int, float]] = field(default_factory=list)
    last: tuple[int, float] | None = None

    def take(self, reading: Reading, following: Reading | None) -> None:
        if reading.new_h is None:
            hours = self._of_some_meter(reading, following)
            self._anchor(reading.at, hours)
            return
        hours = self._of_this_meter(reading)
        if self._fits(reading.at, hours):
            self._anchor(reading.at, hours)
        self.earlier, self.offset = hours - reading.shown_h, hours - reading.new_h
        self.offsets.append((reading.at, self.offset))

    def _anchor(self, at: int, hours: float) -> None:
        self.anchors[at] = hours
        self.last = (at, hours)

    def _fits(self, at: int, hours: float) -> bool:
        return self._beside(at, hours) == 0.0

    def _beside(self, at: int, hours: float) -> float:
        """By how much engine hours lie beside what they can be by the reading before [h]."""
        if self.last is None:
            return 0.0
        least = self.last[1] - SLIP_H
        most = self.last[1] + (at - self.last[0]) / 3600 + READ_H
        return max(0.0, least - hours, hours - most)

    def _of_this_meter(self, reading: Reading) -> float:
        """The last reading of a meter that was replaced; of one that had lost its count unseen."""
        plain = reading.shown_h + self.offset
        goes_on = self._goes_on(reading)
        return plain if goes_on is None or self._fits(reading.at, plain) else goes_on

    def _of_some_meter(self, reading: Reading, following: Reading | None) -> float:
        plain = reading.shown_h + self.offset
        if self._fits(reading.at, plain) and not self._contradicted(reading, plain):
            return plain
        others: list[float] = []
        if following is not None and following.new_h is not None:
            others.append(plain + following.shown_h - following.new_h)
        if self.earlier is not None:
            others.append(reading.shown_h + self.earlier)
        beside = {hours: self._beside(reading.at, hours) for hours in others}
        nearest = min(beside, key=lambda hours: beside[hours], default=plain)
        if self.last and beside.get(nearest, OTHER_METER_H) < OTHER_METER_H:
            return nearest
        goes_on = self._goes_on(reading)
        if goes_on is None:
            return plain
        self.offset = goes_on - reading.shown_h
        self.offsets.append((reading.at, self.offset))
        return goes_on

    def _contradicted(self, reading: Reading, hours: float) -> bool:
        """Nothing was read before, and the device counted more before its meter fell to this."""
        goes_on = self._goes_on(reading) if self.last is None else None
        return goes_on is not None and goes_on > hours + READ_H

    def _goes_on(self, reading: Reading) -> float | None:
        """Engine hours where the reading is what the device's meter shows after it lost its count;
        None where it is not."""
        lost = self.device.lost(reading.at)
        shows = self.device.value(reading.at) - lost
        if lost <= READ_H or abs(reading.shown_h - shows) > READ_H:
            return None
        if self.last is None:
            return reading.shown_h + lost
        return self.last[1] + self.device.gains.between(self.last[0], reading.at)


def _readings(unit: Unit, records: Iterable[Record]) -> list[Reading]:
    """Of one moment the last record's, but a replacement stands by itself."""
    found: dict[tuple[int, bool], Reading] = {}
    if unit.engine_hours is not None and unit.engine_hours_at is not None:
        at = unit.engine_hours_at
        found[at, False] = Reading(at, unit.engine_hours)
    for record in sorted(records, key=lambda r: (r.at, r.made_at, r.id)):
        if record.kind == "meter_replaced":
            old, new = record.facts.get("old_hours"), record.facts.get("new_hours")
            if old is not None and new is not None:
                found[record.at, True] = Reading(record.at, float(old), float(new))
        elif record.kind in READING_KINDS:
            hours = hours_fact(record)
            if hours is not None:
                found[record.at, False] = Reading(record.at, hours)
    return list(found.values())


def _of_register(unit: Unit, records: Sequence[Record], zone: str, now: int) -> list[Reading]:
    """The hours the register gives for the last service, at noon by the clock of the site.

    A reading of the same day is of a better known moment, and stands for both.
    """
    if unit.last_service is None or unit.last_service_hours is None:
        return []
    try:
        day = date.fromisoformat(unit.last_service[:10])
    except ValueError:
        return []
    if any(local_date(at, zone) == day for at in reading_moments(unit, records)):
        return []
    return [Reading(min(instant(day, time(12), zone), now), unit.last_service_hours)]


def _placed(reading: Reading, device: DeviceMeter) -> Reading:
    """A replacement at the moment the device's own meter fell, where it fell from the old reading."""
    if reading.new_h is None:
        return reading
    fell = [
        e.at
        for e in device.resets
        if e.at <= reading.at and abs(e.before_h - reading.shown_h) <= READ_H
    ]
    return replace(reading, at=fell[-1]) if fell else reading


def _order(reading: Reading) -> tuple[int, bool]:
    """Of one moment the replacement last: what else was read then was read of either meter."""
    return reading.at, reading.new_h is not None

"""The nouns of a day: what it depends on, what it says, what it hands on; and their bytes."""

from __future__ import annotations

from collections.abc import Iterable
from hashlib import sha256

import msgspec

from fleet.calendar import DAY_S
from fleet.model import (
    PHASES_OF,
    Calibration,
    EngineClass,
    Fitting,
    Habit,
    HoursRise,
    MeterEvent,
    Run,
    RunningSignal,
    StartDemand,
    Unit,
)
from scheduler.rules.attempts import CounterCarry, DipCarry
from scheduler.rules.battery import BatteryCarry, BatteryDay
from scheduler.rules.fuel import FuelCarry, Knot
from scheduler.rules.hours import MeterCarry
from scheduler.rules.reporting import Gap, Spot
from scheduler.rules.runs import RunsCarry
from scheduler.rules.signal import SignalCarry
from scheduler.rules.spells import Spell
from scheduler.rules.starting import StartsCarry
from scheduler.rules.supply import Plate, SupplyCarry, SupplyDay

# Days and what is inside them hold no cycles and are kept by the hundred thousand: the nouns with
# gc=False are left out when Python looks for garbage cycles, which took longer than decoding them.

CODE = "8"
"""Raise it when a rule changes what a Day says: every stored Day is then computed again."""


class DayFacts(msgspec.Struct, frozen=True, kw_only=True):
    """What the office knows that a Day depends on. All that concerns the day is in its fingerprint.

    anchors: moments (UTC seconds) at which a person read the engine's own hour meter.
    plate: what volts and hertz are held to (None: they are not looked at). battery_v: nominal [V].
    """

    unit: str
    signal: RunningSignal
    habit: Habit
    nominal_v: float
    engine_class: EngineClass
    cranking_cycle_s: int | None = None
    hour_meter_digits: int | None = None
    fittings: tuple[Fitting, ...] = ()
    calibrations: tuple[Calibration, ...] = ()
    anchors: tuple[int, ...] = ()
    plate: Plate | None = None
    battery_v: float = 12.0


class MainsEdge(msgspec.Struct, frozen=True, kw_only=True):
    """The mains went (`lost`) or came back (`back`) after `earliest` and at or before `latest`."""

    kind: str
    earliest: int
    latest: int


class Halt(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """The set stopped for good: it shut itself down on a fault, or its emergency stop was pushed."""

    at: int
    event: str
    cause: str = ""


class Carry(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Open state handed from one day to the next. Never totals. mains_v: what the mains is nominally
    at where it is read [V]."""

    fitting: str = ""
    last_at: int | None = None
    signal: SignalCarry = SignalCarry()
    runs: RunsCarry = RunsCarry()
    meter: MeterCarry = MeterCarry()
    counter: CounterCarry | None = None
    dip: DipCarry | None = None
    starts: StartsCarry = StartsCarry()
    in_auto: Spell | None = None
    mains: Spell | None = None
    mains_v: float | None = None
    supply: SupplyCarry = SupplyCarry()
    fuel: FuelCarry = FuelCarry()
    battery: BatteryCarry = BatteryCarry()


class Day(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """What one UTC day says about one unit.

    n: seconds with a reading. runs and starts stand on the day on which their end became known;
    hours are rises, cut at people's anchors; `carry` is the open state at the end of the day.
    standing_interval_s and running_interval_s: median time between reports, None with under 3.
    rise_standing_h: hours the meter gained over standing_watched_s seconds in which the
    running signal was seen to be off throughout. fuel: knots (at, smoothed percent of the tank).
    """

    unit: str
    day: int
    n: int = 0
    first_at: int | None = None
    last_at: int | None = None
    runs: tuple[Run, ...] = ()
    starts: tuple[StartDemand, ...] = ()
    hours: tuple[HoursRise, ...] = ()
    meter: tuple[MeterEvent, ...] = ()
    standing_interval_s: float | None = None
    running_interval_s: float | None = None
    rise_standing_h: float = 0.0
    standing_watched_s: int = 0
    spots: dict[str, Spot] = {}
    gaps: tuple[Gap, ...] = ()
    mains: tuple[MainsEdge, ...] = ()
    supply: SupplyDay | None = None
    fuel: tuple[Knot, ...] = ()
    battery: BatteryDay | None = None
    halts: tuple[Halt, ...] = ()
    carry: Carry = Carry()


_ENCODER = msgspec.json.Encoder(order="deterministic")
_DAY = msgspec.json.Decoder(Day)


def encode(day: Day) -> bytes:
    """The Day as bytes: equal days give equal bytes.

    Gives: bytes. Definition.
    """
    return _ENCODER.encode(day)


def decode(data: bytes) -> Day:
    """The Day back. Raises msgspec.ValidationError on bytes that are no Day.

    Gives: the record of these bytes. Definition.
    """
    return _DAY.decode(data)


def carry_key(carry: Carry | None) -> str:
    """A short stable name of an open state, for `DayRow.carry_in`: equal states, equal names.

    Gives: a word. Definition.
    """
    return sha256(_ENCODER.encode(carry)).hexdigest()[:24]


def facts_of(
    unit: Unit,
    habit: Habit,
    fittings: Iterable[Fitting] = (),
    calibrations: Iterable[Calibration] = (),
    anchors: Iterable[int] = (),
) -> DayFacts:
    """The facts a unit's days depend on, in an order of their own (never the caller's).

    anchors: moments of people's own readings of the meter [UTC s].

    Gives: a record. Definition.
    """
    return DayFacts(
        unit=unit.id,
        signal=unit.running,
        habit=habit,
        nominal_v=unit.nominal_v,
        engine_class=unit.engine_class,
        cranking_cycle_s=unit.cranking_cycle_s,
        hour_meter_digits=unit.hour_meter_digits,
        fittings=tuple(sorted(fittings, key=lambda f: (f.from_at or 0, f.id))),
        calibrations=tuple(sorted(calibrations, key=lambda c: (c.from_at, c.channel, c.id))),
        anchors=tuple(sorted(set(anchors))),
        plate=plate_of(unit),
        battery_v=unit.battery_nominal_v,
    )


def plate_of(unit: Unit) -> Plate:
    """What the unit's volts and hertz are held to.

    An engine whose cylinders nobody wrote down counts as small unless it is liquid-cooled.

    Gives: a record in volts [V] and hertz [Hz]. Common practice, no source.
    """
    few = unit.cylinders <= 2 if unit.cylinders is not None else unit.cooling != "liquid"
    return Plate(
        nominal_v=unit.nominal_v,
        nominal_hz=unit.nominal_hz,
        phases=PHASES_OF[unit.system] if unit.system else unit.phases,
        system=unit.system,
        line_v=unit.line_v,
        senses=tuple(sorted(unit.senses.items())),
        bus=bool(unit.bus),
        performance_class=unit.performance_class,
        small=few,
        inverter=unit.inverter,
        idle_down=unit.idle_down,
        rated_kw=unit.rated_kw,
        volts_pct=unit.volts_band_pct,
        hertz_pct=unit.hertz_band_pct,
    )


def fingerprint(facts: DayFacts, day: int, carry: Carry | None) -> str:
    """Stable name of all a Day depends on but its readings and events.

    Of fittings, calibrations and anchors only those that reach into the day count, so a record
    of today does not make last year's days be computed again.

    Gives: a word; day: counted from 1970 [UTC day]. Definition.
    """
    start, end = day * DAY_S, (day + 1) * DAY_S
    fitted = fitted_in(facts, start, end)
    ids = {f.id for f in fitted}
    since = carry.meter.at if carry is not None and carry.meter.at is not None else start
    reaching = msgspec.structs.replace(
        facts,
        habit=msgspec.structs.replace(facts.habit, source="default"),
        fittings=fitted,
        calibrations=tuple(
            c
            for c in facts.calibrations
            if c.fitting in ids and (c.from_at < end or c.hour_format is not None)
        ),
        anchors=tuple(at for at in facts.anchors if since < at < end),
    )
    return sha256(_ENCODER.encode((CODE, day, reaching, carry))).hexdigest()[:32]


def fitted_in(facts: DayFacts, start: int, end: int) -> tuple[Fitting, ...]:
    """Fittings that reach into [start, end), in order of their beginning.

    Gives: records. Definition.
    """
    return tuple(
        f
        for f in facts.fittings
        if (f.from_at is None or f.from_at < end) and (f.to_at is None or f.to_at > start)
    )

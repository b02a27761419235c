"""What the office knows: customers, sites, units, devices, fittings, plans, people's records."""

from __future__ import annotations

import re
from typing import Any, Literal

import msgspec

from fleet.model.telemetry import Habit

ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}")
"""What may be an id, of units, devices, groups, plans, tasks, records and people's own names: safe
in a topic, a path, a file name and an address."""
Cooling = Literal["air", "liquid"]
Fuel = Literal["petrol", "natural_gas", "lpg", "diesel", "dual"]
Criticality = Literal["life", "business", "home"]
Placement = Literal["outdoors", "engine_room", "portable", "unknown"]
Charger = Literal["none", "float", "on_off", "boost", "solar", "unknown"]
Chemistry = Literal["flooded", "agm", "gel", "lfp"]
EngineClass = Literal["air_spark", "air_diesel", "liquid_spark", "liquid_diesel"]
Phases = Literal["1", "split", "3"]
System = Literal["single", "split", "wye", "delta", "high_leg", "corner"]
"""How a set is connected. high_leg: a delta whose one winding has its middle at neutral; corner: a
delta with one line on earth."""
PHASES_OF: dict[System, Phases] = {
    "single": "1",
    "split": "split",
    "wye": "3",
    "delta": "3",
    "high_leg": "3",
    "corner": "3",
}


class Customer(msgspec.Struct, frozen=True, kw_only=True):
    id: str
    name: str
    phone: str = ""


class Site(msgspec.Struct, frozen=True, kw_only=True):
    """A place. `time_zone` is an IANA name; lat and lon are WGS 84 degrees."""

    id: str
    customer: str
    name: str
    time_zone: str
    address: str = ""
    lat: float | None = None
    lon: float | None = None
    contact: str = ""
    phone: str = ""


class SignalChannel(msgspec.Struct, frozen=True):
    """One channel of a running signal: running at or above `on`, standing at or below `off`."""

    channel: str
    on: float
    off: float


class RunningSignal(msgspec.Struct, frozen=True, kw_only=True):
    """What says that the engine turns. Two channels may be combined. Holds in seconds."""

    first: SignalChannel
    second: SignalChannel | None = None
    join: Literal["either", "both"] = "either"
    hold_on_s: int = 0
    hold_off_s: int = 30


class ExerciseBefore(msgspec.Struct, frozen=True, kw_only=True):
    """What was agreed of a set's exercise until a moment (UTC seconds): rule '' = none."""

    until_at: int
    rule: str = ""
    minutes: float | None = None
    load: float | None = None


class Unit(msgspec.Struct, frozen=True, kw_only=True):
    """One generator set, as the register (docs/register.md) describes it."""

    id: str
    site: str
    customer: str
    nominal_v: float
    nominal_hz: float
    running: RunningSignal
    service_plan: str
    device: str = ""
    area: str = ""
    make: str = ""
    model: str = ""
    serial: str = ""
    cooling: Cooling | None = None
    fuel: Fuel | None = None
    cylinders: int | None = None
    idle_down: bool = False
    inverter: bool = False
    rated_kw: float | None = None
    phases: Phases = "1"
    system: System | Literal[""] = ""
    """How it is connected, as declared; "": nobody has said, and its readings are asked."""
    line_v: float | None = None
    """Nominal from line to line of the declared system [V]; None: as nominal_v names it."""
    senses: dict[str, str] = {}
    """What a lead senses where it is not what its channel says (`l2_n`, `bus_l12`, `none`)."""
    bus: str = ""
    """The common bus it may run on beside other sets, by a name of your own; "": it stands alone."""
    performance_class: Literal["", "G1", "G2", "G3", "G4"] = ""
    battery_nominal_v: float = 12.0
    battery_chemistry: Chemistry = "flooded"
    battery_ah: float | None = None
    battery_fitted: str | None = None
    charger: Charger = "unknown"
    habit: Habit | None = None
    engine_hours: float | None = None
    engine_hours_at: int | None = None
    last_service: str | None = None
    last_service_hours: float | None = None
    exercise: str = ""
    exercise_minutes: float | None = None
    exercise_load: float | None = None
    tank_l: float | None = None
    placement: Placement = "unknown"
    criticality: Criticality = "home"
    contact: str = ""
    phone: str = ""
    sim: str = ""
    sim_ends: str | None = None
    data_mb_month: float | None = None
    laid_up_from: str | None = None
    laid_up_to: str | None = None
    technician: str = ""
    cranking_cycle_s: int | None = None
    """Longest time from the first attempt to giving up; None: by engine class."""
    hour_meter_digits: int | None = None
    nfpa_110: bool = False
    """A code requires this set to be exercised after NFPA 110; never assumed."""
    warranty_to: str | None = None
    """Local ISO date until which the maker's warranty asks for work on time."""
    fuel_hours: float | None = None
    """Hours of fuel agreed, at half load; None: usual practice."""
    volts_band_pct: float | None = None
    hertz_band_pct: float | None = None
    """The installer's own limits, percent of nominal each way; None: by class."""
    exercise_before: tuple[ExerciseBefore, ...] = ()
    """What was agreed earlier, oldest first, so that a changed plan judges no week before it."""

    @property
    def engine_class(self) -> EngineClass:
        """Cooling and fuel joined; an unknown cooling counts as air, an unknown fuel as spark."""
        cooling = self.cooling or "air"
        return f"{cooling}_{'diesel' if self.fuel == 'diesel' else 'spark'}"  # type: ignore[return-value]


class Fitting(msgspec.Struct, frozen=True, kw_only=True):
    """Which device spoke for which unit. None ends are open. `to_at` is exclusive."""

    id: str
    device: str
    unit: str
    from_at: int | None = None
    to_at: int | None = None
    by: str = ""


HourFormat = Literal["hours", "hours_minutes", "minutes", "seconds"]
"""How a device writes the hours of its meter: as decimals, as hours and minutes with a point between
(812.45 is 812 h 45 min), or as a count of minutes or of seconds."""


class Calibration(msgspec.Struct, frozen=True, kw_only=True):
    """True value = gain x raw + offset, for one channel of one fitting, from `from_at` on.

    hour_format: of an hour meter, how it writes hours; this one holds for the whole of its fitting.
    """

    id: str
    fitting: str
    channel: str
    gain: float
    offset: float
    from_at: int
    by: str = ""
    instrument: str = ""
    instrument_calibrated: str = ""
    leads: str = ""
    meter: tuple[float, ...] = ()
    raw: tuple[float, ...] = ()
    hour_format: HourFormat | None = None


RecordKind = Literal[
    "fitting",
    "meter_check",
    "hour_meter",
    "meter_replaced",
    "hour_format",
    "task_done",
    "part_changed",
    "refuel",
    "laid_up",
    "out_of_service",
    "visit",
    "note",
    "system",
]


Via = Literal["", "token", "import"]


class Record(msgspec.Struct, frozen=True, kw_only=True):
    """What a person did. Appended; a correction is a new record whose `corrects` names the old.

    by: who did it, bound to who was signed in when it was written. entered_by: who typed it in for
    them, where that was another. via: came by a program's token or by an import of the box's
    operator, whose names nobody vouched for by signing in; named: whom the program named. job: the
    job it was written for. None of these four is part of what the record says.
    """

    id: str
    at: int
    by: str
    unit: str
    kind: RecordKind
    facts: dict[str, Any] = {}
    corrects: str | None = None
    made_at: int = 0
    entered_by: str = ""
    via: Via = ""
    named: str = ""
    job: str = ""


class Kit(msgspec.Struct, frozen=True, kw_only=True):
    """Parts and minutes of a task on sets of one model; an empty make holds for every make.

    minutes None: as the task says.
    """

    task: str
    model: str
    make: str = ""
    parts: dict[str, float] = {}
    minutes: int | None = None


class Task(msgspec.Struct, frozen=True, kw_only=True):
    """One task of a service plan. Intervals: engine hours and calendar months, whichever first."""

    id: str
    name: str
    every_h: float | None = None
    every_months: int | None = None
    first_h: float | None = None
    tolerance: float = 0.10
    """Share of the interval that work may be late before it is late beyond tolerance."""
    tolerance_days: int = 30
    anchor: Literal["floating", "fixed"] = "floating"
    minutes: int = 30
    parts: dict[str, float] = {}
    resets: tuple[str, ...] = ()
    """Other tasks of the plan that this one also does (supersession)."""
    skill: str = ""
    source: str = ""
    severity: float = 1.0
    """Intervals are this many times as long: 0.5 in dust or heat, as the maker's manual says."""
    fuels: tuple[Fuel, ...] = ()
    """Only for sets that burn one of these; empty: for all."""


class ServicePlan(msgspec.Struct, frozen=True, kw_only=True):
    id: str
    name: str
    tasks: tuple[Task, ...]
    source: str = ""
    kits: tuple[Kit, ...] = ()


class Scope(msgspec.Struct, frozen=True):
    """Whose data a reader may see: everything, or the named customers only."""

    customers: frozenset[str] | None = None

    @property
    def everything(self) -> bool:
        return self.customers is None

    def sees(self, customer: str) -> bool:
        return self.customers is None or customer in self.customers

    def holds(self, other: Scope) -> bool:
        """Whether whoever sees this sees all of the other."""
        if self.customers is None:
            return True
        return other.customers is not None and other.customers <= self.customers


EVERYTHING = Scope(None)

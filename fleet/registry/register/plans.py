"""Service plans that ship with the program, one for each engine class.

They are starting points: an installer imports copies under another id, and the maker's manual
always wins. Each interval names its source; most are common practice, no source. Nothing here is
asked for by a code or a warranty of a particular set, and a load test is left to be agreed.
"""

from __future__ import annotations

from fleet.model import EngineClass, ServicePlan, Task

PRACTICE = "common practice, no source"
US_RULE = (
    "40 CFR 63 subpart ZZZZ, tables 2c and 2d, asks for it of emergency engines at the latest "
    "every {limit}; the interval here is common practice, no source"
)

_INSPECTION = Task(
    id="inspection", name="Yearly inspection", every_months=12, minutes=45, source=PRACTICE
)
_BATTERY = Task(
    id="battery_check", name="Battery check", every_months=6, minutes=20, source=PRACTICE
)
_FRESH_FUEL = Task(
    id="fresh_fuel",
    name="Fresh fuel or run dry",
    every_months=6,
    minutes=20,
    fuels=("petrol",),
    source=f"{PRACTICE} (petrol goes stale in 3 to 12 months, by what was added to it)",
)
_COOLANT = Task(
    id="coolant",
    name="Coolant change",
    every_months=36,
    minutes=90,
    parts={"coolant_l": 10.0},
    source=f"{PRACTICE} (24 to 60 months by kind of coolant)",
)
_BELTS = Task(
    id="belts_hoses",
    name="Belts and hoses",
    every_h=500,
    every_months=12,
    minutes=20,
    source="40 CFR 63 subpart ZZZZ, tables 2c and 2d: 500 h or yearly, emergency engines",
)


def _oil(every_h: float, first_h: float, litres: float, minutes: int) -> Task:
    return Task(
        id="oil_filter",
        name="Oil and filter",
        every_h=every_h,
        every_months=12,
        first_h=first_h,
        minutes=minutes,
        parts={"oil_l": litres, "oil_filter": 1.0},
        source=US_RULE.format(limit="500 h or yearly"),
    )


def _air_filter(every_h: float) -> Task:
    return Task(
        id="air_filter",
        name="Air filter",
        every_h=every_h,
        every_months=12,
        minutes=15,
        parts={"air_filter": 1.0},
        source=US_RULE.format(limit="1000 h or yearly"),
    )


def _spark_plugs(every_h: float, pieces: float) -> Task:
    return Task(
        id="spark_plugs",
        name="Spark plugs",
        every_h=every_h,
        every_months=12,
        minutes=20,
        parts={"spark_plug": pieces},
        source=US_RULE.format(limit="1000 h or yearly"),
    )


def _fuel_filter(every_h: float) -> Task:
    return Task(
        id="fuel_filter",
        name="Fuel filter",
        every_h=every_h,
        every_months=12,
        minutes=30,
        parts={"fuel_filter": 1.0},
        source=PRACTICE,
    )


def _valves(every_h: float, first_h: float, minutes: int) -> Task:
    return Task(
        id="valve_clearance",
        name="Valve clearance",
        every_h=every_h,
        first_h=first_h,
        minutes=minutes,
        skill="engine",
        source=PRACTICE,
    )


def _plan(id: EngineClass, name: str, *tasks: Task) -> ServicePlan:
    return ServicePlan(
        id=id,
        name=name,
        tasks=(*tasks, _BATTERY, _INSPECTION),
        source="shipped with Hourhand; the maker's manual wins over it",
    )


SHIPPED: tuple[ServicePlan, ...] = (
    _plan(
        "air_spark",
        "Air-cooled, petrol or gas",
        _oil(100, 20, 1.5, 30),
        _air_filter(100),
        _spark_plugs(200, 2),
        _valves(300, 50, 45),
        _FRESH_FUEL,
    ),
    _plan(
        "air_diesel",
        "Air-cooled, diesel",
        _oil(200, 25, 2.0, 30),
        _air_filter(200),
        _fuel_filter(200),
        _valves(500, 50, 45),
    ),
    _plan(
        "liquid_spark",
        "Liquid-cooled, petrol or gas",
        _oil(200, 50, 6.0, 45),
        _air_filter(500),
        _spark_plugs(500, 4),
        _valves(1000, 100, 120),
        _COOLANT,
        _BELTS,
        _FRESH_FUEL,
    ),
    _plan(
        "liquid_diesel",
        "Liquid-cooled, diesel",
        _oil(250, 50, 12.0, 60),
        _air_filter(500),
        _fuel_filter(500),
        _valves(1000, 100, 120),
        _COOLANT,
        _BELTS,
    ),
)
BY_ID: dict[str, ServicePlan] = {plan.id: plan for plan in SHIPPED}

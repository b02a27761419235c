"""Service, oil in a long run, exercise, fuel, and the mains at the site."""

from __future__ import annotations

import numpy as np

from finding_pairs.pair import Pair
from finding_pairs.worlds import Ran, World, ago, mondays, record, when
from fleet.model import ServicePlan, Task

INF = float("inf")
OIL = ServicePlan(
    id="p",
    name="Yearly",
    tasks=(Task(id="oil_filter", name="Oil and filter", every_h=500, every_months=12),),
)
YEARLY = ServicePlan(
    id="p",
    name="Yearly",
    tasks=(
        *OIL.tasks,
        Task(id="full", name="Full service", every_months=36, resets=("oil_filter",)),
    ),
)
LAST = when("2026-11-23 10:00")
AIR = {"cooling": "air", "cylinders": 2, "fuel": "propane", "exercise": ""}
CODE = {"nfpa_110": True, "battery_fitted": "2025-05-06"}
OCTOBER = tuple(when(f"2026-10-{day}:00") for day in ("05 09", "12 09", "19 09", "26 10"))
NOVEMBER = tuple(when(f"2026-11-{day:02d} 10:00") for day in (2, 9, 16, 23))


def months(minutes: float, load_kw: float) -> tuple[Ran, ...]:
    """Weekly exercises of October and November; the longest of October so long and so loaded."""
    usual = [Ran(start=at, minutes=20, values={"load_kw": 7.0}) for at in (*OCTOBER, *NOVEMBER)]
    usual[2] = Ran(start=OCTOBER[2], minutes=minutes, values={"load_kw": load_kw})
    return tuple(usual)


def late(seconds: int) -> tuple[Ran, ...]:
    return tuple(Ran(start=LAST + seconds - 7 * 86_400 * n) for n in (3, 2, 1, 0))


def ended(minutes: float, **values: float) -> tuple[Ran, ...]:
    """Two healthy exercises, and the newest of another length or load."""
    same = {"values": {"load_kw": 7.0}} if values else {}
    return (*mondays(3, **same)[:2], Ran(start=LAST, minutes=minutes, values=values))


PAIRS: tuple[Pair, ...] = (
    Pair(
        "service_due",
        World(
            caption="Oil and filter once a year: last done 54 weeks ago.",
            plan=OIL,
            records=(record("task_done", ago(days=378), task="oil_filter", hours=405),),
        ),
        World(
            caption="Last done 45 weeks ago: 50 days are left.",
            plan=OIL,
            records=(record("task_done", ago(days=315), task="oil_filter", hours=405),),
        ),
    ),
    Pair(
        "service_due",
        World(
            caption="Oil and filter once a year: last done 14 months ago.",
            plan=YEARLY,
            records=(record("task_done", ago(days=427), task="oil_filter", hours=399),),
        ),
        World(
            caption="Last done 14 months ago, but a full service, which does it too, is on record from "
            "last month.",
            plan=YEARLY,
            records=(
                record("task_done", ago(days=427), task="oil_filter", hours=399),
                record("task_done", ago(days=30), task="full", hours=411),
            ),
        ),
        case="beyond tolerance",
    ),
    Pair(
        "service_due",
        World(
            caption="Oil and filter once a year: last done 337 days ago, four weeks are left.",
            plan=OIL,
            records=(record("task_done", ago(days=337), task="oil_filter", hours=405),),
        ),
        World(
            caption="Last done 331 days ago: five weeks are left.",
            plan=OIL,
            records=(record("task_done", ago(days=331), task="oil_filter", hours=405),),
        ),
        case="soon",
    ),
    Pair(
        "oil_check_in_run",
        World(
            caption="An air-cooled set has carried the house for 9 h; nobody has been there.",
            unit=AIR,
            runs=(Ran(start=ago(hours=9), minutes=INF),),
        ),
        World(
            caption="The same run, and a refuelling on record in its seventh hour: somebody stood "
            "at its dipstick.",
            unit=AIR,
            runs=(Ran(start=ago(hours=9), minutes=INF),),
            records=(record("refuel", ago(minutes=130), litres=40),),
        ),
    ),
    Pair(
        "exercise_missed",
        World(
            caption="Monday's exercise did not come; the device reported all the time.",
            runs=mondays(3)[:2],
        ),
        World(
            caption="It did not come either, but on Saturday an outage ran the set for half an hour.",
            runs=(*mondays(3)[:2], Ran(start=when("2026-11-21 16:00"), minutes=30)),
            standing={"mains_v": lambda d: np.where((d > -2.8339) & (d < -2.8130), 0.0, 233.0)},
        ),
    ),
    Pair(
        "exercise_missed",
        World(
            caption="The last two Mondays' exercises did not come, and nothing else ran.",
            runs=mondays(3)[:1],
        ),
        World(
            caption="They did not come either; both Mondays a technician was at the set.",
            runs=mondays(3)[:1],
            records=(
                record("visit", when("2026-11-16 09:30")),
                record("visit", when("2026-11-23 09:30")),
            ),
        ),
        case="twice",
    ),
    Pair(
        "exercise_short",
        World(caption="Monday's exercise stopped after 15 of 20 min.", runs=ended(15)),
        World(caption="It stopped after 19 of 20 min.", runs=ended(19)),
    ),
    Pair(
        "exercise_short",
        World(
            caption="Ten minutes are agreed; Monday's exercise stopped after six.",
            unit={"exercise_minutes": 10.0},
            runs=ended(6),
        ),
        World(
            caption="It stopped after 8.5 of ten minutes: within two minutes of them.",
            unit={"exercise_minutes": 10.0},
            runs=ended(8.5),
        ),
        case="of ten minutes",
    ),
    Pair(
        "exercise_under_loaded",
        World(
            caption="6 kW are agreed; Monday it carried 3.2 kW over its 20 min.",
            unit={"exercise_load": 30.0},
            runs=ended(20, load_kw=3.2),
        ),
        World(
            caption="6 kW are agreed; Monday it carried 3.5 kW: without 5 min of warming and cooling down that is a quarter less, which is tolerated.",
            unit={"exercise_load": 30.0},
            runs=ended(20, load_kw=3.5),
        ),
    ),
    Pair(
        "exercise_time",
        World(
            caption="It exercises at 11:00 instead of 10:00, four weeks in a row.",
            days=29,
            runs=late(3600),
        ),
        World(
            caption="It exercises at 10:25 instead of 10:00: a clock that drifts.",
            days=29,
            runs=late(1500),
        ),
    ),
    Pair(
        "code_exercise_not_met",
        World(
            caption="A set under NFPA 110; its best run of October lasted 28 min at 35 % of 20 kW.",
            unit=CODE,
            days=57,
            runs=months(28, 7.0),
        ),
        World(
            caption="Its best run of October lasted 31 min at 35 %.",
            unit=CODE,
            days=57,
            runs=months(31, 7.0),
        ),
    ),
    Pair(
        "fuel_low",
        World(
            caption="24 h are agreed; the tank stands at 40 %, which lasts it 23.",
            unit={"fuel_hours": 24.0, "tank_l": 200.0},
            standing={"fuel_pct": 40.0},
        ),
        World(
            caption="The same tank at 40 %, of which 20 h are agreed.",
            unit={"fuel_hours": 20.0, "tank_l": 200.0},
            standing={"fuel_pct": 40.0},
        ),
    ),
    Pair(
        "fuel_low",
        World(
            caption="Its tank stands at 8 %, but it can burn gas too, whose supply nobody sees.",
            unit={"fuel": "dual"},
            standing={"fuel_pct": 8.0},
        ),
        World(
            caption="The tank of the same set stands at 12 %.",
            unit={"fuel": "dual"},
            standing={"fuel_pct": 12.0},
        ),
        case="dual fuel",
    ),
    Pair(
        "mains_lost",
        World(
            caption="Two reports read 110 V of 230 V at the site's own supply.",
            standing={"mains_v": lambda d: np.where(d > -0.0125, 110.0, 233.0)},
        ),
        World(
            caption="Two reports read 120 V: a brown-out, just over half of nominal.",
            standing={"mains_v": lambda d: np.where(d > -0.0125, 120.0, 233.0)},
        ),
    ),
)

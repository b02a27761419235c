"""Three weekly exercises of a set with several circuits, the newest of them changed, for tests."""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np
from one_unit import HABIT, T0, UNIT, inputs

from fleet.findings.supply import SupplyFacts
from fleet.model import (
    Calibration,
    Habit,
    Latest,
    Pulse,
    Record,
    RunningSignal,
    Series,
    SignalChannel,
    Unit,
)
from scheduler.assess import Assessment, assess, day_facts
from scheduler.day import Day, digest

DAY, WEEK = 86_400, 7 * 86_400
CHECKED = Record(
    id="c",
    at=T0 - 20 * DAY,
    by="Bo",
    unit="U",
    kind="meter_check",
    facts={"channel": "ac_v", "meter": [400.0], "raw": [400.0]},
)
WYE = {
    "ac_l1_v": 231.0,
    "ac_l2_v": 231.0,
    "ac_l3_v": 231.0,
    "ac_l12_v": 400.0,
    "ac_l23_v": 400.0,
    "ac_l31_v": 400.0,
}


def unit_of(nominal: float, phases: str, signal: str = "running", **more: Any) -> Unit:
    return msgspec.structs.replace(
        UNIT,
        nominal_v=nominal,
        phases=phases,
        rated_kw=20.0,
        cylinders=4,
        cooling="liquid",
        running=RunningSignal(
            first=SignalChannel(signal, 0.5, 0.5)
            if signal == "running"
            else SignalChannel(signal, 0.7 * nominal, 0.6 * nominal)
        ),
        exercise="DTSTART:20260105T100000\nRRULE:FREQ=WEEKLY;BYDAY=MO",
        exercise_minutes=20.0,
        **more,
    )


def weeks(
    unit: Unit,
    volts: dict[str, float],
    *,
    last: dict[str, float] | None = None,
    healthy: dict[str, float] | None = None,
    each: int = 60,
    begins: float = 0.0,
    habit: Habit = HABIT,
    spread_s: int = 0,
    drop: str = "",
    standing: dict[str, float] | None = None,
) -> Assessment:
    """Three weekly exercises, the newest with `last` circuits changed from `begins` (share of the
    run) on; `each`: seconds between readings in a run; `spread_s`: each channel reported so much
    later than the one before; `drop`: a channel that the newest run does not report; `standing`: volts
    while it stands."""
    monday = T0 - (T0 // DAY - 4) % 7 * DAY
    dues = [monday - WEEK * n + 9 * 3600 for n in (2, 1, 0)]
    end = dues[-1] + 2 * 3600
    at = set(range(dues[0] - 2 * DAY, end + 1, 900))
    for due in dues:
        at |= set(range(due + (7 if each > 900 else 0), due + 1260, each))
    t = np.array(sorted(at), np.int64)
    on = np.zeros(len(t), bool)
    for due in dues:
        on |= (t >= due) & (t < due + 1200)
    late = on & (t >= dues[-1] + begins * 1200)
    series = {
        "mains_v": Series(t, np.full(len(t), 230.0)),
        "in_auto": Series(t, np.ones(len(t))),
        "running": Series(t, on.astype(float)),
        "start_attempts": Series(
            t, np.array([sum(d <= x for d in dues) for x in t.tolist()], float)
        ),
    }
    for k, name in enumerate(volts):
        value = np.where(on, (healthy or volts)[name], (standing or {}).get(name, 0.0))
        value = np.where(late, (last or volts).get(name, volts[name]), value)
        kept = t < dues[-1] if name == drop else np.ones(len(t), bool)
        series[name] = Series(t[kept] + k * spread_s, value[kept])
    newest = max(int(one.t[-1]) for one in series.values())
    pulse = Pulse(
        device="D",
        heard_at=newest,
        newest_at=newest,
        latest={name: Latest(int(one.t[-1]), float(one.v[-1])) for name, one in series.items()},
    )
    known = msgspec.structs.replace(
        inputs(newest, 230.0, unit),
        records=(CHECKED,),
        pulses=(pulse,),
        calibrations=tuple(
            Calibration(id=name, fitting="F", channel=name, gain=1.0, offset=0.0, from_at=1)
            for name in volts
        ),
    )
    facts = day_facts(known, habit)
    days: list[Day] = []
    for day in range(int(t[0]) // DAY, newest // DAY + 1):
        mine = {
            name: Series(one.t[one.t // DAY == day], one.v[one.t // DAY == day])
            for name, one in series.items()
        }
        days.append(digest(facts, day, mine, (), days[-1].carry if days else None))
    return assess(known, days, newest + 60)


def state(seen: Assessment) -> tuple[str, str]:
    assert seen.readiness is not None
    return seen.readiness.state, seen.readiness.why


def kinds(seen: Assessment) -> dict[str, str]:
    return {f.kind: f.severity for f in seen.findings if isinstance(f.facts, SupplyFacts)}

"""The life of one set as its readiness is judged by."""

from __future__ import annotations

import msgspec
import numpy as np
from one_unit import HABIT, T0, UNIT, inputs

from fleet.model import DeviceEvent, Latest, Pulse, Record, Series, Unit
from scheduler.assess import Assessment, assess, day_facts
from scheduler.day import Day, digest

DAY = 86_400


WEEK = 7 * DAY


WEEKLY = msgspec.structs.replace(
    UNIT,
    exercise="DTSTART:20260105T100000\nRRULE:FREQ=WEEKLY;BYDAY=MO",
    exercise_minutes=20.0,
)


CHECKED = Record(
    id="c",
    at=T0 - 20 * DAY,
    by="Bo",
    unit="U",
    kind="meter_check",
    facts={"channel": "ac_v", "meter": [230.0], "raw": [230.0]},
)


def life(
    weeks: int = 3,
    unit: Unit = WEEKLY,
    records: tuple[Record, ...] = (CHECKED,),
    volts: float = 231.0,
    events: tuple[DeviceEvent, ...] = (),
    until: int = 0,
) -> Assessment:
    """Some weeks of a set that exercises on Mondays at 10:00 in Madrid, up to `until` after."""
    monday = T0 - (T0 // DAY - 4) % 7 * DAY  # day 4 of 1970 was a Monday
    dues = [monday - WEEK * n + 9 * 3600 for n in range(weeks)][::-1]
    end = dues[-1] + 2 * 3600 + until
    at = set(range(dues[0] - 2 * DAY, end + 1, 900))
    for due in dues:
        at |= set(range(due, due + 1260, 60))
    t = np.array(sorted(at), np.int64)
    on = np.zeros(len(t), bool)
    for due in dues:
        on |= (t >= due) & (t < due + 1200)
    series = {
        "ac_v": Series(t, np.where(on, volts, 0.0)),
        "mains_v": Series(t, np.full(len(t), 230.0)),
        "in_auto": Series(t, np.ones(len(t))),
        "running": Series(t, on.astype(float)),
        "start_attempts": Series(
            t, np.array([sum(d <= x for d in dues) for x in t.tolist()], float)
        ),
    }
    pulse = Pulse(
        device="D",
        heard_at=int(t[-1]),
        newest_at=int(t[-1]),
        latest={name: Latest(int(t[-1]), float(one.v[-1])) for name, one in series.items()},
    )
    known = msgspec.structs.replace(
        inputs(int(t[-1]), 230.0, unit), records=records, pulses=(pulse,)
    )
    facts = day_facts(known, HABIT)
    days: list[Day] = []
    for day in range(int(t[0]) // DAY, int(t[-1]) // DAY + 1):
        inside = t // DAY == day
        mine = {name: Series(one.t[inside], one.v[inside]) for name, one in series.items()}
        told = [e for e in events if e.at // DAY == day]
        days.append(digest(facts, day, mine, told, days[-1].carry if days else None))
    return assess(known, days, int(t[-1]) + 60)

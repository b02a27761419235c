"""Planted batteries: standing volts by the kind of charger, 12 V, one reading each 10 min."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray
from one_unit import T0, UNIT, inputs

from fleet.model import Calibration, DeviceEvent, Latest, Pulse, Record, Series, Unit
from fleet.registry.facts.rows import UnitInputs
from scheduler.assess import Assessment, assess, day_facts
from scheduler.day import Day, digest
from scheduler.rules import battery

DAY_S, STEP = 86_400, 600
Floats = NDArray[np.float64]
Volts = Callable[[Floats], Floats]
"""Days since the beginning -> volts of a 12 V battery."""


def floating(d: Floats) -> Floats:
    """A float charger without a pause, warmer by day."""
    return 13.6 - 0.1 * np.sin(2 * np.pi * d)


def on_off(d: Floats) -> Floats:
    """Two hours up to 13.9 V, then 26 h down to 12.75 V."""
    phase = (d * 24) % 28
    return np.where(phase < 2, 12.8 + 0.55 * phase, 12.75 + 1.1 * np.exp(-(phase - 2) / 1.5))


def boosting(d: Floats) -> Floats:
    """13.35 V, six hours of 14.3 V once a week."""
    return np.where((d % 7) < 0.25, 14.3, 13.35)


def sunny(d: Floats) -> Floats:
    """A panel: up to 13.6 V around noon, 12.7 V at night."""
    return 12.7 + 0.9 * np.clip(np.cos(2 * np.pi * (d - 0.48)), 0, None)


def sagging(per_day: float, full: float = 12.65) -> Volts:
    return lambda d: full - per_day * d


def then(first: Volts, day: float, second: Volts) -> Volts:
    """The one until a day, the other from there on (its own days from 0)."""
    return lambda d: np.where(d < day, first(d), second(np.maximum(d - day, 0.0)))


def lost(d: Floats) -> Floats:
    """A lost charger: from 13.6 V to rest within hours, then a slow sag."""
    return 12.6 - 0.02 * d + 1.0 * np.exp(-d * 24 / 2.0)


RUN = (10 * 3600, 10 * 3600 + 1200)
"""Second of the day a 20 min run begins and ends."""


class Planted(msgspec.Struct, frozen=True, kw_only=True):
    """What happens to one set. runs: days it runs on; crank: volts of the start on such a day."""

    volts: Volts
    days: int = 40
    runs: Sequence[int] = ()
    crank: dict[int, float] = {}
    air_c: Volts | None = None
    mains_v: float = 231.0
    wired: bool = True
    noise: float = 0.01
    scale: float = 1.0
    running_v: float = 14.2
    failed: Sequence[int] = ()
    step_s: int = STEP


def run_days(planted: Planted, unit: Unit = UNIT, given: UnitInputs | None = None) -> list[Day]:
    """The digested days of a planted set."""
    facts = day_facts(given or inputs(T0, 231.0, unit), unit.habit)  # type: ignore[arg-type]
    out: list[Day] = []
    carry = None
    for n in range(planted.days):
        series, events = one_day(planted, n)
        out.append(digest(facts, T0 // DAY_S + n, series, events, carry))
        carry = out[-1].carry
    return out


def one_day(planted: Planted, n: int) -> tuple[dict[str, Series], list[DeviceEvent]]:
    t = T0 + n * DAY_S + np.arange(0, DAY_S, planted.step_s)
    a, b = RUN
    if n in planted.runs:
        t = np.union1d(t, T0 + n * DAY_S + np.arange(a, b + 61, 60))
    t = t.astype(np.int64)
    d = (t - T0) / DAY_S
    rng = np.random.default_rng(n)
    v = planted.volts(d)
    second = t - T0 - n * DAY_S
    on = (second >= a) & (second < b) if n in planted.runs else np.zeros(len(t), np.bool_)
    after = (second >= b) & (n in planted.runs)
    v = np.where(after, v + 0.5 * np.exp(-(second - b) / 1800.0), v)
    v = np.where(on, planted.running_v, v)
    v = (v + rng.normal(0, planted.noise, len(t))) * planted.scale
    series = {
        "battery_v": Series(t, np.round(v, 2)),
        "ac_v": Series(t, np.where(on, 231.0, 0.0)),
    }
    if planted.wired:
        series["mains_v"] = Series(t, np.full(len(t), planted.mains_v))
    if planted.air_c is not None:
        series["ambient_temp_c"] = Series(t, planted.air_c(d))
    events = []
    if n in planted.crank:
        at = T0 + n * DAY_S + a - 3
        low = planted.crank[n] * planted.scale
        events.append(DeviceEvent(device="D", at=at, event="crank", values={"crank_min_v": low}))
        series["crank_min_v"] = Series(np.array([at], np.int64), np.array([low]))
        if n in planted.failed:
            events.append(DeviceEvent(device="D", at=at + 90, event="failed_to_start"))
    return series, events


METER = Calibration(
    id="C",
    fitting="F",
    channel="battery_v",
    gain=1.0,
    offset=0.0,
    from_at=T0 - DAY_S,
    meter=(12.6,),
    raw=(12.6,),
)


def verdict(
    planted: Planted,
    unit: Unit = UNIT,
    *,
    records: Sequence[Record] = (),
    calibrations: Sequence[Calibration] = (METER,),
) -> Assessment:
    """The verdict at the end of the last day."""
    now = T0 + planted.days * DAY_S
    known = msgspec.structs.replace(
        inputs(now - 60, 231.0, unit), records=tuple(records), calibrations=tuple(calibrations)
    )
    days = run_days(planted, unit, known)
    last = {name: Latest(spot.last_at, spot.last) for name, spot in days[-1].spots.items()}
    pulse = Pulse(device="D", heard_at=now - 60, newest_at=now - 60, latest=last)
    return assess(msgspec.structs.replace(known, pulses=(pulse,)), days, now)


def kinds(found: Assessment) -> dict[str, str]:
    """Kind -> severity of what was found of the battery."""
    mine = (
        "battery_weak",
        "battery_failed_cell",
        "charger_fault",
        "over_charge",
        "battery_runs_down",
        "battery_old",
    )
    return {f.kind: f.severity for f in found.findings if f.kind in mine}


def points(volts: Volts, days: int = 28, noise: float = 0.01) -> list[battery.DayVolts]:
    """What the days of a standing set come to, for the rule that learns the charger."""
    unit: Any = UNIT
    found = []
    for day in run_days(Planted(volts=volts, days=days, noise=noise), unit):
        one = day.battery
        assert one is not None
        assert one.low_v is not None
        assert one.mid_v is not None
        assert one.high_v is not None
        assert one.high_at is not None
        found.append(
            battery.DayVolts(
                day=day.day,
                low_v=one.low_v,
                mid_v=one.mid_v,
                high_v=one.high_v,
                high_s=one.high_at % DAY_S,
                lifted=one.lifted,
            )
        )
    return found

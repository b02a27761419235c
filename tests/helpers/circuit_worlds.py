"""Sets of every system the trade meets, followed through some weekly runs, for tests of circuits."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import msgspec
import numpy as np
from alternators import LEGS, PAIRS, Cadence, Fault, Made, corner, high_leg, readings, run, wye
from one_unit import T0, UNIT, inputs

from fleet.model import (
    Calibration,
    Fitting,
    Latest,
    Pulse,
    Record,
    RunningSignal,
    Series,
    SignalChannel,
    System,
    Unit,
)
from fleet.registry.facts.rows import UnitInputs
from scheduler.assess import Assessment, assess, day_facts
from scheduler.day import Day, digest

DAY, WEEK = 86_400, 7 * 86_400
ALL = (*LEGS, *PAIRS, "ac_v")
BY_LEGS, BY_LINES, WITH_OUTPUT = LEGS, (*PAIRS, "ac_v"), ("ac_v", *LEGS)
MINUTES = 20
FIRST = T0 - (T0 // DAY - 4) % 7 * DAY - 12 * WEEK + 9 * 3600


def _wyes() -> list[Made]:
    pairs = [
        (120, 208),
        (127, 220),
        (139, 240),
        (220, 380),
        (230, 400),
        (240, 415),
        (277, 480),
        (347, 600),
        (400, 690),
        (63.5, 110),
        (110, 190),
        (115, 200),
    ]
    named = {
        (120, 208): (208, 120),
        (127, 220): (220, 127),
        (139, 240): (240,),
        (220, 380): (220, 380),
        (230, 400): (400, 230),
        (240, 415): (415, 240),
        (277, 480): (480, 277),
        (347, 600): (600, 347),
        (400, 690): (690,),
        (63.5, 110): (110,),
        (110, 190): (110,),
        (115, 200): (200,),
    }
    return [
        Made(f"{a:g}/{b} as {n} {word}", "3", float(n), wye(b / 3**0.5), sent)
        for a, b in pairs
        for n in named[a, b]
        for word, sent in (("all", ALL), ("legs", BY_LEGS), ("output", WITH_OUTPUT))
    ]


def _splits() -> list[Made]:
    legs = (
        (120, 240),
        (120, 120),
        (100, 200),
        (100, 100),
        (55, 110),
        (110, 110),
        (110, 220),
        (230, 460),
    )
    return [
        Made(f"split {leg} as {n} {word}", "split", float(n), (complex(leg), complex(-leg)), sent)
        for leg, n in legs
        for word, sent in (("legs", LEGS[:2]), ("all", ("ac_v", *LEGS[:2], "ac_l12_v")))
    ]


MADES: tuple[Made, ...] = (
    *_wyes(),
    *_splits(),
    *(
        Made(f"high leg L{k + 1} of {line} {word}", "3", float(line), high_leg(line, k), sent)
        for line in (240, 480)
        for k in range(3)
        for word, sent in (("all", ALL), ("legs", BY_LEGS))
    ),
    *(
        Made(f"corner L{k + 1} of {line} {word}", "3", float(line), corner(line, k), sent)
        for line in (480, 600)
        for k in range(3)
        for word, sent in (("all", ALL), ("legs", BY_LEGS))
    ),
    *(
        Made(f"delta of {line}", "3", float(line), wye(line / 3**0.5), BY_LINES)
        for line in (240, 400, 480, 690)
    ),
    Made("inverter split", "split", 240.0, (120 + 0j, -120 + 0j), LEGS[:2], inverter=True),
    Made("inverter wye", "3", 400.0, wye(230.9), ALL, inverter=True),
    Made("idles down", "3", 400.0, wye(230.9), ALL, idle_down=True),
    Made("idles down, split", "split", 240.0, (120 + 0j, -120 + 0j), LEGS[:2], idle_down=True),
)
WAYS = (
    Cadence("each minute"),
    Cadence("each 10 s", each=10),
    Cadence("each 5 min", each=300),
    Cadence("each 15 min", each=900),
    Cadence("spread", spread=7),
    Cadence("spread wide", spread=20),
    Cadence("values missing", null=0.15),
    Cadence("sleeping", each=300, idle=3600),
    Cadence("on change", each=10, step=2.0),
)


def declared_of(made: Made) -> dict[str, Any]:
    """How a set is connected, as its register would say: fields of a Unit."""
    line = abs(made.emf[0] - made.emf[1])
    to_neutral = sorted(abs(e) for e in made.emf)
    system: System = "wye"
    if len(made.emf) == 2:
        system = "split"
    elif to_neutral[0] < 1.0:
        system = "corner"
    elif to_neutral[2] > 1.5 * to_neutral[0]:
        system = "high_leg"
    elif not set(made.sent) & set(LEGS):
        system = "delta"
    return {"system": system, "line_v": round(line, 1)}


def unit_of(made: Made, signal: str = "running", **more: Any) -> Unit:
    at = {"running": (0.5, 0.5), "charge_v": (13.2, 12.9), "frequency_hz": (30.0, 20.0)}
    on, off = at.get(signal) or (0.7 * made.circuits()[signal], 0.6 * made.circuits()[signal])
    return msgspec.structs.replace(
        UNIT,
        nominal_v=made.nominal,
        phases=made.phases,
        rated_kw=20.0,
        cylinders=4,
        cooling="liquid",
        inverter=made.inverter,
        idle_down=made.idle_down,
        running=RunningSignal(first=SignalChannel(signal, on, off)),
        exercise="DTSTART:20260105T100000\nRRULE:FREQ=WEEKLY;BYDAY=MO",
        exercise_minutes=float(MINUTES),
        **more,
    )


class World:
    """A set that runs every Monday; `week` by `week` it is digested, `look` assesses it."""

    def __init__(
        self,
        seed: int,
        made: Made,
        way: Cadence,
        *,
        signal: str = "running",
        phases: str = "",
        checked: bool = True,
        hour: float = 0.0,
        declared: bool = False,
    ) -> None:
        self.rng = np.random.default_rng(seed)
        self.made, self.way, self.signal = made, way, signal
        self.unit = unit_of(made, signal, **(declared_of(made) if declared else {}))
        if phases:
            self.unit = msgspec.structs.replace(self.unit, phases=phases)
        self.at = FIRST + int(hour * 3600)
        self.first = self.at
        self.checked = checked
        self.records: tuple[Record, ...] = ()
        self.days: list[Day] = []
        self.latest: dict[str, Latest] = {}
        self.cranks = 0
        self.gains: dict[str, float] = {}
        self.fitted: tuple[Fitting, ...] = (Fitting(id="F", device="D", unit="U"),)

    def week(
        self,
        fault: Fault | None = None,
        *,
        minutes: int = MINUTES,
        drop: Sequence[str] = (),
        vanish: tuple[str, int] | None = None,
    ) -> None:
        """One run more. drop: circuits that its device does not send; vanish: one that it sends no
        more from so many seconds after the start on."""
        start = self.at
        volts = run(self.rng, self.made, minutes * 60, fault)
        t, on, sent = readings(self.rng, self.way, [(start, volts)])
        self.cranks += 1
        value = on.astype(float)
        counted = np.where(t >= start, self.cranks, self.cranks - 1).astype(float)
        series = {
            "in_auto": Series(t, np.ones(len(t))),
            "mains_v": Series(t, np.full(len(t), 230.0)),
            "start_attempts": Series(t, counted),
        }
        if self.signal == "charge_v":
            series["charge_v"] = Series(t, np.where(on, 13.9, 12.6))
        elif self.signal == "frequency_hz":
            series["frequency_hz"] = Series(t, 50.0 * value)
        elif self.signal == "running":
            series["running"] = Series(t, value)
        series |= {
            n: Series(s.t, s.v * self.gains.get(n, 1.0)) for n, s in sent.items() if n not in drop
        }
        if vanish is not None:
            one = series[vanish[0]]
            kept = one.t < start + vanish[1]
            series[vanish[0]] = Series(one.t[kept], one.v[kept])
        self.take(series)
        self.at += WEEK

    def refit(self) -> None:
        """Another device speaks for the set from a day before its next run on."""
        at = self.at - DAY
        old = msgspec.structs.replace(self.fitted[-1], to_at=at)
        new = Fitting(id="F2", device="D", unit="U", from_at=at)
        self.fitted = (*self.fitted[:-1], old, new)

    def take(self, series: dict[str, Series]) -> None:
        known, facts = self.known(), day_facts(self.known(), self.way.habit)
        assert known is not None
        first = min(int(s.t[0]) for s in series.values() if len(s)) // DAY
        last = max(int(s.t[-1]) for s in series.values() if len(s)) // DAY
        for day in range(first, last + 1):
            mine = {
                n: Series(s.t[s.t // DAY == day], s.v[s.t // DAY == day]) for n, s in series.items()
            }
            before = self.days[-1].carry if self.days else None
            self.days.append(digest(facts, day, mine, (), before))
        for name, one in series.items():
            if len(one):
                self.latest[name] = Latest(int(one.t[-1]), float(one.v[-1]))

    def known(self) -> UnitInputs:
        newest = max((one.at for one in self.latest.values()), default=self.at)
        pulse = Pulse(device="D", heard_at=newest, newest_at=newest, latest=self.latest)
        check = Record(
            id="c",
            at=FIRST - 20 * DAY,
            by="Bo",
            unit="U",
            kind="meter_check",
            facts={"channel": "ac_l1_v"},
        )
        return msgspec.structs.replace(
            inputs(newest, 230.0, self.unit),
            pulses=(pulse,),
            records=((check,) if self.checked else ()) + self.records,
            fittings=self.fitted,
            calibrations=tuple(
                Calibration(
                    id=f"{n} {f.id}",
                    fitting=f.id,
                    channel=n,
                    gain=1.0,
                    offset=0.0,
                    from_at=f.from_at or 1,
                )
                for n in self.made.sent
                for f in self.fitted
            )
            if self.checked
            else (),
        )

    def look(self, after_s: int = 60) -> Assessment:
        known = self.known()
        newest = known.pulses[0].newest_at
        assert newest is not None
        return assess(known, self.days, newest + after_s)

    def state(self) -> tuple[str, str]:
        seen = self.look().readiness
        assert seen is not None
        return seen.state, seen.why

    def kinds(self) -> dict[str, str]:
        return {f.kind: f.severity for f in self.look().findings if f.kind in DANGERS}


DANGERS = frozenset({"leg_out", "open_neutral", "over_voltage", "no_output"})

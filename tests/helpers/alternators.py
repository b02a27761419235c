"""Alternators, their loads and their devices, for tests: volts second by second, and what is sent.

A set is EMFs behind an impedance under a regulator that holds one phase or the average. Single-phase
loads lie unevenly on its legs; motors that start pull the volts down for seconds. Faults open a
winding, a sense lead or the neutral, or drive the excitation up.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from fleet.model import Habit, Series

Floats = NDArray[np.float64]
LEGS = ("ac_l1_v", "ac_l2_v", "ac_l3_v")
PAIRS = {"ac_l12_v": (0, 1), "ac_l23_v": (1, 2), "ac_l31_v": (2, 0)}
TURN = np.exp(-2j * np.pi / 3)


def wye(volts: float) -> tuple[complex, ...]:
    return tuple(complex(volts * TURN**k) for k in range(3))


def high_leg(line: float, high: int) -> tuple[complex, ...]:
    """A delta whose winding between the two other lines has its middle at neutral."""
    corners = {high: 1j * line * 3**0.5 / 2, (high + 1) % 3: line / 2, (high + 2) % 3: -line / 2}
    return tuple(complex(corners[k]) for k in range(3))


def corner(line: float, grounded: int) -> tuple[complex, ...]:
    """A delta with one line on earth, measured to earth."""
    return tuple(complex(v - wye(line / 3**0.5)[grounded]) for v in wye(line / 3**0.5))


@dataclass(frozen=True)
class Made:
    """A kind of set. emf: of each line to neutral [V]; sent: the circuits its device measures."""

    name: str
    phases: str
    nominal: float
    emf: tuple[complex, ...]
    sent: tuple[str, ...]
    inverter: bool = False
    idle_down: bool = False

    @property
    def output(self) -> str:
        """The circuit that its nominal names, which `ac_v` is read on."""
        far = {n: abs(abs(e) - self.nominal) for n, e in zip(LEGS, self.emf, strict=False)}
        far |= {
            n: abs(abs(self.emf[a] - self.emf[b]) - self.nominal)
            for n, (a, b) in PAIRS.items()
            if max(a, b) < len(self.emf)
        }
        return min(far, key=lambda name: far[name])

    def circuits(self) -> dict[str, float]:
        """Every circuit at no load [V]."""
        return {n: float(v[0]) for n, v in circuits(np.array(self.emf)[:, None], self).items()}


def circuits(v: NDArray[np.complex128], made: Made) -> dict[str, Floats]:
    """Each sent circuit of line voltages to neutral (a row a line)."""
    found: dict[str, Floats] = {n: np.abs(v[k]) for k, n in enumerate(LEGS[: len(v)])}
    found |= {n: np.abs(v[a] - v[b]) for n, (a, b) in PAIRS.items() if max(a, b) < len(v)}
    found["ac_v"] = found[made.output]
    return {n: found[n] for n in made.sent}


@dataclass(frozen=True)
class Fault:
    """What breaks, from `begins` to `ends` [s after the start]. kind: winding, lead, neutral, wild.

    every: seconds of an intermittent fault's period, half of which it is there; 0: always.
    """

    kind: str
    where: int | str = 0
    size: float = 0.0
    begins: float = 0.0
    ends: float = 1e9
    every: int = 0

    def there(self, s: Floats) -> NDArray[np.bool_]:
        on = (s >= self.begins) & (s < self.ends)
        return on & ((s % self.every) < self.every / 2) if self.every else on


def loads(rng: np.random.Generator, made: Made, n: int) -> NDArray[np.float64]:
    """Load of each line, in shares of its rating, in steps as people switch: uneven."""
    base = rng.uniform(0.1, 0.9, len(made.emf))
    base *= min(1.0, 0.8 / base.mean())
    steps = np.cumsum(rng.normal(0, 0.08, (len(base), n)) * (rng.random((len(base), n)) < 0.01), 1)
    return np.clip(base[:, None] + steps, 0.0, 1.1)


def dips(rng: np.random.Generator, n: int, rate_s: float = 240.0) -> Floats:
    """Volts left while motors start, 10 to 30 % fewer for some seconds; and now and then up to 20 %
    more, for a second or two, where a large load is let go (ISO 8528-5, Table 4, transients)."""
    left = np.ones(n)
    for at in np.flatnonzero(rng.random(n) < 1 / rate_s).tolist():
        length = int(rng.integers(2, 7))
        depth = rng.uniform(0.1, 0.3)
        t = np.arange(min(3 * length, n - at))
        left[at : at + len(t)] *= 1 - depth * np.exp(-t / length)
    for at in np.flatnonzero(rng.random(n) < 1 / 3600.0).tolist():
        t = np.arange(min(8, n - at))
        left[at : at + len(t)] *= 1 + rng.uniform(0.05, 0.2) * np.exp(-t / 2)
    return left


def run(
    rng: np.random.Generator, made: Made, seconds: int, fault: Fault | None
) -> dict[str, Floats]:
    """Volts of every sent circuit at each second of a run, from cranked to stopped."""
    s = np.arange(seconds, dtype=np.float64)
    emf = np.array(made.emf)[:, None] * np.ones(seconds)
    broken = np.zeros(seconds, bool) if fault is None else fault.there(s)
    load = loads(rng, made, seconds)
    z = 0.0 if made.inverter else rng.uniform(0.02, 0.06) + 1j * rng.uniform(0.03, 0.10)
    fall = 1 - z * load * np.exp(-1j * 0.5)
    sensed = int(rng.integers(0, len(emf) + 1))
    seen = np.abs(fall[sensed]) if sensed < len(emf) else np.abs(fall).mean(0)
    level = (1 + rng.uniform(-0.01, 0.01)) * (1 - 0.01 * load.mean(0)) / seen
    if not made.inverter:
        level = level * dips(rng, seconds)
    if made.idle_down:
        level = level * np.where(load.mean(0) < 0.3, 0.6, 1.0)
    v = emf * level * fall
    if fault is not None and fault.kind == "wild":
        v = np.where(broken, v * (1 + fault.size), v)
    if fault is not None and fault.kind == "winding":
        v[int(fault.where)] *= np.where(broken, fault.size, 1.0)
    if fault is not None and fault.kind == "neutral":
        apart = np.array([0.08, 0.5, 0.9])[: len(emf)][:, None] + 0 * load
        star = (v * apart).sum(0) / apart.sum(0)
        v = np.where(broken, v - star, v)
    found = circuits(v, made)
    rising = np.clip(s / 4, 0, 1)
    noise = {n: ar1(rng, seconds) for n in found}
    found = {n: x * rising * noise[n] for n, x in found.items()}
    if fault is not None and fault.kind in ("lead", "leg"):
        name = str(fault.where)
        found[name] = np.where(broken, found[name] * fault.size + rng.uniform(0, 4), found[name])
    return found


def ar1(rng: np.random.Generator, n: int, sigma: float = 0.003, keep: float = 0.8) -> Floats:
    white = rng.normal(0, sigma * (1 - keep**2) ** 0.5, n)
    found: Floats = 1 + lfilter([1.0], [1.0, -keep], white)
    return found


@dataclass(frozen=True)
class Cadence:
    """How a device reports. each, idle: seconds between its reports in a run and at rest.

    spread: seconds from one circuit's message to the next; null: share of values left out;
    step: it sends a circuit only when it moved by so many volts (0: always).
    """

    name: str
    each: int = 60
    idle: int = 900
    spread: int = 0
    null: float = 0.0
    step: float = 0.0

    @property
    def habit(self) -> Habit:
        if self.step:
            return Habit(
                mode="on_change",
                standing_s=900,
                running_s=self.each,
                heartbeat_s=7200,
                source="register",
            )
        mode = "sleeping" if self.name == "sleeping" else "steady"
        return Habit(mode=mode, standing_s=self.idle, running_s=self.each, source="register")  # type: ignore[arg-type]


def readings(
    rng: np.random.Generator,
    way: Cadence,
    runs: list[tuple[int, dict[str, Floats]]],
    around: int = 3600,
) -> tuple[NDArray[np.int64], NDArray[np.bool_], dict[str, Series]]:
    """(times, running, series of every circuit) of runs that begin at given seconds.

    around: seconds before and after each run in which its device is heard at rest."""
    times: set[int] = set()
    for start, volts in runs:
        n = len(next(iter(volts.values())))
        phase = int(rng.integers(0, way.idle))
        times |= set(range(start - around + phase % 60, start, way.idle))
        first = start + (int(rng.integers(1, min(way.each, 55))) if way.each < 900 else phase)
        times |= set(range(first, start + n, way.each))
        times |= set(range(start + n + 5, start + n + around, way.idle))
    t = np.array(sorted(times), np.int64)
    on = np.zeros(len(t), bool)
    series = {}
    names = list(runs[0][1])
    gains = {n: 1 + rng.uniform(-0.005, 0.005) for n in names}
    for k, name in enumerate(names):
        at = t + k * way.spread
        value = np.zeros(len(t))
        for start, volts in runs:
            one = volts[name]
            mine = (at >= start) & (at < start + len(one))
            value[mine] = one[at[mine] - start] * gains[name]
            on |= (t >= start) & (t < start + len(one))
        value = np.round(value, 1)
        keep = rng.random(len(t)) >= way.null
        if way.step:
            keep &= _moved(value, way.step)
        series[name] = Series(at[keep], value[keep])
    return t, on, series


def _moved(value: Floats, step: float) -> NDArray[np.bool_]:
    kept = np.zeros(len(value), bool)
    last = -1e9
    for k, v in enumerate(value.tolist()):
        if abs(v - last) >= step:
            kept[k], last = True, v
    return kept

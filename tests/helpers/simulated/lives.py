"""What truly happens: weather that crosses areas, mains that fail, engines that start or do not.

Physics of its own: an engine is a sequence of spells drawn from what the weather and people do, its
volts a droop with the load, its battery a relaxation; a start takes one to three attempts. Nothing of
this is known to whoever listens.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Literal

DAY_S = 86_400
Spell = tuple[int, int]
Router = Literal["mains", "behind_set", "ups", "own_power"]
ClockKind = Literal["good", "none", "ahead", "behind", "drifts", "resets"]
FIRST = 1_700_006_400
"""A Wednesday, 00:00 UTC."""


@dataclass(frozen=True)
class Manner:
    """How a set's device measures and sends. cadences [s]; batch: so many readings in a message."""

    standing_s: int
    running_s: int
    on_change: bool
    batch: int
    keeps: bool
    router: Router
    boot_s: int
    clock: ClockKind
    senses_mains: bool
    tells_events: bool
    has_will: bool
    jitter_s: float


@dataclass(frozen=True)
class Failure:
    """A demand that ended in no run: from when, until somebody or the mains ended it."""

    at: int
    until: int


@dataclass
class Life:
    """One set. runs: (start, end) of the engine; mains_off: of its site; cut: its link is down."""

    unit: str
    site: str
    area: str
    manner: Manner
    automatic: bool
    declared: bool
    nominal_v: float
    mains_off: list[Spell] = field(default_factory=list)
    runs: list[Spell] = field(default_factory=list)
    cranks: list[Spell] = field(default_factory=list)
    failures: list[Failure] = field(default_factory=list)
    cut: list[Spell] = field(default_factory=list)

    def uncovered(self, at: int) -> bool:
        """Whether the site truly is without any power at a moment."""
        return inside(self.mains_off, at) and not inside(self.runs, at)

    def without(self, at: int) -> bool:
        """The same after two minutes, in which any set may still be starting."""
        return self.uncovered(at) and inside(self.mains_off, at - 120)


@dataclass(frozen=True)
class World:
    """Lives over [begin, end) seconds UTC, of one seed. fronts: when weather took mains of an area."""

    seed: int
    begin: int
    end: int
    lives: tuple[Life, ...]
    fronts: tuple[tuple[str, int, int], ...]

    @property
    def unit_days(self) -> float:
        return len(self.lives) * (self.end - self.begin) / DAY_S


def inside(spells: list[Spell], at: int) -> bool:
    """Whether a moment lies in one of the spells."""
    return any(a <= at < b for a, b in spells)


def world(
    seed: int, units: int = 24, days: float = 14, areas: int = 3, front_every_d: float = 4.5
) -> World:
    """A world of its own for each seed. front_every_d: mean days between fronts over an area."""
    rnd = random.Random(f"front-{seed}")
    begin = FIRST + DAY_S * 7 * (seed % 50)
    end = begin + round(days * DAY_S)
    lives = [_settled(rnd, n, areas, seed) for n in range(units)]
    fronts: list[tuple[str, int, int]] = []
    for area in sorted({life.area for life in lives}):
        calm_s = min(DAY_S, end - begin) // 4
        for at in _poisson(rnd, begin + calm_s, end - calm_s, 1 / (front_every_d * DAY_S)):
            fronts.append(_front(rnd, [one for one in lives if one.area == area], at, area))
    for life in lives:
        for at in _poisson(rnd, begin, end, 1 / (25 * DAY_S)):  # the site's own main switch
            life.mains_off.append((at, at + round(rnd.lognormvariate(7.2, 1.0))))
        life.mains_off = _joined(life.mains_off, begin, end)
        _engine(rnd, life, begin, end)
        _links(rnd, life, begin, end)
    return World(seed, begin, end, tuple(lives), tuple(fronts))


def _settled(rnd: random.Random, n: int, areas: int, seed: int) -> Life:
    standing = rnd.choice((60, 300, 300, 600, 600, 900, 900, 900, 900, 1800, 1800, 3600, 3600))
    running = rnd.choice((standing, 60, 60, min(standing, 300)))
    manner = Manner(
        standing_s=standing,
        running_s=min(running, standing),
        on_change=rnd.random() < 0.5,
        batch=rnd.choice((1, 1, 1, 1, 4, 10)) if standing <= 900 else 1,
        keeps=rnd.random() < 0.6,
        router=rnd.choice(("mains", "behind_set", "behind_set", "ups", "own_power")),
        boot_s=rnd.randrange(40, 240),
        clock=rnd.choice(("good",) * 7 + ("none", "ahead", "behind", "drifts", "resets")),
        senses_mains=rnd.random() < 0.75,
        tells_events=rnd.random() < 0.4,
        has_will=rnd.random() < 0.4,
        jitter_s=rnd.choice((0.5, 2.0, 8.0, 25.0)),
    )
    area = f"valley-{n % areas + 1}"
    return Life(
        unit=f"s{seed}-{n}",
        site=f"Yard {seed}-{n if rnd.random() < 0.9 else max(0, n - areas)}",
        area=area,
        manner=manner,
        automatic=rnd.random() < 0.88,
        declared=rnd.random() < 0.4,
        nominal_v=230.0,
    )


def _front(rnd: random.Random, there: list[Life], at: int, area: str) -> tuple[str, int, int]:
    """Mains of most sites go as the weather passes, come back as crews get round; some flicker first."""
    last = at
    passing_s = rnd.randrange(5, 900)
    for life in there:
        if rnd.random() < 0.15:
            continue
        gone = at + rnd.randrange(passing_s + 1)
        if rnd.random() < 0.5:
            dip = gone - rnd.randrange(20, 600)
            life.mains_off.append((dip, dip + rnd.randrange(1, 12)))
        length = round(min(30 * 3600.0, rnd.lognormvariate(8.3, 1.1))) + 60
        life.mains_off.append((gone, gone + length))
        last = max(last, gone + length)
        if rnd.random() < 0.25:  # back, and gone again
            again = gone + length + rnd.randrange(60, 1800)
            life.mains_off.append((again, again + rnd.randrange(120, 7200)))
    return area, at, last


def _engine(rnd: random.Random, life: Life, begin: int, end: int) -> None:
    """Spells of the engine: demands of the mains, exercises on a weekday, runs by hand."""
    sick = rnd.random() < 0.08
    day, second = rnd.randrange(7), rnd.randrange(8 * 3600, 17 * 3600)
    wanted: list[tuple[int, int, bool]] = []
    for a, b in life.mains_off:
        if life.automatic and b - a > 15:
            wanted.append((a + rnd.randrange(3, 11), b + rnd.randrange(120, 1500), True))
        elif not life.automatic and rnd.random() < 0.6:
            came = a + rnd.randrange(600, 5400)
            if came < b:
                wanted.append((came, b + rnd.randrange(60, 1200), False))
    if life.automatic:
        for n in range((end - begin) // DAY_S):
            if n % 7 == day:
                at = begin + n * DAY_S + second + rnd.randrange(20)
                wanted.append((at, at + 1200, False))
    for at in _poisson(rnd, begin, end, 1 / (20 * DAY_S)):
        wanted.append((at, at + rnd.randrange(120, 3000), False))
    busy = begin
    for at, until, demand in sorted(wanted):
        if at < busy or at >= end - 60:
            continue
        tries = 1 + (rnd.random() < 0.12) + (rnd.random() < 0.05)
        if demand and rnd.random() < (0.5 if sick else 0.02):
            for n in range(3):
                life.cranks.append((at + n * 25, at + n * 25 + 10))
            over = min([b for a, b in life.mains_off if a <= at < b], default=at)
            helped = at + rnd.randrange(3600, 4 * 3600)
            if helped < over:  # somebody came and started it
                life.runs.append((helped, until))
                busy = until + 60
            life.failures.append(Failure(at, min(over, helped)))
            continue
        for n in range(tries):
            life.cranks.append((at + n * 12, at + n * 12 + rnd.randrange(2, 6)))
        start = at + (tries - 1) * 12 + rnd.randrange(3, 7)
        stop = until + rnd.randrange(60, 300)
        if stop > start + 30:
            life.runs.append((start, stop))
            busy = stop + 60
    life.runs = _joined(life.runs, begin, end)


def _links(rnd: random.Random, life: Life, begin: int, end: int) -> None:
    """When nothing goes out: the router without power or booting, and the network itself."""
    m, cut = life.manner, list[Spell]()
    for a, b in life.mains_off:
        if m.router == "own_power":
            continue
        if m.router == "ups":
            lasts = rnd.randrange(900, 5400)
            if b - a > lasts:
                cut.append((a + lasts, b + m.boot_s))
            continue
        back = b
        if m.router == "behind_set":
            back = min([max(s, a) + 12 for s, e in life.runs if e > a and s < b], default=b)
        cut.append((a, min(b, back) + m.boot_s + rnd.randrange(30)))
    for at in _poisson(rnd, begin, end, 1 / (6 * DAY_S)):
        cut.append((at, at + round(min(2.0 * DAY_S, rnd.lognormvariate(7.5, 1.4)))))
    life.cut = _joined(cut, begin, end)


def _poisson(rnd: random.Random, begin: int, end: int, rate: float) -> list[int]:
    found, at = [], float(begin)
    while (at := at + rnd.expovariate(rate)) < end:
        found.append(int(at))
    return found


def _joined(spells: list[Spell], begin: int, end: int) -> list[Spell]:
    found: list[Spell] = []
    for a, b in sorted(spells):
        a, b = max(begin, a), min(end, b)
        if a >= b:
            continue
        if found and a <= found[-1][1] + 2:
            found[-1] = (found[-1][0], max(b, found[-1][1]))
        else:
            found.append((a, b))
    return found


def register_rows(made: World) -> list[dict[str, object]]:
    """The sets as an office writes them down; a habit for those who know theirs."""
    rows: list[dict[str, object]] = []
    for n, life in enumerate(made.lives):
        m, place = life.manner, int(life.site.rpartition("-")[2])
        rows.append(
            {
                "customer": f"Customer {life.site}",
                "site": life.site,
                "unit": life.unit,
                "lat": round(54.0 + 0.4 * (place % 3) + 0.003 * place, 5),
                "lon": round(-3.0 + 0.002 * place, 5),
                "time_zone": "Europe/London",
                "area": life.area,
                "nominal_v": 230,
                "nominal_hz": 50,
                "phases": "1",
                "running_signal": "ac_v",
                "running_on": 180,
                "cooling": "air",
                "fuel": "lpg",
                "service_plan": "air_spark",
                "battery_nominal_v": 12,
                "engine_hours": 120,
                "engine_hours_at": datetime.fromtimestamp(made.begin, UTC).isoformat(),
                "last_service": str(datetime.fromtimestamp(made.begin - 60 * DAY_S, UTC).date()),
                "last_service_hours": 100,
                "criticality": ("home", "home", "business", "life")[n % 4],
                **({"habit": f"steady {m.standing_s} {m.running_s}"} if life.declared else {}),
            }
        )
    return rows


def volts(life: Life, at: int, rnd: random.Random) -> float:
    """AC volts at a moment: a governor that settles, then a droop with a load that wanders."""
    start = max((a for a, b in life.runs if a <= at < b), default=None)
    if start is None:
        return max(0.0, rnd.gauss(0.0, 0.15))
    settled = 1.0 - math.exp(-(at - start + 1) / 1.5)
    return life.nominal_v * settled * (1.01 - 0.02 * (0.5 + 0.5 * math.sin(at / 700))) + rnd.gauss(
        0, 0.6
    )


def battery(life: Life, at: int, rnd: random.Random) -> float:
    """Battery volts: a float charger that follows the mains, a relaxation without it."""
    if inside(life.cranks, at):
        return 10.2 + rnd.gauss(0, 0.2)
    if inside(life.runs, at):
        return 13.9 + rnd.gauss(0, 0.05)
    gone = max((a for a, b in life.mains_off if a <= at < b), default=None)
    if gone is None:
        return 13.5 + rnd.gauss(0, 0.03)
    return 12.65 + 0.85 * math.exp(-(at - gone) / 900) + rnd.gauss(0, 0.03)


def hours(life: Life, at: int) -> float:
    """The engine's own meter [h], in tenths."""
    ran = sum(max(0, min(b, at) - a) for a, b in life.runs if a < at)
    return math.floor(10 * (120 + ran / 3600)) / 10

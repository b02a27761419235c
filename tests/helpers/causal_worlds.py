"""Drawn seasons of one set, with what happened kept apart from what its device told.

Truth first: outages, exercises, tests from the panel, each with the second of its cause and of its
run. Then a device tells of them at a drawn cadence: readings on a grid, a denser one while the
engine turns, and (where it sends events) the second of each start. Nothing here knows a rule.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from random import Random

from planted import DAY_S, MIDNIGHT, event, facts, runs_of, series, walk

from fleet.model import DeviceEvent, Habit, Run, Series
from scheduler.day import Day, DayFacts

DAYS = 60


@dataclass(frozen=True)
class Happening:
    """kind: outage, exercise or call; the mains was gone in [lost, back), the engine turned in
    [start, end). UTC seconds. A loss may fall into an exercise; it is then not what began it."""

    kind: str
    start: int
    end: int
    lost: int = 0
    back: int = 0


@dataclass(frozen=True)
class World:
    """What happened, and what the device told of it."""

    happened: tuple[Happening, ...]
    facts: DayFacts
    channels: dict[str, Series]
    events: tuple[DeviceEvent, ...]

    def days(self) -> list[Day]:
        return walk(self.facts, self.channels, self.events)

    def found(self) -> list[tuple[Happening, Run | None]]:
        """Each happening with the run found in it."""
        runs = runs_of(self.days())
        return [
            (one, next((r for r in runs if one.start - 60 <= r.start < one.end), None))
            for one in self.happened
        ]


def happenings(rng: Random) -> tuple[Happening, ...]:
    """At most one a day: an outage, an exercise, a call from afar, or nothing."""
    found = []
    for n in range(DAYS - 1):
        at = MIDNIGHT + n * DAY_S + rng.randrange(3600, DAY_S)
        kind = rng.choice(("outage", "outage", "exercise", "call", ""))
        length = rng.randrange(900, 4 * 3600)
        if kind == "outage":
            start = at + rng.randrange(6, 40)
            found.append(Happening(kind, start, start + length + 300, at, start + length))
        elif kind:
            lost = at + rng.randrange(120, 1200) if rng.random() < 0.2 else 0
            back = lost + 600 if lost else 0
            found.append(Happening(kind, at, at + max(1800, min(length, 3600)), lost, back))
    kept: list[Happening] = []
    for one in found:
        if not kept or one.start - kept[-1].end > 7200:
            kept.append(one)
    return tuple(kept)


def without_signal(world: World, seed: int) -> World:
    """The same, its running signal missing for three minutes once in each run, at a drawn moment
    between its first five minutes and its last ten."""
    rng = Random(seed)
    one = world.channels["running"]
    keep = one.t >= 0
    for happened in world.happened:
        if happened.end - happened.start > 1200:
            at = rng.randrange(happened.start + 300, happened.end - 600)
            keep &= (one.t < at) | (one.t >= at + 180)
    channels = {**world.channels, "running": Series(one.t[keep], one.v[keep])}
    return replace(world, channels=channels)


def drawn(seed: int) -> World:
    """One set's season and what was told of it; the same seed, the same world."""
    rng = Random(seed)
    happened = happenings(rng)
    habit = Habit(standing_s=rng.choice((60, 300, 900)), running_s=rng.choice((10, 30, 60)))
    phase = rng.randrange(habit.standing_s)
    times = set(range(MIDNIGHT + phase, MIDNIGHT + DAYS * DAY_S, habit.standing_s))
    events = []
    for one in happened:
        offset = rng.randrange(1, habit.running_s + 1)
        times |= set(range(one.start + offset, one.end, habit.running_s))
        times.add(one.end + rng.randrange(1, habit.running_s + 1))
        events.append(event(one.start, "started"))
    at = sorted(times)
    if habit.standing_s == 60 and rng.random() < 0.5:
        events = []
    on, line = [], []
    k = 0
    for t in at:
        while k < len(happened) and t >= max(happened[k].end, happened[k].back):
            k += 1
        now = happened[k] if k < len(happened) else None
        on.append(now is not None and now.start <= t < now.end)
        line.append(now is not None and now.lost <= t < now.back)
    return World(
        happened,
        facts(habit=habit),
        {
            "running": series((t, float(v)) for t, v in zip(at, on, strict=True)),
            "mains_v": series(
                (t, 0.0 if gone else 231.0) for t, gone in zip(at, line, strict=True)
            ),
        },
        tuple(events),
    )

"""A set whose device keeps its readings back and sends several together, told as it was received.

The machine and its device know nothing of what is learned from them. A delivery is what a router lets
through at a moment: one message with several readings, or several messages within seconds.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import msgspec
from assessed import inputs, unit
from planted import DAY_S, MIDNIGHT, cut, series

from fleet.model import Habit, Latest, Pulse, Reading, Series
from ingest.deliveries import delivered
from scheduler.assess import Assessment, assess
from scheduler.assess.current import day_facts
from scheduler.assess.habit import habit_of
from scheduler.day import Day, digest

Values = Callable[[int], dict[str, float]]


@dataclass(frozen=True)
class Device:
    """at_rest_s, running_s: between readings; kept, kept_running: how many are sent together.

    runs: [start, end) in UTC seconds. offline: nothing is let through then; apart: each reading is a
    message of its own, two seconds after the one before. changes: from when on so many are kept.
    """

    at_rest_s: int
    running_s: int
    kept: int
    kept_running: int
    runs: Sequence[tuple[int, int]] = ()
    offline: Sequence[tuple[int, int]] = ()
    apart: bool = False
    days: int = 2
    clock_s: int = 0
    changes: dict[int, int] = field(default_factory=dict)

    def turns(self, at: int) -> bool:
        return any(a <= at < b for a, b in self.runs)

    def readings(self) -> list[int]:
        """When it reads, by the true time."""
        found, t = [], MIDNIGHT + 7
        while t < MIDNIGHT + self.days * DAY_S:
            found.append(t)
            edges = [e for span in self.runs for e in span if t < e]
            step = self.running_s if self.turns(t) else self.at_rest_s
            t = min([t + step, *[e + 1 for e in edges if not self.turns(t)]])
        return found

    def messages(self) -> list[tuple[int, list[int]]]:
        """(received, the true times of its readings), in order of receipt."""
        found, waiting = [], []
        for t in self.readings():
            waiting.append(t)
            kept = self.kept_running if self.turns(t) else self.kept
            if not self.turns(t):
                for since, then in self.changes.items():
                    kept = then if t >= since else kept
            if len(waiting) < kept or any(a <= t < b for a, b in self.offline):
                continue
            if self.apart:
                found += [(t + 1 + 2 * k, [one]) for k, one in enumerate(waiting)]
            else:
                found.append((t + 1, waiting))
            waiting = []
        return found

    def values(self, at: int) -> dict[str, float]:
        on = self.turns(at)
        return {"ac_v": 231.0 * on, "mains_v": 231.0, "battery_v": 13.5 + 0.4 * on}


def heard(
    device: Device, every_s: int = 60, habit: Habit | None = None
) -> Iterator[tuple[int, Assessment]]:
    """What is said of the set at every look: one each `every_s`, all along."""
    known = inputs(MIDNIGHT, the_unit=unit(habit=habit))
    pulse = Pulse(device="d")
    got: dict[str, list[tuple[int, float]]] = {}
    days: list[Day] = []
    messages = device.messages()
    done = 0
    for now in range(messages[0][0], MIDNIGHT + device.days * DAY_S, every_s):
        fresh = done
        while done < len(messages) and messages[done][0] <= now:
            received, times = messages[done]
            told = [Reading("d", t + device.clock_s, device.values(t)) for t in times]
            pulse = _heard(pulse, told, received)
            for one in told:
                for name, value in one.values.items():
                    got.setdefault(name, []).append((one.at, value))
            done += 1
        here = msgspec.structs.replace(known, pulses=(pulse,))
        if fresh != done:
            days = _digested(here, got, days)
        yield now, assess(here, days, now)


def _heard(pulse: Pulse, told: Sequence[Reading], received: int) -> Pulse:
    delivery, noted = delivered(pulse.delivery, pulse.deliveries, told, received)
    newest = {name: Latest(told[-1].at, v) for name, v in told[-1].values.items()}
    return msgspec.structs.replace(
        pulse,
        heard_at=received,
        newest_at=max(pulse.newest_at or 0, told[-1].at),
        latest=newest,
        delivery=delivery,
        deliveries=noted,
    )


def _digested(here: object, got: dict[str, list[tuple[int, float]]], days: list[Day]) -> list[Day]:
    """The days once more, from the one before the newest on."""
    whole: dict[str, Series] = {name: series(points) for name, points in got.items()}
    last = max(int(one.t[-1]) for one in whole.values()) // DAY_S
    kept = [day for day in days if day.day < last - 1]
    facts = day_facts(here, habit_of(here, days))  # type: ignore[arg-type]
    for day in range(max(MIDNIGHT // DAY_S, last - 1), last + 1):
        before = kept[-1].carry if kept else None
        kept.append(digest(facts, day, cut(whole, day), carry=before))
    return kept

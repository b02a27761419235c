"""A registry, a store and the turns of the scheduler over them, with a few sets to feed."""

from __future__ import annotations

import random
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from new_registries import registry_at

from fleet.history import History
from fleet.model import EVERYTHING, DeviceEvent, Habit, Latest, Pulse, Reading, Record
from fleet.registry import lists, unscoped
from fleet.registry.base.engine import Registry
from fleet.registry.derived.rows import DayRow
from fleet.registry.facts.rows import PulseBatch
from fleet.registry.register import import_units
from fleet.store.embedded import EmbeddedStore
from scheduler import turns
from scheduler.alarms import state_of
from scheduler.assess import read

DAY = 86_400


D0 = 20_000


T0 = D0 * DAY


HABIT = Habit(standing_s=600, running_s=60)


def row(unit: str, **fields: object) -> dict[str, object]:
    return {
        "customer": "Hill Farm",
        "site": f"Barn {unit}",
        "unit": unit,
        "nominal_v": 230,
        "nominal_hz": 50,
        "running_signal": "ac_v",
        "running_on": 200,
        "service_plan": "air_spark",
        "time_zone": "Europe/Berlin",
        **fields,
    }


@dataclass
class House:
    """A registry, a store, and the little of ingest these tests need: store, then pulse."""

    registry: Registry
    store: EmbeddedStore
    memory: turns.Memory = field(default_factory=turns.Memory)
    pulses: dict[str, Pulse] = field(default_factory=dict)

    @property
    def history(self) -> History:
        return History(self.registry, self.store)

    def hear(
        self,
        readings: Iterable[Reading],
        events: Iterable[DeviceEvent] = (),
        at: int | None = None,
        habit: Habit | None = HABIT,
    ) -> None:
        """Take readings and events as ingest does: durable first, then one pulse."""
        readings, events = list(readings), list(events)
        self.store.write(readings)
        touched: dict[str, set[int]] = {}
        for device, when in [(r.device, r.at) for r in readings] + [
            (e.device, e.at) for e in events
        ]:
            touched.setdefault(device, set()).add(when // DAY)
        for device in touched:
            mine = [r for r in readings if r.device == device]
            whens = [r.at for r in mine] + [e.at for e in events if e.device == device]
            old = self.pulses.get(device, Pulse(device=device))
            latest = dict(old.latest)
            for reading in mine:
                for name, value in reading.values.items():
                    if name not in latest or latest[name].at <= reading.at:
                        latest[name] = Latest(reading.at, value)
            heard = at if at is not None else max(whens)
            self.pulses[device] = Pulse(
                device=device,
                heard_at=max(heard, old.heard_at or 0),
                newest_at=max([*whens, old.newest_at or 0]),
                latest=latest,
                habit=habit,
            )
        unscoped.pulse(
            self.registry,
            PulseBatch(
                now=at or T0,
                pulses=[self.pulses[d] for d in touched],
                touched=touched,
                events=events,
            ),
        )

    def turn(self, now: int) -> turns.Turn:
        return turns.work_through(self.registry, self.history, now, self.memory)

    def days(self, unit: str) -> list[DayRow]:
        return unscoped.days(self.registry, unit, 0, 40_000)

    def verdict(self, unit: str):  # type: ignore[no-untyped-def]
        found = read(lists.assessment(self.registry, EVERYTHING, unit))
        assert found is not None
        return found

    def open(self, unit: str) -> set[str]:
        """Kinds of what stands now; what is over and waits to be seen is not among them."""
        found = unscoped.open_episodes(self.registry, [f"unit:{unit}"])
        return {e.kind for e in found if state_of(e) != "returned"}


def make(folder: Path, *units: dict[str, object], now: int = T0) -> House:
    folder.mkdir(parents=True, exist_ok=True)
    registry = registry_at(folder / "registry.db")
    house = House(registry, EmbeddedStore(folder / "store.db", writing=True))
    report = import_units(registry, list(units), now, "test")
    assert report.ok, report.problems
    return house


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    made = make(tmp_path, row("u1"), row("u2"))
    yield made
    made.store.close()
    made.registry.close()


def a_week(
    device: str, days: int = 7, seed: int = 1, hasty_days: int = 0
) -> tuple[list[Reading], list[DeviceEvent]]:
    """A set that starts each day, over midnight once, with a meter, attempts and a failed start.

    It reports every 10 min while standing, in its first `hasty_days` every 5 min.
    """
    rnd = random.Random(seed)
    readings: list[Reading] = []
    events: list[DeviceEvent] = []
    hours, attempts, last = 100.0, 10.0, None
    starts = {T0 + d * DAY + 36_000 + 60 * rnd.randrange(60) for d in range(days)}
    starts.add(T0 + 2 * DAY - 1200)
    on_until = 0
    t = T0
    while t < T0 + days * DAY:
        if any(t - 600 < s <= t for s in starts):
            on_until, attempts = t + 2400, attempts + 1
            events.append(DeviceEvent(device=device, at=t, event="crank"))
        on = t < on_until
        if last is not None and on:
            hours += (t - last) / 3600
        values = {
            "ac_v": 231.0 if on else 0.0,
            "run_hours_h": round(hours, 2),
            "in_auto": 1.0,
            "battery_v": 12.6 + 0.01 * rnd.randrange(10),
            "start_attempts": attempts,
        }
        readings.append(Reading(device, t, values))
        last = t
        t += 60 if on else 300 if t < T0 + hasty_days * DAY else 600
    events.append(DeviceEvent(device=device, at=T0 + 3 * DAY + 3600, event="failed_to_start"))
    return readings, events


def record(unit: str, kind: str, at: int, **facts: object) -> Record:
    return Record(id=f"{kind}-{unit}-{at}", at=at, by="ann", unit=unit, kind=kind, facts=facts)  # type: ignore[arg-type]

"""What a scheduler keeps between looks changes no result: the same turns with and without it."""

from __future__ import annotations

import gc
import random
import tracemalloc
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from house import D0, DAY, T0, House, a_week, make, record, row

from fleet.history import History
from fleet.model import DeviceEvent, Reading
from fleet.registry import unscoped
from fleet.registry.base import tables
from fleet.registry.base.engine import Registry, open_registry
from fleet.registry.derived.rows import DayRow
from fleet.registry.derived.shards import shard_of, standing, take_shards
from fleet.registry.derived.touches import touch_units
from fleet.registry.facts.records import RecordRefused, add_record
from fleet.registry.register import import_units
from scheduler import turns
from scheduler.day import decode, encode
from scheduler.turns import watching
from scheduler.turns.day_cache import FRESH_S, DayCache, after, share, year_of

DAYS = 6


@dataclass
class Pair:
    """Two schedulers on one registry, as two processes: each with its own connections and memory."""

    house: House
    registries: list[Registry]
    memories: list[turns.Memory]

    def turn(self, which: int, now: int) -> turns.Turn:
        history = History(self.registries[which], self.house.store)
        return turns.work_through(self.registries[which], history, now, self.memories[which])

    def all_written(self) -> dict[str, list[tuple[object, ...]]]:
        """Every derived row, and what people were told but for the random names of episodes."""
        with self.house.registry.read() as connection:
            found = {
                table.name: [tuple(r) for r in connection.execute(sa.select(table))]
                for table in (
                    tables.day,
                    tables.assessment,
                    tables.summary,
                    tables.due,
                    tables.touch,
                )
            }
            e, s = tables.episode.c, tables.step.c
            told = sa.select(
                e.subject, e.kind, e.part, e.severity, e.opened_at, e.closed_at, s.n, s.kind
            )
            told = told.join_from(tables.episode, tables.step, s.episode == e.id)
            found["told"] = [tuple(r) for r in connection.execute(told)]
        found["touch"] = [r[:-1] for r in found["touch"]]  # its seq is random
        return {name: sorted(rows, key=repr) for name, rows in found.items()}


@contextmanager
def pair(folder: Path, limit: int) -> Iterator[Pair]:
    house = make(folder, row("u1"), row("u2", habit="steady 600 60"))
    registries = [open_registry(f"sqlite:///{folder / 'registry.db'}") for _ in range(2)]
    memories = [turns.Memory(day_cache=DayCache(limit=limit)) for _ in range(2)]
    try:
        yield Pair(house, registries, memories)
    finally:
        for registry in [*registries, house.registry]:
            registry.close()
        house.store.close()


@pytest.fixture(name="house")
def a_house(tmp_path: Path) -> Iterator[House]:
    made = make(tmp_path, row("u1"))
    yield made
    made.store.close()
    made.registry.close()


Deed = Callable[[House, int], None]


def heard(part: list[Reading | DeviceEvent], habit: bool) -> Deed:
    readings = [p for p in part if isinstance(p, Reading)]
    events = [p for p in part if isinstance(p, DeviceEvent)]

    def deed(house: House, now: int) -> None:
        if habit:
            house.hear(readings, events, now)
        else:
            house.hear(readings, events, now, habit=None)

    return deed


def said(rnd: random.Random, n: int) -> Deed:
    """A person's doing that reaches into past days; what the registry refuses is no matter."""
    share, day = rnd.random(), D0 + rnd.randrange(DAYS)
    which = rnd.choice(["meter_check", "hour_meter", "note", "register", "gone", "fitting"])

    def deed(house: House, now: int) -> None:
        at = T0 + round(share * (now - T0))
        if which == "meter_check":
            say = record(
                "u1",
                "meter_check",
                at,
                channel="ac_v",
                meter=[231.0],
                raw=[228.0 + n],
                instrument="M1",
            )
        elif which == "hour_meter":
            say = record("u1", "hour_meter", at, hours=120.0 + n)
        elif which == "fitting":
            say = record("u2", "fitting", at, device="u1", **{"from": at})
        else:
            say = record("u2", "note", at + n, text="rang")
        if which == "register":
            changed = row("u1", nominal_v=230 + n % 3)
            assert import_units(house.registry, [changed], now, "test").ok
        elif which == "gone":
            house.store.delete("u1", day * DAY, (day + 1) * DAY)
            with house.registry.write() as connection:
                touch_units(connection, {"u1": day}, now)
        else:
            with suppress(RecordRefused):
                add_record(house.registry, say, now)

    return deed


def deeds(rnd: random.Random, habit: bool) -> list[tuple[Deed, int, int]]:
    """(what happens, by how much the clock goes on before, which scheduler leads then)."""
    pieces: list[Reading | DeviceEvent] = []
    for number, device in enumerate(("u1", "u2")):
        readings, events = a_week(device, days=DAYS, seed=number + rnd.randrange(99))
        pieces += [*readings[::3], *events]
    pieces.sort(key=lambda p: p.at)
    late = [p for p in pieces if rnd.random() < 0.2]
    kept = [p for p in pieces if p not in late]
    rnd.shuffle(late)
    found: list[tuple[Deed, int, int]] = []
    leads = 0
    for n in range(18):
        leads = 1 - leads if rnd.random() < 0.25 else leads
        size = len(kept) // 18 + 1
        part = kept[n * size : (n + 1) * size]
        part += late[n * len(late) // 18 : (n + 1) * len(late) // 18] if n > 6 else []
        found.append((heard(part, habit), DAYS * DAY // 18, leads))
        if rnd.random() < 0.4:
            found.append((said(rnd, n), rnd.choice([0, 60]), leads))
        if rnd.random() < 0.3:
            found.append((lambda house, now: None, rnd.choice([0, 1800, DAY // 2]), leads))
    return found


@pytest.mark.parametrize(
    "seed", [0, 1, *(pytest.param(n, marks=pytest.mark.long) for n in range(2, 8))]
)
def test_with_memory_and_without_it_the_same_is_written(tmp_path: Path, seed: int) -> None:
    """Late and shuffled batches, people's doings, another process that takes over and hands back,
    midnights: after each step every derived row and every step of an alert is the same."""
    with pair(tmp_path / "with", 50_000_000) as kept, pair(tmp_path / "without", 0) as bare:
        now = T0
        for doing, plus, leads in deeds(random.Random(seed), habit=seed % 2 == 0):
            now += plus
            for one in (kept, bare):
                doing(one.house, now)
                one.turn(leads, now)
            assert kept.all_written() == bare.all_written()
        held = [memory.day_cache for memory in kept.memories]
        assert sum(one.hits for one in held) > 20, "nothing was kept: the test compares nothing"
        assert all(memory.day_cache.hits == 0 for memory in bare.memories)
        assert len(kept.all_written()["day"]) >= DAYS


def test_days_written_by_another_in_the_midst_of_a_turn_refuse_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A has assessed from what it keeps, B writes a late day, A writes: refused, and done again."""
    readings, events = a_week("u1", days=DAYS)
    end = T0 + DAYS * DAY
    old = [r for r in readings if r.at < T0 + DAY]
    with pair(tmp_path, 50_000_000) as both:
        both.house.hear([r for r in readings if r.at >= T0 + DAY], events, end)
        both.turn(0, end)
        real = watching.assess
        met: list[int] = []

        def interrupted(inputs: Any, days: Any, now: int, *rest: Any) -> Any:
            if inputs.unit.id == "u1" and not met:
                met.append(len(days))
                both.house.hear(old, [], end)
                both.turn(1, end)
            return real(inputs, days, now, *rest)

        monkeypatch.setattr(watching, "assess", interrupted)
        both.house.hear(readings[-1:], [], end)
        assert both.turn(0, end).refused == 1
        monkeypatch.setattr(watching, "assess", real)
        assert both.memories[0].day_cache.hits == 1
        both.house.hear(readings[-1:], [], end)
        both.turn(0, end)
        assert met == [DAYS], "its first day was only events: the failed look had them"
        clean = make(tmp_path / "clean", row("u1"))
        clean.hear(readings, events, end)
        clean.turn(end)
        assert both.house.days("u1") == clean.days("u1")
        assert both.house.verdict("u1") == clean.verdict("u1")
        clean.store.close()
        clean.registry.close()


def test_a_shard_that_another_takes_in_the_midst_of_a_turn_costs_the_others_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another takes the shard of u1 while A judges u1: A writes u2, and takes nothing back before
    its next turn, for which it is asked anew who leads."""
    end = T0 + DAYS * DAY
    with pair(tmp_path, 50_000_000) as both:
        for device in ("u1", "u2"):
            both.house.hear(*a_week(device, days=DAYS), end)
        both.turn(0, end)
        held = both.memories[0].day_cache
        lost, kept = shard_of("u1"), shard_of("u2")
        assert lost != kept
        real = watching.assess

        def interrupted(inputs: Any, days: Any, now: int, *rest: Any) -> Any:
            if inputs.unit.id == "u1":
                take_shards(both.registries[1], [lost])
            return real(inputs, days, now, *rest)

        monkeypatch.setattr(watching, "assess", interrupted)
        for device in ("u1", "u2"):
            both.house.hear([Reading(device, end + 60, {"ac_v": 0.0})], [], end + 60)
        history = History(both.registries[0], both.house.store)
        turn = turns.watch(both.registries[0], history, end + 60, 60.0, both.memories[0])
        assert (turn.units, turn.refused) == (2, 1)
        assert [r.day - D0 for r in both.house.days("u1")] == list(range(DAYS))
        assert [r.day - D0 for r in both.house.days("u2")] == list(range(DAYS + 1))
        assert (lost in held.hold, kept in held.hold) == (False, True)
        assert (held.of("u1") is None, held.of("u2") is None) == (True, False)
        monkeypatch.setattr(watching, "assess", real)
        assert both.turn(0, end + 61).refused == 0
        assert [r.day - D0 for r in both.house.days("u1")] == list(range(DAYS + 1))
        fences = standing(both.registries[0], [lost, kept])
        assert (fences[lost].fence, fences[kept].fence) == (3, 1), (
            "only what was lost is taken again"
        )


def test_a_second_look_reads_no_old_days(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    readings, events = a_week("u1", days=DAYS)
    end = T0 + DAYS * DAY
    house.hear(readings, events, end)
    house.turn(end)
    asked: list[tuple[int, int]] = []
    real = unscoped.days

    def days(registry: Registry, unit: str, first: int, last: int) -> list[DayRow]:
        asked.append((first, last))
        return real(registry, unit, first, last)

    monkeypatch.setattr(unscoped, "days", days)
    house.hear([Reading("u1", end + 60, {"ac_v": 0.0})], [], end + 60)
    house.turn(end + 60)
    assert house.memory.day_cache.hits == 1
    assert all(first > D0 + DAYS for first, _ in asked), "only what a new date brings in reach"
    assert [r.day - D0 for r in house.days("u1")] == list(range(DAYS + 1))


def test_units_that_have_room_keep_it_and_the_bound_holds() -> None:
    made = row_of(b'{"unit":"u","day":1}')
    year = year_of([made], 9)
    held = DayCache(limit=3 * year.size)

    def look(unit: str, now: int) -> bool:
        found = held.of(unit) is not None
        held.computed(unit, year)
        held.settle(unit, True, now)
        assert held.size <= held.limit
        return found

    for n in range(6):
        look(f"u{n}", T0)
    assert [look(f"u{n}", T0 + 60) for n in range(6)] == [True] * 3 + [False] * 3
    assert held.size == 3 * year.size
    assert not look("u5", T0 + 60 + FRESH_S), "the units not looked at for long give way"
    assert look("u5", T0 + 61 + FRESH_S)
    held.computed("u5", year)
    held.settle("u5", False, T0 + 62 + FRESH_S)
    assert held.of("u5") is None, "a refused turn says nothing of what is stored"
    held.forget()
    assert (held.size, held.hold, held.of("u2")) == (0, {}, None)


def row_of(doc: bytes, day: int = 1) -> DayRow:
    return DayRow(unit="u", day=day, fingerprint="f", carry_in="c", doc=doc)


def test_a_year_goes_on_as_it_is_written() -> None:
    first = [row_of(b'{"unit":"u","day":%d}' % n, n) for n in range(5)]
    year = year_of(first, 9)
    longer = row_of(b'{"unit":"u","day":4,"n":77}', 4)
    went = after(year, [longer, row_of(b'{"unit":"u","day":12}', 12)], [2])
    clean = year_of([first[0], first[1], first[3], longer], 9)
    assert (went.days, went.order, went.docs) == (clean.days, clean.order, clean.docs)
    assert sorted(went.rows) == [1, 3, 4], "the newest rows are kept whole"
    assert year.order == list(range(5)), "what is kept stays as it was until the turn is written"


def test_the_memory_a_year_takes_is_not_more_than_counted(house: House) -> None:
    house.hear(*a_week("u1", days=DAYS), T0 + DAYS * DAY)
    house.turn(T0 + DAYS * DAY)
    rows = house.days("u1") * 10
    gc.collect()
    tracemalloc.start()
    seen: dict[tuple[type, object], object] = {}
    kept = [share(decode(r.doc), seen) for r in rows]
    taken, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    year = year_of(house.days("u1"), D0 + 999)
    assert len(kept) == 10 * DAYS
    assert year.size / 3 < taken / 10 <= year.size


def test_sharing_changes_nothing(house: House) -> None:
    house.hear(*a_week("u1", days=DAYS), T0 + DAYS * DAY)
    house.turn(T0 + DAYS * DAY)
    seen: dict[tuple[type, object], object] = {}
    for one in house.days("u1"):
        assert encode(share(decode(one.doc), seen)) == one.doc
    alike = (0, 0.0, -0.0, 1, 1.0, True, False, "", "0", "''", {"a": -0.0, "b": 0.0}, (1.0, 1))
    assert repr(share(alike, {})) == repr(alike)

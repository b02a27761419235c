"""Shards of units: two writers on one registry, in any order, and never a wrong day."""

from __future__ import annotations

import random
import threading
from collections import Counter
from dataclasses import dataclass, field

import pytest
import sqlalchemy as sa
from register_rows import NOW, row, take
from written_turns import day, turn

from fleet.registry import unscoped
from fleet.registry.base import tables
from fleet.registry.base.engine import Registry, open_registry, upgrade
from fleet.registry.derived.rows import UnitTurn
from fleet.registry.derived.shards import ALL, SHARDS, Hold, Shard, shard_of, standing, take_shards

pytest_plugins = ["databases"]

UNITS = ("U1", "U2", "U3", "U4")
DAY = 5


@dataclass
class Writer:
    """One scheduler, as far as days go. A day's document is a number: one more at each turn, so
    that a turn made of a day that is not the stored one is seen in the number."""

    reg: Registry
    hold: Hold = field(default_factory=dict)
    kept: dict[str, int] = field(default_factory=dict)
    made: list[UnitTurn] = field(default_factory=list)

    def begin(self) -> None:
        """Take what is not ours as we left it, and forget its units and what was made of them."""
        self.made = []
        stand = standing(self.reg)
        lost = {n for n in map(shard_of, UNITS) if n not in stand or stand[n] != self.hold.get(n)}
        self.kept = {unit: n for unit, n in self.kept.items() if shard_of(unit) not in lost}
        self.hold.update(take_shards(self.reg, lost))

    def compute(self, units: list[str]) -> None:
        """Turns of units, from what is kept, else from the registry."""
        self.made = []
        for unit in units:
            if unit not in self.kept:
                found = unscoped.days(self.reg, unit, DAY, DAY + 1)
                self.kept[unit] = int(found[0].doc) if found else 0
            doc = str(self.kept[unit] + 1).encode()
            self.made.append(turn(self.reg, unit, days=[day(unit, DAY, doc)]))

    def write(self) -> set[str]:
        """The units that were written."""
        refused = set(unscoped.write_turn(self.reg, self.made, NOW, self.hold))
        for made in self.made:
            if made.unit in refused:
                self.kept.pop(made.unit, None)
            else:
                self.kept[made.unit] += 1
        written = {made.unit for made in self.made} - refused
        self.made = []
        return written


def stored(reg: Registry) -> dict[str, int]:
    found = {unit: unscoped.days(reg, unit, DAY, DAY + 1) for unit in UNITS}
    return {unit: int(rows[0].doc) if rows else 0 for unit, rows in found.items()}


def test_a_unit_has_one_shard_for_good() -> None:
    """The check value of CRC-32 as its catalogues print it, and shards written down once."""
    assert shard_of("123456789") == 0xCBF43926 % 64 == 38
    assert (SHARDS, list(ALL)) == (64, list(range(64)))
    assert [shard_of(unit) for unit in UNITS] == [20, 46, 56, 27]
    of_many = Counter(shard_of(f"set-{n}") for n in range(6400))
    assert len(of_many) == SHARDS
    assert max(of_many.values()) < 200, "about a hundred each"


def test_writers_of_different_shards_never_meet(reg: Registry) -> None:
    take(reg, row(), row("U2"))
    assert shard_of("U1") != shard_of("U2")
    one, two = take_shards(reg, [shard_of("U1")]), take_shards(reg, [shard_of("U2")])
    for n in range(5):
        for unit, hold in (("U1", one), ("U2", two)):
            made = turn(reg, unit, days=[day(unit, n)])
            assert unscoped.write_turn(reg, [made], NOW, hold) == []
    assert standing(reg, one | two) == one | two, (
        "each has its own mark, and its first fencing number"
    )
    both = [turn(reg, unit, days=[day(unit, 9)]) for unit in ("U1", "U2")]
    assert unscoped.write_turn(reg, both, NOW, one) == ["U2"], "a shard that is not held is refused"
    assert [len(unscoped.days(reg, unit, 9, 10)) for unit in ("U1", "U2")] == [1, 0]


def test_who_takes_a_shard_shuts_out_who_held_it(reg: Registry) -> None:
    take(reg, row())
    n = shard_of("U1")
    old = take_shards(reg, [n])
    new = take_shards(reg, [n])
    assert (old[n].fence, new[n].fence) == (1, 2)
    assert old[n].mark == new[n].mark, "the days are the same"
    assert unscoped.write_turn(reg, [turn(reg, "U1", days=[day("U1", 1)])], NOW, old) == ["U1"]
    assert old == {}
    assert unscoped.write_turn(reg, [turn(reg, "U1", days=[day("U1", 2)])], NOW, new) == []
    forged = {n: Shard(1, new[n].mark)}
    assert unscoped.write_turn(reg, [turn(reg, "U1")], NOW, forged) == ["U1"], "its number is lower"
    assert [r.day for r in unscoped.days(reg, "U1", 0, 9)] == [2]


@pytest.mark.parametrize("seed", range(4))
def test_in_any_order_no_wrong_day_is_written(reg: Registry, seed: int) -> None:
    """Two writers' steps in a random order, and now and then an older copy of days and shards."""
    rnd = random.Random(seed)
    take(reg, *(row(unit) for unit in UNITS))
    writers = [Writer(reg), Writer(reg)]
    expected = dict.fromkeys(UNITS, 0)
    copy = (_copied(reg), dict(expected))
    seen: Counter[str] = Counter()
    for _ in range(150):
        who = rnd.choice(writers)
        deed = rnd.choices(["begin", "compute", "write", "copy", "put back"], [3, 8, 9, 1, 1])[0]
        if deed == "begin":
            who.begin()
        elif deed == "compute":
            who.compute(rnd.sample(UNITS, rnd.randint(1, 3)))
        elif deed == "copy":
            copy = (_copied(reg), dict(expected))
        elif deed == "put back":
            _put_back(reg, copy[0])
            expected = dict(copy[1])
        elif who.made:
            before, hold = standing(reg), dict(who.hold)
            made = {one.unit for one in who.made}
            may = {u for u in made if hold.get(shard_of(u)) == before.get(shard_of(u), Shard(0, 0))}
            written = who.write()
            assert written == may
            for unit in written:
                assert hold[shard_of(unit)].fence == before[shard_of(unit)].fence
                expected[unit] += 1
            seen["written"] += len(written)
            seen["refused"] += len(made - written)
        assert stored(reg) == expected
    assert min(seen["written"], seen["refused"]) > 3, "the orders tried nothing"


def _copied(reg: Registry) -> dict[sa.Table, list[dict[str, object]]]:
    with reg.read() as connection:
        return {
            table: [dict(r._mapping) for r in connection.execute(sa.select(table))]
            for table in (tables.day, tables.shard)
        }


def _put_back(reg: Registry, copy: dict[sa.Table, list[dict[str, object]]]) -> None:
    with reg.write() as connection:
        for table, rows in copy.items():
            connection.execute(sa.delete(table))
            if rows:
                connection.execute(sa.insert(table), rows)


def test_two_writers_at_once_lose_nothing(reg: Registry) -> None:
    """Two threads as two schedulers that both believe they lead, on connections of their own."""
    take(reg, *(row(unit) for unit in UNITS))
    written: list[Counter[str]] = [Counter(), Counter()]
    faults: list[BaseException] = []

    def work_on(which: int) -> None:
        try:
            rnd, who = random.Random(which), Writer(reg)
            for _ in range(40):
                who.begin()
                for _ in range(2):
                    who.compute(rnd.sample(UNITS, 2))
                    written[which].update(who.write())
        except BaseException as fault:
            faults.append(fault)
            raise

    threads = [threading.Thread(target=work_on, args=(n,)) for n in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert faults == []
    assert stored(reg) == {unit: written[0][unit] + written[1][unit] for unit in UNITS}
    assert all(sum(one.values()) for one in written), "both wrote at some time"


def test_an_older_folder_keeps_what_its_one_mark_said(registry_url: str) -> None:
    registry = open_registry(registry_url)
    with registry.write() as connection:
        tables.metadata.drop_all(connection)
        connection.execute(sa.text("DROP TABLE alembic_version"))
        upgrade(connection, None, "0006")
        connection.execute(sa.insert(tables.counter), [{"name": "days", "n": 2**61 + 7}])
        connection.execute(sa.insert(tables.counter), [{"name": "facts_version", "n": 3}])
    registry.close()
    registry = open_registry(registry_url)
    try:
        assert standing(registry) == {n: Shard(0, 2**61 + 7) for n in ALL}
        with registry.read() as connection:
            names = connection.execute(sa.select(tables.counter.c.name)).scalars().all()
        assert names == ["facts_version"]
        taken = take_shards(registry)
        assert taken == {n: Shard(1, 2**61 + 7) for n in ALL}
    finally:
        registry.close()

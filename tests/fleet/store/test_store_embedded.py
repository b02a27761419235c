"""What only the embedded store has: its file, its lock, its errors, its housekeeping."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from places import ROOT

from fleet.model import Reading
from fleet.store import StoreDown, StoreFault, schema, tending
from fleet.store.embedded import EmbeddedStore

DAY = 86_400
T0 = 20_000 * DAY
CLOSED = T0 + DAY + tending.CLOSED_S


def row(k: int, device: str = "a", clock: str = "device", **values: float) -> Reading:
    return Reading(device, T0 + 60 * k, values or {"battery_v": 12.5, "ac_v": 0.0}, clock)  # type: ignore[arg-type]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "store.db"


@pytest.fixture
def store(path: Path) -> Iterator[EmbeddedStore]:
    opened = EmbeddedStore(path, writing=True)
    yield opened
    opened.close()


def count(store: EmbeddedStore, table: str) -> int:
    assert store.writer is not None
    found: int = store.writer.db.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
    return found


def pragma(store: EmbeddedStore, text: str) -> object:
    assert store.writer is not None
    return store.writer.db.execute(f"PRAGMA {text}").fetchone()[0]


def tend(store: EmbeddedStore, now: int) -> None:
    while store.tend(now, 0.05):
        pass


# --- the file


def test_every_commit_is_on_the_disk(store: EmbeddedStore) -> None:
    assert pragma(store, "synchronous") == 2, "FULL"
    assert pragma(store, "journal_mode") == "wal"
    assert pragma(store, "auto_vacuum") == 2, "INCREMENTAL"


def test_reading_before_there_is_a_store_is_empty_and_then_sees_it(path: Path) -> None:
    reader = EmbeddedStore(path, writing=False)
    assert reader.devices() == []
    assert reader.days("a", 0, T0) == []
    assert len(reader.read("a", ["ac_v"], 0, T0)["ac_v"]) == 0
    assert reader.window("a", ["ac_v"], 0, T0, 4)["ac_v"].count.tolist() == [0] * 4
    assert not path.exists(), "a reader makes no file"
    path.touch()
    assert reader.devices() == []
    path.unlink()
    writer = EmbeddedStore(path, writing=True)
    writer.write([row(0)])
    assert reader.devices() == ["a"]
    reader.close()
    writer.close()


def test_a_file_of_another_program_is_refused(path: Path) -> None:
    db = sqlite3.connect(path)
    db.execute("CREATE TABLE letters(x)")
    db.commit()
    db.close()
    for writing in (True, False):
        with pytest.raises(StoreFault, match="database of another program"):
            EmbeddedStore(path, writing).devices()
    path.write_bytes(b"no database at all" * 100)
    for writing in (True, False):
        with pytest.raises(StoreFault, match="not a telemetry store"):
            EmbeddedStore(path, writing).devices()


def test_a_newer_version_is_refused(store: EmbeddedStore, path: Path) -> None:
    assert store.writer is not None
    store.writer.db.execute(f"PRAGMA user_version={schema.VERSION + 1}")
    store.close()
    for writing in (True, False):
        with pytest.raises(StoreFault, match=r"newer Hourhand.*Use that version"):
            EmbeddedStore(path, writing).devices()
    assert "newer Hourhand" in EmbeddedStore(path, writing=False).check()[0]


def test_one_program_writes(store: EmbeddedStore, path: Path) -> None:
    with pytest.raises(StoreFault, match=r"process \d+\) is writing .* stop the other one"):
        EmbeddedStore(path, writing=True)
    code = (
        "from fleet.store.embedded import EmbeddedStore; from pathlib import Path; import sys\n"
        "EmbeddedStore(Path(sys.argv[1]), True)"
    )
    other = subprocess.run(
        [sys.executable, "-c", code, str(path)],
        capture_output=True,
        text=True,
        cwd=ROOT,
    )
    assert "One program writes" in other.stderr
    store.close()
    EmbeddedStore(path, writing=True).close()


def test_a_channel_that_joins_the_glossary_keeps_its_past(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(schema, "NAMES", ("battery_v",))
    old = EmbeddedStore(path, writing=True)
    old.write([row(0, fuel_pct=80.0), row(1, fuel_pct=79.5)])
    reader = EmbeddedStore(path, writing=False)
    assert reader.read("a", ["fuel_pct"], 0, CLOSED)["fuel_pct"].v.tolist() == [80.0, 79.5]
    old.close()
    monkeypatch.undo()
    new = EmbeddedStore(path, writing=True)
    new.write([row(1, fuel_pct=79.0), row(2, fuel_pct=79.0)])
    for _ in range(2):
        for store in (reader, new):
            both_ends = [80.0, 79.0, 79.5, 79.0]
            assert store.read("a", None, 0, CLOSED)["fuel_pct"].v.tolist() == both_ends
        tend(new, CLOSED)
        tend(new, CLOSED + 3600)
    assert count(new, "hot") == 0
    reader.close()
    new.close()


# --- errors


def test_a_full_disk_keeps_nothing_of_the_batch_and_is_over_when_there_is_space(
    store: EmbeddedStore,
) -> None:
    store.write([row(0)])
    pragma(store, f"max_page_count={pragma(store, 'page_count')}")
    big = [row(k, f"d{k % 7}", "device", ac_v=230.0, **{f"x{k}": 1.0}) for k in range(2000)]
    with pytest.raises(StoreDown, match=r"full.*nothing is lost"):
        store.write(big)
    assert store.devices() == ["a"]
    assert count(store, "hot") == 1
    pragma(store, "max_page_count=1000000")
    assert store.write(big).clashes == 0
    assert count(store, "hot") == 2001
    assert len(store.devices()) == 8


def test_packing_that_fails_half_way_loses_nothing(store: EmbeddedStore, path: Path) -> None:
    for day in range(30):
        store.write([Reading("a", T0 + day * DAY + k, {"odd": k / 7}) for k in range(500)])
    tend(store, T0)
    pragma(store, "busy_timeout=20")
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreDown, match="locked"):
        store.tend(CLOSED + 40 * DAY)
    other.execute("ROLLBACK")
    other.close()
    # In the middle of a slice: the tenth day's pack cannot be put down.
    assert store.writer is not None
    store.writer.db.execute(
        f"CREATE TEMP TRIGGER full BEFORE INSERT ON main.pack WHEN new.t0={T0 + 9 * DAY}"
        " BEGIN SELECT raise(ABORT, 'no'); END"
    )
    with pytest.raises(StoreFault):
        store.tend(CLOSED + 41 * DAY, 60)
    assert (count(store, "pack"), count(store, "hot")) == (0, 15_000)
    store.writer.db.execute("DROP TRIGGER full")
    tend(store, CLOSED + 42 * DAY)
    assert (count(store, "pack"), count(store, "hot")) == (30, 0)
    assert len(store.read("a", ["odd"], 0, 1 << 39)["odd"]) == 15_000


def test_a_lock_of_another_program_is_waited_for_and_then_told(
    store: EmbeddedStore, path: Path
) -> None:
    store.write([row(0)])
    pragma(store, "busy_timeout=20")
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreDown, match="locked by another program"):
        store.write([row(1)])
    assert len(store.read("a", ["ac_v"], 0, CLOSED)["ac_v"]) == 1, "readers are not held up"
    other.execute("ROLLBACK")
    other.close()
    store.write([row(1)])
    assert count(store, "hot") == 2


def test_a_damaged_day_is_told_and_the_others_are_read(store: EmbeddedStore) -> None:
    for day in range(3):
        store.write([Reading("a", T0 + day * DAY, {"ac_v": float(day)})])
    store.tend(T0)
    tend(store, CLOSED + 3 * DAY)
    assert store.writer is not None
    store.writer.db.execute(
        "UPDATE pack SET blob=CAST(substr(blob,1,9)||x'00'||substr(blob,11) AS BLOB) WHERE t0=?",
        (T0 + DAY,),
    )
    with pytest.raises(StoreFault, match=r"2024-10-05 .* cannot be read: its checksum"):
        store.read("a", None, T0, T0 + 3 * DAY)
    assert store.read("a", None, T0, T0 + DAY)["ac_v"].v.tolist() == [0.0]
    assert len(store.check()) == 1
    assert "2024-10-05 of device a" in store.check()[0]
    store.write([Reading("a", T0 + DAY + 1, {"ac_v": 5.0})])
    tend(store, CLOSED + 9 * DAY)
    tend(store, CLOSED + 10 * DAY)
    assert count(store, "hot") == 1, "a late row of a damaged day is kept"
    with pytest.raises(StoreFault, match="cannot be read"):
        store.delete("a", T0 + DAY + 1, T0 + 2 * DAY)
    assert store.delete("a", T0 + DAY, T0 + 2 * DAY) == 2, "a damaged day can be deleted whole"
    assert store.check() == []
    assert len(store.read("a", None, T0, T0 + 3 * DAY)["ac_v"]) == 2


# --- housekeeping


def test_a_day_is_packed_when_it_has_been_closed_for_12_hours(store: EmbeddedStore) -> None:
    store.write([row(k) for k in range(1440)])
    store.tend(T0 + DAY)
    tend(store, CLOSED - 1)
    assert count(store, "pack") == 0
    tend(store, CLOSED + tending.SWEEP_S)
    assert (count(store, "pack"), count(store, "hot")) == (1, 0)


def test_an_old_day_is_packed_when_its_rows_stopped_coming_and_not_for_each_of_them(
    store: EmbeddedStore,
) -> None:
    now = CLOSED + 100 * DAY
    for k in range(100):  # a row every 10 s: an import, or a device with a backlog
        store.write([row(k)])
        tend(store, now + 10 * k)
        assert count(store, "pack") == 0
    now += 1000 + tending.QUIET_S
    tend(store, now)
    assert (count(store, "pack"), count(store, "hot")) == (1, 0)
    for k in range(100, 110):  # a packed day waits longer
        store.write([row(k)])
        now += 60
        tend(store, now)
        assert count(store, "hot") == k - 99
    tend(store, now + tending.QUIET_AGAIN_S)
    assert (count(store, "pack"), count(store, "hot")) == (1, 0)
    assert len(store.read("a", ["ac_v"], 0, CLOSED)["ac_v"]) == 110


def test_after_a_start_the_days_left_behind_are_packed(store: EmbeddedStore, path: Path) -> None:
    for day in range(5):
        store.write([Reading(d, T0 + day * DAY, {"ac_v": 1.0}) for d in ("a", "b")])
    store.close()
    again = EmbeddedStore(path, writing=True)
    tend(again, CLOSED + 2 * DAY)
    assert (count(again, "pack"), count(again, "hot")) == (6, 4)
    again.close()


def test_a_slice_does_a_part_and_says_there_is_more(
    store: EmbeddedStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tending, "SWEEP_AT_MOST", 3)
    for day in range(20):
        store.write([Reading("a", T0 + day * DAY + k, {"odd": k / 7}) for k in range(1000)])
    store.tend(T0)
    slices = 0
    while store.tend(CLOSED + 30 * DAY, 0.0):
        slices += 1
        assert count(store, "pack") == slices, "one day at least, one day at most"
    assert count(store, "pack") == 20


def test_retention_deletes_whole_days_and_nothing_younger(path: Path) -> None:
    store = EmbeddedStore(path, writing=True, retention_days=30)
    for day in range(60):
        store.write([Reading(d, T0 + day * DAY, {"ac_v": 1.0}) for d in ("a", "b")])
        if day == 40:
            store.tend(T0)
            tend(store, T0 + 42 * DAY)
    tend(store, T0 + 60 * DAY)
    for device in ("a", "b"):
        assert store.days(device, 0, 1 << 39) == list(range(20_030, 20_060))
    assert store.devices() == ["a", "b"]
    store.close()


def test_without_retention_everything_is_kept(store: EmbeddedStore) -> None:
    store.write([Reading("a", 0, {"ac_v": 1.0})])
    store.tend(T0)
    tend(store, T0 + 10_000 * DAY)
    assert store.days("a", 0, 1 << 39) == [0]


def test_space_is_given_back(store: EmbeddedStore, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tending, "SPARE_PAGES", 50)
    for day in range(300):
        store.write([Reading("a", T0 + day * DAY + k, {f"x{k}": k / 7}) for k in range(400)])
    store.tend(T0)
    before = int(str(pragma(store, "page_count")))
    assert before > 1000
    store.delete("a", 0, 1 << 39)
    tend(store, T0 + 1000)
    assert int(str(pragma(store, "page_count"))) <= 200


def test_the_better_clock_is_kept_whatever_the_order_and_packing(store: EmbeddedStore) -> None:
    clocks = ("receipt", "device", "local")
    for start in range(3):
        for k in range(3):
            store.write([row(start, clock=clocks[(start + k) % 3])])
            if start == 1:
                tend(store, CLOSED + 10_000 * k)
                tend(store, CLOSED + 10_000 * k + 5000)
    tend(store, CLOSED + 90_000)
    tend(store, CLOSED + 95_000)
    assert count(store, "hot") == 0
    assert store.writer is not None
    from fleet.store import daily
    from fleet.store.reading import Names

    block, _ = daily.load_day(store.writer, Names(store.writer.db), 1, 20_000)
    assert block.clock.tolist() == [2, 2, 2]
    assert np.array_equal(block.t, T0 + 60 * np.arange(3))

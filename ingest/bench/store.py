"""How fast and how small the telemetry store is, against floors measured in the same run.

    python -m ingest.bench.store [--units 6] [--days 31] [--json]

Seeded sets on standby: 8 channels as a device sends them, readings rounded as real instruments
round, noise on the mains and the battery, runs on 30 % of the days. Everything happens in a
temporary folder. Read the ratios: the machine's speed divides out.
"""

from __future__ import annotations

import argparse
import json
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from fleet.calendar import DAY_S
from fleet.store import spans
from fleet.store.embedded import EmbeddedStore
from ingest.bench.plain_tables import floor_load, plain_table
from ingest.bench.standby_sets import BATCH, CHANNELS, T0, batches, one_set

ROUNDS = 3
MOST_READINGS = 20_000_000
COARSE_S = 600
YEAR = 365


def load(store: EmbeddedStore, units: int, days: int, step: int) -> dict[str, float]:
    """Write all, packing as it would live; seconds spent in write, in tend, and rows."""
    writing = tending = 0.0
    rows = 0
    for batch in batches(units, days, step):
        began = time.perf_counter()
        store.write(batch)
        wrote = time.perf_counter()
        store.tend(batch[0].at, 0.05)
        tending += time.perf_counter() - wrote
        writing += wrote - began
        rows += len(batch)
    began = time.perf_counter()
    for later in (2 * DAY_S, 3 * DAY_S):
        while store.tend(T0 + days * DAY_S + later, 0.05):
            pass
    tending += time.perf_counter() - began
    return {"write_s": writing, "tend_s": tending, "rows": rows}


def milliseconds(job: Callable[[], object], times: int = 9) -> float:
    """Median of several runs after one to warm up."""
    job()
    spent = []
    for _ in range(times):
        began = time.perf_counter()
        job()
        spent.append(time.perf_counter() - began)
    return statistics.median(spent) * 1000


def size(store: EmbeddedStore) -> tuple[int, int]:
    """(bytes of the file that are in use, bytes of the whole file), the journal folded in."""
    assert store.writer is not None
    db = store.writer.db
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    pages, free, page = (
        db.execute(f"PRAGMA {name}").fetchone()[0]
        for name in ("page_count", "freelist_count", "page_size")
    )
    return (pages - free) * page, pages * page


def bench_load(folder: Path, units: int, days: int) -> dict[str, float]:
    """Bulk load against plain tables, three rounds in turn, the best of each."""
    some = min(days, 5)
    readings = units * some * 1440 * len(CHANNELS)
    best = {"store": 1e9, "store_with_packing": 1e9, "wide": 1e9, "narrow": 1e9}
    for turn in range(ROUNDS):
        for kind in ("narrow", "wide"):
            db = plain_table(folder / f"{kind}{turn}.db", kind == "narrow")
            best[kind] = min(best[kind], floor_load(db, kind == "narrow", units, some))
            db.close()
        (folder / f"{turn}").mkdir()
        store = EmbeddedStore(folder / f"{turn}" / "store.db", writing=True)
        spent = load(store, units, some, 60)
        store.close()
        best["store"] = min(best["store"], spent["write_s"])
        both = spent["write_s"] + spent["tend_s"]
        best["store_with_packing"] = min(best["store_with_packing"], both)
    return {
        "load_readings_per_s": readings / best["store"],
        "load_with_packing_readings_per_s": readings / best["store_with_packing"],
        "floor_narrow_readings_per_s": readings / best["narrow"],
        "floor_wide_readings_per_s": readings / best["wide"],
        "load_to_narrow": best["narrow"] / best["store"],
        "load_with_packing_to_narrow": best["narrow"] / best["store_with_packing"],
        "load_to_wide": best["wide"] / best["store"],
        "write_us_per_row": best["store"] * 1e6 * len(CHANNELS) / readings,
    }


def bench_size(folder: Path, units: int, days: int, step: int) -> tuple[EmbeddedStore, float]:
    """A loaded and packed store, and its bytes a reading (pages in use; up to 8 MB or a quarter
    of the file is kept free for the next rows)."""
    folder.mkdir()
    store = EmbeddedStore(folder / "store.db", writing=True)
    load(store, units, days, step)
    return store, size(store)[0] / (units * days * DAY_S // step * len(CHANNELS))


def bench_reads(folder: Path, store: EmbeddedStore, days: int) -> dict[str, float]:
    """30 days of one channel of one set, against the plain narrow table."""
    end = T0 + days * DAY_S
    start = max(T0, end - 30 * DAY_S)
    db = plain_table(folder / "reads.db", narrow=True)
    t, v = one_set(0, days, 60)
    rows = [
        (0, c, at, x) for c in range(8) for at, x in zip(t.tolist(), v[:, c].tolist(), strict=True)
    ]
    db.execute("BEGIN")
    db.executemany("INSERT INTO r VALUES(?, ?, ?, ?)", rows)
    db.execute("COMMIT")
    query = "FROM r WHERE unit=0 AND ch=0 AND ts>=? AND ts<?"
    raw = f"SELECT ts, v {query}"
    shaped = f"SELECT (ts-{start})/3600, min(v), max(v), avg(v), count(*) {query} GROUP BY 1"
    hours = (end - start) // 3600
    figures = {
        "read_30_days_ms": milliseconds(lambda: store.read("set-0", ["battery_v"], start, end)),
        "read_30_days_narrow_ms": milliseconds(lambda: db.execute(raw, (start, end)).fetchall()),
        "window_30_days_hourly_ms": milliseconds(
            lambda: store.window("set-0", ["battery_v"], start, end, hours)
        ),
        "window_30_days_hourly_narrow_ms": milliseconds(
            lambda: db.execute(shaped, (start, end)).fetchall()
        ),
    }
    db.close()
    for name in ("read_30_days", "window_30_days_hourly"):
        figures[f"{name}_to_narrow"] = figures[f"{name}_ms"] / figures[f"{name}_narrow_ms"]
    return figures


def bench_year(store: EmbeddedStore) -> dict[str, float]:
    """A year of all channels of one set: from summaries, and read whole."""
    year = (T0, T0 + YEAR * DAY_S)
    assert store.writer is not None
    db = store.writer.db
    fetch = "SELECT t0, summary FROM pack WHERE device=1 ORDER BY t0"
    every = np.ones((YEAR, spans.SPANS), np.bool_)
    rows = db.execute(fetch).fetchall()
    figures = {
        "year_summaries_fetch_ms": milliseconds(lambda: db.execute(fetch).fetchall()),
        "year_summaries_decode_ms": milliseconds(
            lambda: spans.decode(rows, every, set(range(1, 9)))
        ),
        "year_window_daily_ms": milliseconds(lambda: store.window("set-0", CHANNELS, *year, YEAR)),
        "year_window_daily_1_channel_ms": milliseconds(
            lambda: store.window("set-0", ["battery_v"], *year, YEAR)
        ),
        "year_raw_10_min_ms": milliseconds(lambda: store.read("set-0", CHANNELS, *year)),
    }
    figures["year_window_daily_to_raw"] = (
        figures["year_window_daily_ms"] / figures["year_raw_10_min_ms"]
    )
    return figures


def run(units: int, days: int) -> dict[str, float]:
    """All figures. units x days of minute data are bounded by MOST_READINGS."""
    days = max(1, min(days, MOST_READINGS // (units * 1440 * len(CHANNELS))))
    with tempfile.TemporaryDirectory(prefix="hourhand-bench-") as name:
        folder = Path(name)
        figures: dict[str, float] = {"units": units, "days": days}
        figures |= bench_load(folder, units, days)
        store, figures["bytes_per_reading_minute"] = bench_size(folder / "m", units, days, 60)
        used, whole = size(store)
        figures["file_to_pages_in_use"] = whole / used
        figures |= bench_reads(folder, store, days)
        store.close()
        store, figures["bytes_per_reading_10_min"] = bench_size(
            folder / "c", min(units, 10), YEAR, COARSE_S
        )
        figures |= bench_year(store)
        store.close()
        return figures


def table(figures: dict[str, float]) -> str:
    """The figures as lines of text."""
    lines = [f"{'figure':<36}{'value':>14}"]
    for name, value in figures.items():
        text = f"{value:,.0f}" if abs(value) >= 1000 or value == int(value) else f"{value:.3f}"
        lines.append(f"{name:<36}{text:>14}")
    return "\n".join(lines)


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="hourhand bench store",
        description="Measure the telemetry store against plain tables in the same run.",
        epilog="Example: hourhand bench store --units 6 --days 31 --json",
    )
    parser.add_argument("--units", type=int, default=6, help="sets (default 6)")
    parser.add_argument("--days", type=int, default=31, help="days of data (default 31)")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    given = parser.parse_args(argv)
    if not (1 <= given.units <= BATCH and given.days >= 1):
        parser.error(f"--units must be 1 to {BATCH} and --days at least 1")
    figures = run(given.units, given.days)
    sys.stdout.write((json.dumps(figures) if given.json else table(figures)) + "\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())

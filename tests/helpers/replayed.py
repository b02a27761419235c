"""A folder in which a recording is followed, and what its registry holds."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from simulated import World, recording, register_rows, world

from fleet.registry.register import import_units
from fleet.settings import Settings, load
from hourhand.recorded import Following

OF_A_PROCESS = frozenset({"shard", "heartbeat", "alembic_version"})
"""Tables that hold who wrote, not what was found: numbers drawn by chance."""


def settings(data: Path) -> Settings:
    return load(data, {})


def prepared(folder: Path, made: World) -> tuple[Path, Path]:
    """(data folder with the world's register, its recording)."""
    data, file = folder / "data", folder / "recorded.jsonl"
    data.mkdir(parents=True)
    recording(made, file)
    with Following(settings(data)) as following:
        report = import_units(following.registry, register_rows(made), made.begin, "test")
        assert report.ok, report.problems
    return data, file


def stormy(seed: int, units: int, days: float) -> World:
    """A small world over which a front is sure to come."""
    for n in range(100):
        made = world(seed + 1000 * n, units, days, areas=1, front_every_d=0.4 * days)
        if made.fronts:
            return made
    raise AssertionError("no front in a hundred worlds")


def rows(data: Path, but: Sequence[str] = ()) -> dict[str, list[tuple[Any, ...]]]:
    """Every row of every table of a registry, in order, by table."""
    db = sqlite3.connect(data / "registry.db")
    try:
        names = [n for (n,) in db.execute("SELECT name FROM sqlite_master WHERE type='table'")]
        held = [n for n in names if n not in OF_A_PROCESS and n not in but]
        return {
            name: sorted(db.execute(f'SELECT * FROM "{name}"').fetchall(), key=repr)
            for name in sorted(held)
            if not name.startswith("sqlite_")
        }
    finally:
        db.close()

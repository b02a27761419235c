"""Hot rows between SQLite and columns."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import Any

import msgspec
import numpy as np

from fleet.store.block import Block, empty_block

_FEW = 4

_EXTRA = msgspec.json.Decoder(dict[str, float])


def extra_of(text: str | None) -> dict[str, float]:
    """The unknown channels of a row."""
    return _EXTRA.decode(text) if text else {}


def extra_text(values: dict[str, float]) -> str | None:
    """The unknown channels of a row as the JSON text kept in `extra`; None where there are none."""
    return msgspec.json.encode(values).decode() if values else None


def hot_block(
    db: sqlite3.Connection,
    device: int,
    start: int,
    end: int,
    own: Sequence[str],
    only: frozenset[str] | None = None,
) -> Block:
    """Rows of `hot` in [start, end), rising in time.

    own: channels with a column; only: channels wanted (None: all, unknown ones too).
    """
    wanted = [name for name in own if only is None or name in only]
    if len(wanted) > _FEW:
        wanted = _reported(db, device, start, end, wanted)
    picked = "".join(f', "{name}"' for name in wanted)
    rows: list[tuple[Any, ...]] = db.execute(
        f"SELECT ts, clock, extra{picked} FROM hot WHERE device=? AND ts>=? AND ts<? ORDER BY ts",
        (device, start, end),
    ).fetchall()
    if not rows:
        return empty_block()
    columns = list(zip(*rows, strict=True))
    t = np.array(columns[0], np.int64)
    values = {}
    for name, column in zip(wanted, columns[3:], strict=True):
        v = np.array(column, np.float64)
        if not np.isnan(v).all():
            values[name] = v
    for k, text in enumerate(columns[2]):
        if text is None:
            continue
        for name, value in extra_of(text).items():
            if only is None or name in only:
                v = values.setdefault(name, np.full(len(t), np.nan))
                v[k] = np.fmax(v[k], value)
    return Block(t, np.array(columns[1], np.int64), values)


def _reported(
    db: sqlite3.Connection, device: int, start: int, end: int, names: list[str]
) -> list[str]:
    """Those of the channels that have a value: fetching empty columns costs more than counting."""
    counted = ", ".join(f'count("{name}")' for name in names)
    counts = db.execute(
        f"SELECT {counted} FROM hot WHERE device=? AND ts>=? AND ts<?",
        (device, start, end),
    ).fetchone()
    return [name for name, n in zip(names, counts, strict=True) if n]


def hot_days(db: sqlite3.Connection, device: int, start: int, end: int) -> list[int]:
    """UTC days of [start, end) that have hot rows, rising: one index seek a day."""
    return [
        row[0]
        for row in db.execute(
            "WITH RECURSIVE d(day) AS ("
            " SELECT min(ts)/86400 FROM hot WHERE device=:device AND ts>=:start AND ts<:end"
            " UNION ALL SELECT (SELECT min(ts)/86400 FROM hot WHERE device=:device"
            "  AND ts>=(d.day+1)*86400 AND ts<:end) FROM d WHERE d.day IS NOT NULL)"
            " SELECT day FROM d WHERE day IS NOT NULL",
            {"device": device, "start": start, "end": end},
        )
    ]

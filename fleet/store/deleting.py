"""Deleting a range of a device from the embedded store, packed days included."""

from __future__ import annotations

import numpy as np

from fleet.calendar import DAY_S
from fleet.store import daily, rows
from fleet.store.block import cut
from fleet.store.port import StoreFault
from fleet.store.reading import Names
from fleet.store.writing import Writer


def delete(writer: Writer, device: str, start: int, end: int) -> int:
    """Delete [start, end) inside the caller's transaction; returns how many device-seconds went.

    A damaged packed day can be deleted whole only; else StoreFault.
    """
    db = writer.db
    found = db.execute("SELECT id FROM device WHERE name=?", (device,)).fetchone()
    if found is None or end <= start:
        return 0
    number, names, gone = found[0], Names(db), 0
    hot = set(rows.hot_days(db, number, start // DAY_S * DAY_S, -(-end // DAY_S) * DAY_S))
    packed = db.execute(
        "SELECT t0, n FROM pack WHERE device=? AND t0>? AND t0<?", (number, start - DAY_S, end)
    ).fetchall()
    for t0, n in packed:
        whole = start <= t0 and t0 + DAY_S <= end
        if whole and (t0 // DAY_S not in hot or _is_damaged(writer, names, number, t0)):
            db.execute("DELETE FROM pack WHERE device=? AND t0=?", (number, t0))
            gone += n
        else:
            gone += _cut_day(writer, names, number, t0, start, end)
    gone += db.execute(
        "DELETE FROM hot WHERE device=? AND ts>=? AND ts<?", (number, start, end)
    ).rowcount
    return gone


def _is_damaged(writer: Writer, names: Names, device: int, t0: int) -> bool:
    try:
        daily.load_day(writer, names, device, t0 // DAY_S)
    except StoreFault:
        return True
    return False


def _cut_day(writer: Writer, names: Names, device: int, t0: int, start: int, end: int) -> int:
    """Pack the day again without the range; returns how many rows went."""
    block, clashes = daily.load_day(writer, names, device, t0 // DAY_S)
    writer.found_late(device, clashes)
    keep = (block.t < start) | (block.t >= end)
    daily.store_day(writer, device, t0 // DAY_S, cut(block, keep))
    return int(np.count_nonzero(~keep))

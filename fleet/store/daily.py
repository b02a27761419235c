"""A packed day in the embedded store: load it whole, make a block its whole content."""

from __future__ import annotations

from typing import Any

from fleet.calendar import DAY_S
from fleet.channels import CHANNELS
from fleet.store import pack, rows, spans
from fleet.store.block import Block, course, cut, empty_block, merge
from fleet.store.extremes import LOW
from fleet.store.reading import Names, unpack
from fleet.store.writing import Writer

_DECIMALS = {channel.name: channel.decimals for channel in CHANNELS.values()}


def load_day(writer: Writer, names: Names, device: int, day: int) -> tuple[Block, int]:
    """A day whole, packed and hot rows merged, and the clashes between the two.

    Raises StoreFault when its pack is damaged.
    """
    t0 = day * DAY_S
    row = writer.db.execute(
        "SELECT fmt, blob FROM pack WHERE device=? AND t0=?", (device, t0)
    ).fetchone()
    packed = unpack(device, t0, row[0], row[1], names) if row else empty_block()
    hot = rows.hot_block(writer.db, device, t0, t0 + DAY_S, writer.columns)
    return merge(packed, hot)


def pack_day(writer: Writer, names: Names, device: int, day: int) -> int:
    """Move a day's hot rows into its pack. Inside the caller's transaction. Returns clashes."""
    block, clashes = load_day(writer, names, device, day)
    store_day(writer, device, day, block)
    return clashes


def store_day(writer: Writer, device: int, day: int, block: Block) -> None:
    """Make a block the whole content of a day (inside the caller's transaction)."""
    t0 = day * DAY_S
    key: dict[str, Any] = {"device": device, "t0": t0, "t1": t0 + DAY_S}
    block = _with_values(block)
    writer.db.execute("DELETE FROM hot WHERE device=:device AND ts>=:t0 AND ts<:t1", key)
    if not len(block):
        writer.db.execute("DELETE FROM pack WHERE device=:device AND t0=:t0", key)
        return
    ids = _channel_ids(writer, block)
    blob, used = pack.encode(block, t0, ids, _DECIMALS)
    summary = spans.encode(block, t0, ids, _of_courses(block, used))
    writer.db.execute(
        "INSERT INTO pack(device, t0, n, fmt, summary, blob)"
        " VALUES(:device, :t0, :n, :fmt, :summary, :blob) ON CONFLICT(device, t0)"
        " DO UPDATE SET n=:n, fmt=:fmt, summary=:summary, blob=:blob",
        key | {"n": len(block), "fmt": pack.FORMAT, "summary": summary, "blob": blob},
    )


def _of_courses(block: Block, used: dict[str, int | None]) -> dict[str, int | None]:
    """Decimals of the summaries: of courses, which hold both ends of a second."""
    found = {name: d for name, d in used.items() if not name.endswith(LOW)}
    for name in used.keys() - found.keys():
        base = name.removesuffix(LOW)
        scaled = pack.scale(course(block, base)[1], used[name] or 0)
        found[base] = scaled[1] if scaled else None
    return found


def _with_values(block: Block) -> Block:
    """Without rows that hold no value at all."""
    if not block.values:
        return empty_block()
    missing = [v != v for v in block.values.values()]
    none = missing[0]
    for m in missing[1:]:
        none = none & m
    return cut(block, ~none) if none.any() else block


def _channel_ids(writer: Writer, block: Block) -> dict[str, int]:
    """The channel numbers of a block's channels, new ones added (in the transaction)."""
    found: dict[str, int] = {}
    for name in sorted(block.values):
        row = writer.db.execute("SELECT id FROM channel WHERE name=?", (name,)).fetchone()
        if row is None:
            number = writer.db.execute("INSERT INTO channel(name) VALUES(?)", (name,)).lastrowid
        else:
            number = row[0]
        assert number is not None
        found[name] = number
    return found

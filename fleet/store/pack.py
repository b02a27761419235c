"""Codec of a packed day: one device, one UTC day, every channel, exact. Pure.

Format 1, all numbers little endian:

    u32 crc32 of everything behind it | u16 length of the directory | directory | streams

The directory is raw deflate of one 24-byte entry a column, in the order of their streams:

    u32 id       channel id (table `channel`), or 0xFFFFFFFF time, 0xFFFFFFFE clock rank
    u8  form     0 scaled: int32 / 10^decimals; 1 float: the bits of the float64 as int64
    u8  decimals (form 0)
    u8  order    0 every value is `first`; 1 differences; 2 differences of differences
    u8  width    bytes of one stored number: 1, 2, 4, 8
    u32 present  values there are. In the time entry (always first) this is the number of rows
    u32 length   bytes of this column's stream
    i64 first    the first value (scaled, or bits)

A stream is raw deflate (zlib level 6, no header) of: where present < rows, a bitmap of the rows
that have a value (most significant bit first); then, where order > 0, `present` numbers as byte
planes (all lowest bytes, then all second bytes...). Numbers are zigzag ((d << 1) ^ (d >> 31),
63 for form 1) of wrapping differences, the first being 0. Time is seconds since the start of
the day. A column is scaled only where every value comes back bit for bit; else it is float.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Collection, Mapping
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from fleet.store.block import Block

FORMAT = 1
"""Of a pack's bytes. Definition."""

TIME, CLOCK = 0xFFFFFFFF, 0xFFFFFFFE
_SCALED, _FLOAT = 0, 1
"""Numbers of the columns of times and clocks, beside those of channels. A bound of a format."""
_HEAD = struct.Struct("<IH")
_ENTRY = struct.Struct("<IBBBBIIq")
_MORE_DECIMALS = (0, 1, 2, 3, 4, 5, 6)
# Tried in this order when the channel's own decimals do not fit.

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


class PackBroken(ValueError):
    """A packed day that cannot be decoded; says what is wrong with it."""


class _Entry(NamedTuple):
    id: int
    form: int
    decimals: int
    order: int
    width: int
    present: int
    length: int
    first: int


def scale(values: Floats, decimals: int) -> tuple[NDArray[np.int32], int] | None:
    """values as int32 / 10^d with the smallest change of d that is exact, and d; None if none is.

    Exact means bit for bit: infinities, values beyond int32, finer decimals and negative zero
    are refused. `decimals` is tried first.
    """
    for d in (decimals, *(m for m in _MORE_DECIMALS if m != decimals)):
        with np.errstate(invalid="ignore", over="ignore"):
            q = np.rint(values * 10.0**d)
            if not np.all(np.abs(q) < 2.0**31):
                continue
        ints = q.astype(np.int32)
        if np.array_equal(unscale(ints, d).view(np.int64), values.view(np.int64)):
            return ints, d
    return None


def unscale(ints: NDArray[Any], decimals: int) -> Floats:
    """The float64 nearest to ints / 10^decimals (what a decimal text of it would parse to)."""
    if not decimals:
        return ints.astype(np.float64)
    result: Floats = ints / 10.0**decimals
    return result


def encode(
    block: Block, t0: int, ids: Mapping[str, int], decimals: Mapping[str, int]
) -> tuple[bytes, dict[str, int | None]]:
    """Pack a block (at least one row, all of the day that starts at t0).

    ids: channel id by name; decimals: decimals to try first by name (2 where absent).
    Returns the blob, and the decimals used by channel (None: kept as float64). Channels without
    any value are left out.
    """
    times = min(
        (_column(TIME, 0, (block.t - t0).astype(np.int32), None, order) for order in (1, 2)),
        key=lambda made: len(made[1]),
    )
    columns = [times, _column(CLOCK, 0, block.clock.astype(np.int32), None)]
    used: dict[str, int | None] = {}
    for name in sorted(block.values, key=lambda n: ids[n]):
        present = ~np.isnan(block.values[name])
        values = block.values[name][present]
        if not len(values):
            continue
        mask = None if present.all() else present
        scaled = scale(values, decimals.get(name, 2))
        used[name] = scaled[1] if scaled else None
        if scaled:
            columns.append(_column(ids[name], scaled[1], scaled[0], mask))
        else:
            columns.append(_column(ids[name], 0, values.view(np.int64), mask))
    directory = _deflate(b"".join(_ENTRY.pack(*entry) for entry, _ in columns))
    body = directory + b"".join(stream for _, stream in columns)
    tail = struct.pack("<H", len(directory)) + body
    return struct.pack("<I", zlib.crc32(tail)) + tail, used


def decode(
    blob: bytes, fmt: int, t0: int, names: Mapping[int, str], only: Collection[int] | None = None
) -> Block:
    """Unpack a day. names: channel name by id; only: ids to decode (None: all).

    Raises PackBroken where the blob is damaged or of a format this version does not know.
    """
    entries, at = _directory(blob, fmt)
    time = entries[0]
    t, clock = np.empty(0, np.int64), np.zeros(time.present, np.int64)
    values: dict[str, Floats] = {}
    for entry in entries:
        stream = blob[at : at + entry.length]
        at += entry.length
        if entry.id == TIME:
            t = _numbers(entry, stream, time.present)[1].astype(np.int64) + t0
        elif entry.id == CLOCK:
            if only is None:
                clock = _numbers(entry, stream, time.present)[1].astype(np.int64)
        elif only is None or entry.id in only:
            values[names[entry.id]] = _values(entry, stream, time.present)
    return Block(t, clock, values)


def verify(blob: bytes, fmt: int) -> None:
    """Raises PackBroken unless the blob is whole (checksum) and of a known format."""
    _directory(blob, fmt)


def _directory(blob: bytes, fmt: int) -> tuple[list[_Entry], int]:
    """The entries of a blob, and where its streams begin."""
    if fmt != FORMAT:
        raise PackBroken(f"it has format {fmt}, this version reads format {FORMAT}")
    if len(blob) < _HEAD.size or zlib.crc32(memoryview(blob)[4:]) != _HEAD.unpack_from(blob)[0]:
        raise PackBroken("its checksum does not fit: the bytes on the disk have changed")
    end = _HEAD.size + _HEAD.unpack_from(blob)[1]
    listing = zlib.decompress(blob[_HEAD.size : end], -15)
    return [_Entry(*fields) for fields in _ENTRY.iter_unpack(listing)], end


def _column(
    id_: int, decimals: int, ints: NDArray[Any], mask: NDArray[np.bool_] | None, order: int = 1
) -> tuple[_Entry, bytes]:
    """Directory entry and stream of one column of int32 (scaled) or int64 (float bits)."""
    form = _SCALED if ints.dtype == np.int32 else _FLOAT
    bitmap = b"" if mask is None else np.packbits(mask).tobytes()
    if np.all(ints == ints[0]):
        order, width, planes = 0, 1, b""
    else:
        width, planes = _planes(ints, order)
    stream = _deflate(bitmap + planes) if bitmap or planes else b""
    entry = _Entry(id_, form, decimals, order, width, len(ints), len(stream), int(ints[0]))
    return entry, stream


def _planes(ints: NDArray[Any], order: int) -> tuple[int, bytes]:
    """Width and byte planes of the zigzagged wrapping differences."""
    bits = ints.dtype.itemsize * 8
    unsigned = ints.view(f"u{bits // 8}")
    for _ in range(order):
        unsigned = np.diff(unsigned, prepend=unsigned[:1])
    signed = unsigned.view(ints.dtype)
    zigzag = ((signed << 1) ^ (signed >> (bits - 1))).view(unsigned.dtype)
    top = int(zigzag.max())
    width = next(w for w in (1, 2, 4, 8) if top < 1 << (8 * w))
    bytes_ = zigzag.astype(f"<u{width}").view(np.uint8).reshape(-1, width)
    return width, bytes_.T.tobytes()


def _numbers(
    entry: _Entry, stream: bytes, rows: int
) -> tuple[NDArray[np.bool_] | None, NDArray[Any]]:
    """Which rows have a value (None: all), and the values: int32 (scaled) or int64 (bits)."""
    size = 4 if entry.form == _SCALED else 8
    raw = zlib.decompress(stream, -15) if stream else b""
    mask, at = None, 0
    if entry.present < rows:
        at = -(-rows // 8)
        mask = np.unpackbits(np.frombuffer(raw, np.uint8, at), count=rows).astype(np.bool_)
    if entry.order == 0:
        return mask, np.full(entry.present, entry.first, f"i{size}")
    planes = np.frombuffer(raw, np.uint8, entry.present * entry.width, at)
    packed = np.ascontiguousarray(planes.reshape(entry.width, -1).T).view(f"<u{entry.width}")
    zigzag = packed[:, 0].astype(f"u{size}")
    numbers = (zigzag >> 1) ^ (-(zigzag & 1).view(f"i{size}")).view(f"u{size}")
    for _ in range(entry.order):
        numbers = np.cumsum(numbers, dtype=f"u{size}")
    return mask, numbers.view(f"i{size}") + np.array(entry.first, f"i{size}")


def _values(entry: _Entry, stream: bytes, rows: int) -> Floats:
    """float64 by row, NaN where missing."""
    mask, numbers = _numbers(entry, stream, rows)
    if entry.form == _SCALED:
        values = unscale(numbers, entry.decimals)
    else:
        values = numbers.view(np.float64)
    if mask is None:
        return values
    full = np.full(rows, np.nan)
    full[mask] = values
    return full


def _deflate(raw: bytes) -> bytes:
    squeezer = zlib.compressobj(6, zlib.DEFLATED, -15)
    return squeezer.compress(raw) + squeezer.flush()

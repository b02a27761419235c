"""Summaries of a packed day: six spans of 4 h, each with n, min, max, sum, last, last_at. Pure.

Layout (format 1, little endian): u16 channels kept as scaled integers, u16 channels kept as
float64, u32 id of each (scaled first), u8 decimals of each scaled one; then raw deflate of the
records: all scaled ones (channel by channel, span by span) as byte planes, then all float ones.

    scaled record  i32 min, i32 max, i32 last, u16 n, u16 seconds of last in the span, i64 sum
    float record   f64 min, f64 max, f64 last, u16 n, u16 seconds of last in the span, f64 sum
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fleet.calendar import DAY_S
from fleet.store.block import Block, course

SPAN_S = 14_400
"""Seconds of readings in one row. A size of a batch."""
SPANS = DAY_S // SPAN_S

_HEAD = struct.Struct("<HH")
_FIELDS = ("minimum", "maximum", "last", "n", "last_s", "total")
_SCALED = np.dtype({"names": _FIELDS, "formats": ["<i4", "<i4", "<i4", "<u2", "<u2", "<i8"]})
_FLOAT = np.dtype({"names": _FIELDS, "formats": ["<f8", "<f8", "<f8", "<u2", "<u2", "<f8"]})

# Exact, as 10.0 ** d of an array need not be.
_TENS = np.array([10.0**d for d in range(23)])


@dataclass(frozen=True, slots=True)
class Pieces:
    """Parts of one channel's course, each standing for n values: a span, or a single reading.

    at: int64 second of the last value of the part; the others by part, same length.
    """

    at: NDArray[np.int64]
    n: NDArray[np.int64]
    minimum: NDArray[np.float64]
    maximum: NDArray[np.float64]
    total: NDArray[np.float64]
    last: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.at)


def readings(t: NDArray[np.int64], v: NDArray[np.float64]) -> Pieces:
    """Single readings as pieces of one value each."""
    return Pieces(t, np.ones(len(t), np.int64), v, v, v, v)


def join(parts: Sequence[Pieces]) -> Pieces:
    """Several pieces as one, rising in time."""
    if len(parts) == 1:
        return parts[0]
    at = np.concatenate([p.at for p in parts])
    columns = [
        np.concatenate([getattr(p, name) for p in parts])
        for name in ("n", "minimum", "maximum", "total", "last")
    ]
    if np.any(at[1:] < at[:-1]):
        order = np.argsort(at, kind="stable")
        at, columns = at[order], [column[order] for column in columns]
    return Pieces(at, *columns)


def encode(block: Block, t0: int, ids: Mapping[str, int], used: Mapping[str, int | None]) -> bytes:
    """Summary of a day's block. used: decimals by channel as pack.encode chose them, None: float.

    Channels not in `used` are left out. Sums of scaled channels are exact integers.
    """
    scaled = sorted((n for n in used if used[n] is not None), key=lambda n: ids[n])
    floats = sorted((n for n in used if used[n] is None), key=lambda n: ids[n])
    head = _HEAD.pack(len(scaled), len(floats))
    head += struct.pack(f"<{len(used)}I", *(ids[n] for n in (*scaled, *floats)))
    head += bytes(used[n] or 0 for n in scaled)
    body = b"".join(
        _planes(np.stack([_records(block, t0, name, used[name]) for name in names]))
        for names in (scaled, floats)
        if names
    )
    squeezer = zlib.compressobj(6, zlib.DEFLATED, -15)
    return head + squeezer.compress(body) + squeezer.flush()


def decode(
    rows: Sequence[tuple[int, bytes]], mask: NDArray[np.bool_], only: Collection[int]
) -> dict[int, Pieces]:
    """Spans by channel id, rising in time.

    rows: (start of the day, summary), rising; mask: which spans to give, by row and span;
    only: the channel ids wanted.
    """
    groups: dict[bytes, tuple[list[int], list[bytes]]] = {}
    for k, (_, blob) in enumerate(rows):
        scaled, floats = _HEAD.unpack_from(blob)
        end = _HEAD.size + 5 * scaled + 4 * floats
        which, bodies = groups.setdefault(blob[:end], ([], []))
        which.append(k)
        bodies.append(blob[end:])
    all_starts = np.array([t0 for t0, _ in rows], np.int64)[:, None] + np.arange(SPANS) * SPAN_S
    found: dict[int, list[Pieces]] = {}
    for head, (which, bodies) in groups.items():
        for id_, pieces in _unstack(head, bodies, all_starts[which], mask[which], only):
            found.setdefault(id_, []).append(pieces)
    return {id_: join(parts) for id_, parts in found.items()}


def _records(block: Block, t0: int, name: str, decimals: int | None) -> NDArray[np.void]:
    """The six records of one channel."""
    t, values = course(block, name)
    seconds = t - t0
    if decimals is None:
        out, v = np.zeros(SPANS, _FLOAT), values
    else:
        out = np.zeros(SPANS, _SCALED)
        v = np.rint(values * 10.0**decimals).astype(np.int64)
    span = seconds // SPAN_S
    first = np.flatnonzero(np.diff(span, prepend=-1))
    where = span[first]
    after = np.append(first[1:], len(span))
    out["minimum"][where] = np.minimum.reduceat(v, first)
    out["maximum"][where] = np.maximum.reduceat(v, first)
    with np.errstate(over="ignore", invalid="ignore"):
        out["total"][where] = np.add.reduceat(v, first)
    out["last"][where] = v[after - 1]
    out["last_s"][where] = seconds[after - 1] - where * SPAN_S
    out["n"][where] = after - first
    return out


def _planes(records: NDArray[np.void]) -> bytes:
    flat = records.reshape(-1)
    return flat.view(np.uint8).reshape(len(flat), flat.itemsize).T.tobytes()


def _unstack(
    head: bytes,
    bodies: list[bytes],
    starts: NDArray[np.int64],
    mask: NDArray[np.bool_],
    only: Collection[int],
) -> Iterator[tuple[int, Pieces]]:
    """The wanted channels of days that are alike in channels. starts, mask: by day and span."""
    scaled, floats = _HEAD.unpack_from(head)
    ids = struct.unpack_from(f"<{scaled + floats}I", head, _HEAD.size)
    decimals = np.frombuffer(head, np.uint8, scaled, _HEAD.size + 4 * len(ids))
    raw = np.frombuffer(b"".join([zlib.decompress(b, -15) for b in bodies]), np.uint8)
    raw = raw.reshape(len(bodies), -1)
    middle = scaled * SPANS * _SCALED.itemsize
    for part, dtype, part_ids, by in (
        (raw[:, :middle], _SCALED, ids[:scaled], _TENS[decimals][:, None, None]),
        (raw[:, middle:], _FLOAT, ids[scaled:], np.ones((floats, 1, 1))),
    ):
        wanted = [k for k, id_ in enumerate(part_ids) if id_ in only]
        if wanted:
            rows = part.reshape(len(bodies), dtype.itemsize, len(part_ids), SPANS)
            records = np.ascontiguousarray(rows[:, :, wanted].transpose(2, 0, 3, 1)).view(dtype)
            found = _pieces(records[..., 0], by[wanted], starts, mask)
            yield from zip((part_ids[k] for k in wanted), found, strict=True)


def _pieces(
    records: NDArray[np.void],
    by: NDArray[np.float64],
    starts: NDArray[np.int64],
    mask: NDArray[np.bool_],
) -> Iterator[Pieces]:
    """Pieces of each channel. records: by channel, day and span; by: what to divide them by."""
    n = records["n"].astype(np.int64)
    columns = (
        starts + records["last_s"],
        n,
        *(records[name] / by for name in ("minimum", "maximum", "total", "last")),
    )
    there = (n > 0) & mask
    for k in range(len(records)):
        if there[k].all():
            yield Pieces(*(column[k].reshape(-1) for column in columns))
        else:
            yield Pieces(*(column[k][there[k]] for column in columns))

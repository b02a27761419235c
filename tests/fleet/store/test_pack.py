"""The codec of packed days: exact whatever the values, small on what sets really send."""

from __future__ import annotations

import itertools
import math
import struct
import zlib

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from fleet.store import buckets, pack, spans
from fleet.store.block import Block, cut, merge
from fleet.store.extremes import LOW

T0 = 17_500 * 86_400
NAMES = ("battery_v", "run_hours_h", "in_auto", "tank_probe_7")
IDS = {name: k + 1 for k, name in enumerate(NAMES)}
BY_ID = {k: name for name, k in IDS.items()}
DECIMALS = {"battery_v": 2, "run_hours_h": 2, "in_auto": 0}

ODD = (0.0, -0.0, 5e-324, -5e-324, 2.2e-308, 1.7976931348623157e308, -1e300, 0.1, 1 / 3, 2**31)
value = st.one_of(
    st.sampled_from(ODD),
    st.floats(allow_nan=False),
    st.integers(-(10**6), 10**6).map(lambda n: n / 100),
    st.integers(0, 2**40).map(float),
)


@st.composite
def blocks(draw: st.DrawFn, values: st.SearchStrategy[float] = value) -> Block:
    """Up to 40 rows; each channel constant, steady or missing here and there."""
    t = sorted(draw(st.sets(st.integers(0, 86_399), min_size=1, max_size=40)))
    n = len(t)
    columns = {}
    for name in NAMES:
        one = draw(values)
        column = draw(
            st.one_of(
                st.just([one] * n), st.lists(st.one_of(st.none(), values), min_size=n, max_size=n)
            )
        )
        columns[name] = np.array(column, np.float64)
    clock = draw(st.lists(st.integers(0, 2), min_size=n, max_size=n))
    return Block(np.array(t, np.int64) + T0, np.array(clock, np.int64), columns)


def bits(v: np.ndarray) -> np.ndarray:
    """float64 as integers, so that -0.0 is not 0.0; every NaN (missing) alike."""
    return np.where(np.isnan(v), np.int64(-1), v.view(np.int64))


@given(blocks())
@example(Block(np.array([T0]), np.array([2]), {n: np.array([-0.0]) for n in NAMES}))
@settings(max_examples=300, deadline=None)
def test_a_packed_day_comes_back_bit_for_bit(block: Block) -> None:
    blob, _ = pack.encode(block, T0, IDS, DECIMALS)
    back = pack.decode(blob, pack.FORMAT, T0, BY_ID)
    assert np.array_equal(back.t, block.t)
    assert np.array_equal(back.clock, block.clock)
    for name in NAMES:
        if np.isnan(block.values[name]).all():
            assert name not in back.values
        else:
            assert np.array_equal(bits(back.values[name]), bits(block.values[name]))


@given(blocks(), st.sets(st.sampled_from(NAMES)))
@settings(deadline=None)
def test_decoding_some_channels_gives_the_same_as_decoding_all(
    block: Block, some: set[str]
) -> None:
    blob, used = pack.encode(block, T0, IDS, DECIMALS)
    back = pack.decode(blob, pack.FORMAT, T0, BY_ID, {IDS[n] for n in some})
    assert set(back.values) == some & used.keys()
    whole = pack.decode(blob, pack.FORMAT, T0, BY_ID)
    for name in back.values:
        assert np.array_equal(bits(back.values[name]), bits(whole.values[name]))


def by_the_book(blob: bytes) -> dict[int, list[float | None]]:
    """A second decoder, written from pack's description with the standard library alone."""
    crc, size = struct.unpack_from("<IH", blob)
    assert crc == zlib.crc32(blob[4:])
    at = 6 + size
    out: dict[int, list[float | None]] = {}
    rows = 0
    for id_, form, dec, order, width, present, length, first in struct.iter_unpack(
        "<IBBBBIIq", zlib.decompress(blob[6:at], -15)
    ):
        rows = rows or present
        raw = zlib.decompress(blob[at : at + length], -15) if length else b""
        at += length
        there = [True] * rows
        if present < rows:
            size = (rows + 7) // 8
            there = [bool(raw[k // 8] >> (7 - k % 8) & 1) for k in range(rows)]
            raw = raw[size:]
        word = 32 if form == 0 else 64
        numbers = [0] * present
        if order:
            for k in range(present):
                z = sum(raw[plane * present + k] << (8 * plane) for plane in range(width))
                numbers[k] = (z >> 1) ^ -(z & 1)
        for _ in range(order):
            numbers = list(itertools.accumulate(numbers))
        wrapped = [(n + first) % 2**word for n in numbers]
        signed = [n - 2**word if n >= 2 ** (word - 1) else n for n in wrapped]
        if form == 0:
            values = [n / 10**dec for n in signed]
        else:
            values = [struct.unpack("<d", struct.pack("<q", n))[0] for n in signed]
        feed = iter(values)
        out[id_] = [next(feed) if t else None for t in there]
    return out


@given(blocks())
@settings(max_examples=200, deadline=None)
def test_the_description_is_enough_to_decode(block: Block) -> None:
    blob, used = pack.encode(block, T0, IDS, DECIMALS)
    told = by_the_book(blob)
    assert told[pack.TIME] == [float(t - T0) for t in block.t]
    assert told[pack.CLOCK] == [float(c) for c in block.clock]
    for name in used:
        for ours, theirs in zip(block.values[name], told[IDS[name]], strict=True):
            assert (theirs is None) == math.isnan(ours)
            assert theirs is None or struct.pack("<d", ours) == struct.pack("<d", theirs)


def test_a_full_day_of_seconds_and_a_counter_that_wraps() -> None:
    n = 86_400
    counter = (np.arange(n, dtype=np.int64) * 49_999 % 2**32).astype(np.float64)
    block = Block(T0 + np.arange(n), np.full(n, 2), {"run_hours_h": counter})
    blob, used = pack.encode(block, T0, IDS, DECIMALS)
    assert used == {"run_hours_h": None}, "beyond int32: kept as float64"
    back = pack.decode(blob, pack.FORMAT, T0, BY_ID)
    assert np.array_equal(back.values["run_hours_h"], counter)
    assert np.array_equal(back.t, block.t)


def test_finer_decimals_than_the_glossary_stay_scaled() -> None:
    block = Block(
        T0 + np.arange(3), np.full(3, 2), {"battery_v": np.array([12.625, 12.6254, 12.6])}
    )
    assert pack.encode(block, T0, IDS, DECIMALS)[1] == {"battery_v": 4}


def test_a_changed_byte_and_an_unknown_format_are_refused() -> None:
    block = Block(T0 + np.arange(9), np.full(9, 2), {"battery_v": np.arange(9.0)})
    blob, _ = pack.encode(block, T0, IDS, DECIMALS)
    pack.verify(blob, pack.FORMAT)
    for k in range(len(blob)):
        broken = blob[:k] + bytes([blob[k] ^ 1]) + blob[k + 1 :]
        with pytest.raises(pack.PackBroken):
            pack.decode(broken, pack.FORMAT, T0, BY_ID)
    with pytest.raises(pack.PackBroken, match="checksum"):
        pack.verify(blob[:-1], pack.FORMAT)
    with pytest.raises(pack.PackBroken, match="format 2"):
        pack.decode(blob, 2, T0, BY_ID)


def a_day(seed: int, step: int) -> Block:
    """Eight channels of a set on float: noise of mains and battery, one run of 30 min."""
    r = np.random.default_rng(seed)
    n = 86_400 // step
    t = np.arange(n) * step
    start = int(r.integers(0, 80_000))
    on = (t >= start) & (t < start + 1800)
    values = {
        "battery_v": (13.55 + r.normal(0, 0.012, n) + 0.6 * on).round(2),
        "ac_v": np.where(on, 231 + r.normal(0, 0.6, n), 0).round(1),
        "frequency_hz": np.where(on, 50 + r.normal(0, 0.05, n), 0).round(2),
        "charge_v": np.where(on, 14.1 + r.normal(0, 0.02, n), 0).round(2),
        "mains_v": (231 + r.normal(0, 0.15, n).cumsum() * 0.3 + r.normal(0, 0.4, n)).round(1),
        "run_hours_h": (812.4 + on.cumsum() * step / 3600).round(1),
        "start_attempts": 57.0 + (on.cumsum() > 0),
        "in_auto": np.ones(n),
    }
    return Block(T0 + t, np.full(n, 2), values)


@pytest.mark.parametrize(("step", "at_most"), [(60, 0.6), (600, 1.0)])
def test_minute_data_of_eight_channels_takes_at_most_0_6_byte(step: int, at_most: float) -> None:
    # 0.6: the check value, summaries included; 10-min data is reported beside it.
    block = a_day(1, step)
    ids = {name: k + 1 for k, name in enumerate(block.values)}
    blob, used = pack.encode(block, T0, ids, {"battery_v": 2})
    summary = spans.encode(block, T0, ids, used)
    assert (len(blob) + len(summary)) / (8 * len(block)) <= at_most


@given(blocks(), st.sets(st.sampled_from(NAMES), min_size=1))
@settings(deadline=None)
def test_summaries_say_what_the_values_say(block: Block, some: set[str]) -> None:
    _, used = pack.encode(block, T0, IDS, DECIMALS)
    blob = spans.encode(block, T0, IDS, used)
    told = spans.decode([(T0, blob)], np.ones((1, 6), np.bool_), {IDS[n] for n in some})
    assert set(told) == {IDS[n] for n in some & used.keys()}
    for id_, pieces in told.items():
        v = block.values[BY_ID[id_]]
        there = ~np.isnan(v)
        k = 0
        for span in range(6):
            inside = there & ((block.t - T0) // spans.SPAN_S == span)
            if not inside.any():
                continue
            assert pieces.n[k] == inside.sum()
            assert pieces.at[k] == block.t[inside][-1]
            assert pieces.last[k] == v[inside][-1]
            assert pieces.minimum[k] == v[inside].min()
            assert pieces.maximum[k] == v[inside].max()
            with np.errstate(over="ignore", invalid="ignore"):
                assert pieces.total[k] == pytest.approx(
                    v[inside].sum(), rel=1e-9, abs=1e-9 * np.abs(v[inside]).sum(), nan_ok=True
                )
            k += 1
        assert k == len(pieces)


@given(blocks(), blocks())
@settings(deadline=None)
def test_merging_does_not_depend_on_the_order(a: Block, b: Block) -> None:
    one, clashes = merge(a, b)
    other, again = merge(b, a)
    assert clashes == again
    assert np.array_equal(one.t, other.t)
    assert np.array_equal(one.clock, other.clock)
    for name in NAMES:
        assert np.array_equal(one.values[name], other.values[name], equal_nan=True)
    twice, none = merge(one, b)
    shared = np.isin(one.t, b.t)
    lost = 0
    for n in NAMES:
        low = one.values.get(n + LOW, np.full(len(one), np.nan))[shared]
        lost += int(np.sum((one.values[n][shared] > b.values[n]) & (low != b.values[n])))
    assert none == lost, "only values that were not kept clash again"
    assert np.array_equal(twice.t, one.t)
    assert len(cut(one, np.zeros(len(one), np.bool_))) == 0


def test_buckets_are_rounded_up_to_whole_seconds() -> None:
    b = buckets.buckets(0, 10, 4)
    assert (
        b.width_s,
        buckets.fill(b, spans.readings(np.empty(0, np.int64), np.empty(0))).start.tolist(),
    ) == (3, [0, 3, 6, 9])
    with pytest.raises(ValueError, match="at least one"):
        buckets.buckets(0, 10, 0)

"""What every telemetry store promises (fleet.store.port), for each adapter."""

from __future__ import annotations

import itertools
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

import influx_servers
import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from places import ROOT

from fleet.model import Reading, Window
from fleet.store import Store, StoreFault, open_store
from fleet.store.embedded import EmbeddedStore

DAY = 86_400
D0 = 20_000  # 2024-10-04
T0 = D0 * DAY
NOW = T0 + 400 * DAY


@dataclass(frozen=True)
class Place:
    """Settings of a store, as fleet.settings gives them."""

    data: Path
    store: str
    retention_days: int = 0
    influx_url: str = ""
    influx_org: str = ""
    influx_bucket: str = ""
    influx_token: str = ""


@dataclass(frozen=True)
class Adapter:
    """How a test opens a store of one kind: a new, empty place each time `place` is called."""

    name: str
    place: Callable[[Path], Place]


EMBEDDED = Adapter("embedded", lambda folder: Place(folder, "embedded"))


def in_influx(folder: Path) -> Place:
    """A new bucket at the InfluxDB of this run."""
    it = influx_servers.server()
    return Place(folder, "influx", 0, it.url, it.org, it.new_bucket(), it.token)


INFLUX = Adapter(f"influx-{influx_servers.KIND}", in_influx)


@pytest.fixture(scope="module", params=[EMBEDDED, INFLUX], ids=lambda a: a.name)
def adapter(request: pytest.FixtureRequest) -> Adapter:
    found: Adapter = request.param
    return found


@pytest.fixture
def place(adapter: Adapter, tmp_path: Path) -> Place:
    return adapter.place(tmp_path)


@pytest.fixture
def store(place: Place) -> Iterator[Store]:
    opened = open_store(place, writing=True)
    yield opened
    opened.close()


def settle(store: Store, now: int = NOW) -> None:
    """Housekeeping until there is nothing left, however long a store waits for late rows."""
    for later in (0, 3600, 7200):
        while store.tend(now + later, 0.05):
            pass


def course(store: Store, device: str = "a", *channels: str) -> dict[str, list[tuple[int, float]]]:
    """Everything of a device as (second, value) pairs."""
    found = store.read(device, channels or None, 0, NOW + DAY)
    return {n: list(zip(s.t.tolist(), s.v.tolist(), strict=True)) for n, s in found.items()}


def minute(k: int, device: str = "a", **values: float) -> Reading:
    return Reading(device, T0 + 60 * k, values or {"battery_v": 12 + k / 100})


# --- writing


def test_what_was_written_is_read_and_a_new_process_reads_it_too(
    store: Store, place: Place
) -> None:
    readings = [minute(k, battery_v=12.6 + k / 100, ac_v=0.0) for k in range(5)]
    assert store.write(readings).rows == 5
    expected = {
        "battery_v": [(r.at, r.values["battery_v"]) for r in readings],
        "ac_v": [(r.at, 0.0) for r in readings],
    }
    assert course(store) == expected
    other = open_store(place, writing=False)
    assert course(other) == expected
    other.close()


def test_writing_twice_is_writing_once(store: Store) -> None:
    readings = [minute(k) for k in range(100)]
    store.write(readings)
    before = course(store)
    result = store.write(readings + readings[:7])
    assert (result.rows, result.clashes) == (107, 0)
    assert course(store) == before
    settle(store)
    assert store.write(readings).clashes == 0
    settle(store)
    assert course(store) == before


def test_parts_of_one_second_come_together(store: Store) -> None:
    store.write([minute(0, battery_v=12.6)])
    result = store.write([minute(0, ac_v=231.0), minute(0, tank_probe=7.5)])
    assert result.clashes == 0
    at = T0
    assert course(store) == {
        "battery_v": [(at, 12.6)],
        "ac_v": [(at, 231.0)],
        "tank_probe": [(at, 7.5)],
    }


@pytest.mark.parametrize("packed", [False, True])
@pytest.mark.parametrize("order", list(itertools.permutations((12.4, 12.6, 12.5))))
@pytest.mark.parametrize("channel", ["battery_v", "an_unknown_channel"])
def test_of_the_values_of_a_second_the_largest_and_the_smallest_are_kept(
    store: Store, order: tuple[float, ...], packed: bool, channel: str
) -> None:
    clashes = 0
    for value in order:
        clashes += store.write([minute(0, "a", **{channel: value})]).clashes
        if packed:
            settle(store)
    clashes += store.write([]).clashes  # clashes with packed values are told by a later write
    assert course(store) == {channel: [(T0, 12.6), (T0 + 1, 12.4)]}
    assert clashes == 2


@pytest.mark.parametrize("packed", [False, True])
@pytest.mark.parametrize("channel", ["run_hours_h", "running", "start_attempts"])
def test_of_two_values_of_a_counter_or_state_the_larger_is_kept(
    store: Store, packed: bool, channel: str
) -> None:
    for value in (1.0, 0.0):
        store.write([minute(1, "a", **{channel: value})])
        if packed:
            settle(store)
    assert course(store) == {channel: [(T0 + 60, 1.0)]}


@pytest.mark.parametrize("packed", [False, True])
def test_where_both_ends_of_a_second_stand(store: Store, packed: bool) -> None:
    """One second before, but in the first of a day; in a second of its own, or by turns."""
    low, high = 11.0, 13.0
    for at in (T0, T0 + 100, T0 + 201, T0 + 202, T0 + 301):
        store.write([Reading("a", at, {"battery_v": v}) for v in (high, low)])
    store.write([Reading("a", at, {"battery_v": 12.0}) for at in (T0 + 300, T0 + DAY)])
    if packed:
        settle(store)
    expected = [
        (T0, high),
        (T0 + 1, low),
        (T0 + 99, low),
        (T0 + 100, high),
        (T0 + 200, low),
        (T0 + 201, high),
        (T0 + 202, low),
        (T0 + 300, 12.0),
        (T0 + 301, high),
        (T0 + DAY, 12.0),
    ]
    assert course(store)["battery_v"] == expected
    for start, end in itertools.combinations(
        sorted({t + d for t, _ in expected for d in (0, 1)}), 2
    ):
        found = store.read("a", ["battery_v"], start, end)["battery_v"]
        assert list(zip(found.t.tolist(), found.v.tolist(), strict=True)) == [
            (t, v) for t, v in expected if start <= t < end
        ]


def test_what_is_known_of_a_second_clashes_no_more(store: Store) -> None:
    """A message delivered again counts nothing twice, packed or not."""
    both = [minute(3, battery_v=12.5), minute(3, battery_v=12.1), minute(3, "b", battery_v=1.0)]
    result = store.write(both)
    assert (result.clashes, result.shared) == (1, {"a": 1})
    assert store.write(both).clashes == 0
    settle(store)
    store.write(both)
    settle(store)
    assert store.write([]).clashes == 0


@pytest.mark.parametrize("seed", range(3))
def test_a_day_is_the_same_byte_for_byte_in_any_order(tmp_path: Path, seed: int) -> None:
    rng = random.Random(seed)
    readings = [
        Reading("a", T0 + rng.randrange(300), {name: rng.randrange(100) / 10 for name in some})
        for some in rng.choices([("battery_v",), ("ac_v", "odd"), ("run_hours_h", "ac_v")], k=400)
    ]
    packs = []
    for n in range(2):
        store = EmbeddedStore(tmp_path / str(n) / "store.db", writing=True)
        store.write([Reading("z", T0, {"battery_v": 1, "ac_v": 1, "odd": 1, "run_hours_h": 1})])
        for name in ("battery_v", "ac_v", "odd"):  # channel numbers as another day gave them
            store.write([Reading("z", T0, {name: 0.0})])
        settle(store)
        rng.shuffle(readings)
        for k in range(0, 400, 50):
            store.write(readings[k : k + 50])
            if rng.random() < 0.5:
                settle(store)
        settle(store)
        assert store.writer is not None
        packs.append(
            store.writer.db.execute("SELECT device, t0, n, summary, blob FROM pack").fetchall()
        )
        store.close()
    assert packs[0] == packs[1]


def test_clashes_are_counted_by_value_within_a_batch_too(store: Store) -> None:
    result = store.write(
        [
            minute(0, battery_v=12.5, ac_v=231.0),
            minute(0, battery_v=12.6, ac_v=231.0),
            minute(1, battery_v=12.5),
        ]
    )
    assert (result.rows, result.clashes) == (3, 1)
    assert store.write([minute(0, battery_v=12.5, ac_v=230.0)]).clashes == 1, "12.5 is known"
    assert store.write([minute(0, battery_v=12.55, ac_v=230.5)]).clashes == 2


def test_a_reading_without_values_leaves_no_trace(store: Store) -> None:
    assert store.write([Reading("a", T0, {})]).rows == 1
    assert store.days("a", 0, NOW) == []
    assert store.devices() == []


@pytest.mark.parametrize("value", [5e-324, 1.7976931348623157e308, -1 / 3, 2.0**53, 1e-7])
def test_odd_numbers_come_back_exactly(store: Store, value: float) -> None:
    store.write([minute(0, battery_v=value, strange=value), minute(1, battery_v=12.6)])
    for _ in range(2):
        found = course(store)
        assert found["battery_v"] == [(T0, value), (T0 + 60, 12.6)]
        assert found["strange"] == [(T0, value)]
        settle(store)


@pytest.mark.parametrize("at", [-5, 1 << 41, 1 << 70])
def test_a_batch_with_a_time_that_cannot_be_kept_leaves_nothing(store: Store, at: int) -> None:
    with pytest.raises(StoreFault, match=r"cannot be kept|no number"):
        store.write([minute(0), Reading("new", at, {"ac_v": 1.0})])
    assert store.devices() == []
    store.write([Reading("new", T0, {"ac_v": 1.0}), minute(0)])
    assert store.devices() == ["a", "new"]
    assert course(store, "new") == {"ac_v": [(T0, 1.0)]}
    assert course(store) == {"battery_v": [(T0, 12.0)]}


# --- reading


@pytest.mark.parametrize("packed", [False, True])
def test_ranges_hold_their_start_and_not_their_end(store: Store, packed: bool) -> None:
    store.write([minute(k) for k in range(10)])
    if packed:
        settle(store)
    found = store.read("a", ["battery_v"], T0 + 60, T0 + 240)["battery_v"]
    assert found.t.tolist() == [T0 + 60, T0 + 120, T0 + 180]
    assert found.t.dtype == np.int64
    assert found.v.dtype == np.float64
    assert len(store.read("a", ["battery_v"], T0 + 61, T0 + 120)["battery_v"]) == 0
    assert store.days("a", T0 + 541, T0 + DAY) == []
    assert store.days("a", T0 + 540, T0 + DAY) == [D0]
    assert store.days("a", T0 - DAY, T0) == []
    assert store.days("a", T0 - DAY, T0 + 1) == [D0]


@pytest.mark.parametrize("packed", [False, True])
def test_channels_and_devices_that_are_not_there_give_empty_series(
    store: Store, packed: bool
) -> None:
    store.write([minute(0)])
    if packed:
        settle(store)
    assert course(store, "a", "ac_v", "no such") == {"ac_v": [], "no such": []}
    assert course(store, "b", "ac_v") == {"ac_v": []}
    assert course(store, "b") == {}
    assert set(store.read("a", None, T0, T0 + DAY)) == {"battery_v"}
    assert store.days("b", 0, NOW) == []
    window = store.window("b", ["ac_v"], T0, T0 + DAY, 3)["ac_v"]
    assert window.count.tolist() == [0, 0, 0]
    assert np.isnan(window.mean).all()


def test_devices_are_listed_by_name_with_all_that_ever_wrote(store: Store) -> None:
    store.write([minute(0, device=name) for name in ("b", "a", "B2")])
    store.delete("b", 0, NOW)
    assert store.devices() == ["B2", "a", "b"]


def test_days_are_utc_days(store: Store) -> None:
    for day in (3, 0, 7):
        store.write([Reading("a", T0 + day * DAY + DAY - 1, {"ac_v": 0.0})])
        settle(store, T0 + 4 * DAY)
    assert store.days("a", 0, NOW) == [D0, D0 + 3, D0 + 7]


# --- order


CHANNELS = ("battery_v", "run_hours_h", "an_unknown")
values = st.one_of(st.sampled_from([0.0, 12.6, 12.61, 13.0]), st.floats(-1e9, 1e9))
readings = st.builds(
    Reading,
    st.sampled_from(["a", "b"]),
    st.one_of(
        st.sampled_from([T0, T0 + 1, T0 + 2, T0 + 14_399, T0 + 14_400, T0 + DAY - 1, T0 + DAY]),
        st.integers(T0, T0 + 3 * DAY - 1),
    ),
    st.dictionaries(st.sampled_from(CHANNELS), values, min_size=1),
    st.sampled_from(["device", "local", "receipt", "corrected"]),
)
steps = st.lists(st.tuples(st.lists(readings, max_size=12), st.booleans()), max_size=6)


def both_ends(batches: list[list[Reading]]) -> dict[str, dict[str, dict[int, float]]]:
    """Plain truth: device, channel, second; of a gauge the smallest value stands before the
    largest."""
    told: dict[str, dict[str, dict[int, list[float]]]] = {"a": {}, "b": {}}
    for reading in itertools.chain.from_iterable(batches):
        for name, value in reading.values.items():
            told[reading.device].setdefault(name, {}).setdefault(reading.at, []).append(value)
    truth: dict[str, dict[str, dict[int, float]]] = {"a": {}, "b": {}}
    for device, channels in told.items():
        for name, seconds in channels.items():
            kept = truth[device][name] = {at: max(v) for at, v in seconds.items()}
            if name == "run_hours_h":
                continue
            lows = {at: min(v) for at, v in seconds.items() if min(v) < max(v)}
            for at, low in lows.items():
                place = at + 1 if at % DAY == 0 else at - 1
                if place in seconds or (at % DAY == 0 and at + 2 in lows):
                    kept[at] = low if at % 2 == 0 else kept[at]
                else:
                    kept[place] = low
    return truth


@given(steps, st.integers(T0 - DAY, T0 + 3 * DAY), st.integers(1, 4 * DAY), st.integers(1, 40))
@example([([Reading("a", T0, {"battery_v": 1.0})], True)] * 2, T0, DAY, 1)
@example([([Reading("a", T0 + 9, {"battery_v": 1.0 * k}) for k in (1, 2)], True)], T0, 9, 1)
@example([([Reading("a", T0, {"battery_v": 1.0 * k}) for k in (1, 2)], False)], T0 + 1, 7200, 1)
@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
def test_any_order_batching_and_packing_give_the_same(
    adapter: Adapter, batches: list[tuple[list[Reading], bool]], start: int, length: int, n: int
) -> None:
    truth = both_ends([batch for batch, _ in batches])
    seconds = {(r.device, r.at) for batch, _ in batches for r in batch}
    with tempfile.TemporaryDirectory() as folder:
        store = open_store(adapter.place(Path(folder)), writing=True)
        for batch, packing in batches:
            store.write(batch)
            if packing:
                settle(store)
        for device, channels in truth.items():
            assert course(store, device) == {
                name: sorted(kept.items()) for name, kept in channels.items()
            }
            every = {at for name, at in seconds if name == device}
            assert store.days(device, start, start + length) == sorted(
                {at // DAY for at in every if start <= at < start + length}
            )
            told = store.window(device, CHANNELS, start, start + length, n)
            for name in CHANNELS:
                same_as_raw(told[name], channels.get(name, {}), start, start + length, n)
        store.close()


def same_as_raw(told: Window, kept: dict[int, float], start: int, end: int, n: int) -> None:
    """A window is what its values say, bucket by bucket."""
    width = -(-(end - start) // n)
    assert told.width_s == width
    assert told.start.tolist() == [start + k * width for k in range(n)]
    for k in range(n):
        low, high = start + k * width, min(end, start + (k + 1) * width)
        inside = [(at, v) for at, v in sorted(kept.items()) if low <= at < high]
        assert told.count[k] == len(inside)
        if not inside:
            for part in (told.minimum, told.maximum, told.mean, told.last):
                assert np.isnan(part[k])
            continue
        v = [value for _, value in inside]
        assert (told.minimum[k], told.maximum[k], told.last[k]) == (min(v), max(v), v[-1])
        scale = max(abs(x) for x in v)
        assert told.mean[k] == pytest.approx(sum(v) / len(v), rel=1e-9, abs=1e-9 * scale)


# --- windows over days


def a_week(step: int = 600) -> list[Reading]:
    r = random.Random(7)
    return [
        Reading("a", at, {"battery_v": round(r.gauss(13.5, 0.1), 2), "odd": r.random()})
        for at in range(T0, T0 + 7 * DAY, step)
    ]


@pytest.mark.parametrize(
    ("start", "end", "n"),
    [
        (T0, T0 + 7 * DAY, 7),  # whole days
        (T0 + 5 * 3600, T0 + 5 * DAY + 17, 3),  # ragged edges, wide buckets
        (T0 - DAY, T0 + 9 * DAY, 60),  # 4-hour buckets, beyond both ends
        (T0, T0 + 7 * DAY, 1000),  # narrow
        (T0 + 1, T0 + 2, 1),
        (T0 + 50, T0 + 50, 2),  # nothing
    ],
)
def test_a_window_is_what_the_readings_say(store: Store, start: int, end: int, n: int) -> None:
    week = a_week()
    store.write(week)
    for packed in (False, True):
        if packed:
            settle(store)
            store.write([Reading("a", T0 + 3 * DAY + 1, {"battery_v": 20.0})])  # a late one
            week = [*week, Reading("a", T0 + 3 * DAY + 1, {"battery_v": 20.0})]
        told = store.window("a", ["battery_v", "odd"], start, end, n)
        if end == start:
            assert told["odd"].count.tolist() == [0] * n
            continue
        for name in ("battery_v", "odd"):
            kept = {r.at: r.values[name] for r in week if name in r.values}
            same_as_raw(told[name], kept, start, end, n)


# --- deleting


@pytest.mark.parametrize("packed", [False, True])
@pytest.mark.parametrize(
    ("start", "end"), [(T0, T0 + 7 * DAY), (T0 + 3700, T0 + 2 * DAY + 1), (T0, T0), (0, NOW)]
)
def test_deleting_takes_the_range_and_nothing_else(
    store: Store, start: int, end: int, packed: bool
) -> None:
    week = a_week()
    store.write(week)
    store.write([minute(0, device="b")])
    if packed:
        settle(store)
        store.write(week[3:5])  # twice: packed and late
        store.write([Reading("a", T0 + DAY + 5, {"ac_v": 1.0})])
        week = [*week, Reading("a", T0 + DAY + 5, {"ac_v": 1.0})]
    gone = store.delete("a", start, end)
    assert gone == sum(start <= r.at < end for r in week)
    left = {r.at: r.values["odd"] for r in week if not start <= r.at < end and "odd" in r.values}
    assert course(store).get("odd", []) == sorted(left.items())
    assert course(store, "b") == {"battery_v": [(T0, 12.0)]}
    assert store.delete("nobody", 0, NOW) == 0
    settle(store)
    assert course(store).get("odd", []) == sorted(left.items())
    store.write(week)
    assert len(course(store)["odd"]) == 7 * 144, "what was deleted can be written again"


# --- who may do what


def test_a_reader_does_not_write(store: Store, place: Place) -> None:
    store.write([minute(0)])
    reader = open_store(place, writing=False)
    for refused in (
        lambda: reader.write([minute(1)]),
        lambda: reader.tend(NOW),
        lambda: reader.delete("a", 0, NOW),
    ):
        with pytest.raises(StoreFault, match="reads the telemetry store only"):
            refused()
    reader.close()
    assert course(store) == {"battery_v": [(T0, 12.0)]}


def test_a_closed_store_says_so_and_closes_again(store: Store) -> None:
    store.close()
    store.close()
    for call in (lambda: store.write([minute(0)]), store.devices, lambda: store.tend(NOW)):
        with pytest.raises(StoreFault, match="closed"):
            call()


def test_a_sound_store_has_nothing_to_say(store: Store) -> None:
    store.write(a_week())
    settle(store)
    assert store.check() == []


def test_an_unknown_kind_of_store_is_refused(tmp_path: Path) -> None:
    with pytest.raises(StoreFault, match="Set `store` to `embedded`"):
        open_store(Place(tmp_path, "mystery"), writing=False)


def test_reading_while_writing_and_packing_sees_every_acknowledged_row_once(
    store: Store, place: Place
) -> None:
    acknowledged, stop = [0], threading.Event()
    found: list[str] = []

    def look() -> None:
        reader = open_store(place, writing=False)
        while not stop.is_set():
            low = acknowledged[0]
            t = reader.read("a", ["battery_v"], 0, NOW)["battery_v"].t
            count = reader.window("a", ["battery_v"], T0, T0 + 40 * DAY, 10)["battery_v"].count
            if len(t) < low or count.sum() < low or len(np.unique(t)) != len(t):
                found.append(f"{low} acknowledged, {len(t)} read, {count.sum()} counted")
        reader.close()

    threads = [threading.Thread(target=look) for _ in range(2)]
    for thread in threads:
        thread.start()
    for day in range(40):
        for half in range(2):
            at = T0 + day * DAY + half
            store.write([Reading("a", at + k * 600, {"battery_v": 12.0}) for k in range(144)])
            acknowledged[0] += 144
            store.tend(NOW + 1000 * (2 * day + half), 0.01)
    stop.set()
    for thread in threads:
        thread.join()
    assert found == []
    assert acknowledged[0] == 40 * 288


# --- crashes

WRITER = """
import json, sys
from pathlib import Path
from types import SimpleNamespace
from fleet.model import Reading
from fleet.store import open_store
S = SimpleNamespace(**json.loads(sys.argv[2]) | {"data": Path(sys.argv[1])})
store, k, T0, NOW = open_store(S, True), int(sys.argv[3]), int(sys.argv[4]), int(sys.argv[5])
while True:
    store.write([Reading("a", T0 + (k + i) * 600, {"battery_v": float(k + i)}) for i in range(20)])
    k += 20
    sys.stdout.write(f"{k}\\n")
    sys.stdout.flush()
    store.tend(NOW + k * 1000, 0.01)
"""


def settings_of(place: Place) -> str:
    return json.dumps(asdict(place) | {"data": ""})


@pytest.mark.parametrize("kills", [1, pytest.param(20, marks=pytest.mark.long)])
def test_a_killed_writer_loses_nothing_it_acknowledged(place: Place, kills: int) -> None:
    acknowledged, r = 0, random.Random(1)
    for _ in range(kills):
        writer = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(place.data), settings_of(place)]
            + [str(n) for n in (acknowledged, T0, NOW * 2)],
            stdout=subprocess.PIPE,
            text=True,
            cwd=ROOT,
            env=os.environ,
        )
        assert writer.stdout is not None
        for _ in range(r.randrange(20, 200)):
            acknowledged = int(writer.stdout.readline())
        writer.send_signal(signal.SIGKILL)
        for line in writer.stdout.read().splitlines(keepends=True):
            if line.endswith("\n"):
                acknowledged = int(line)
        writer.stdout.close()
        writer.wait()
        store = open_store(place, writing=True)
        v = store.read("a", ["battery_v"], 0, 1 << 39)["battery_v"]
        assert len(v) >= acknowledged
        assert v.v.tolist() == [float(k) for k in range(len(v))]
        assert v.t.tolist() == [T0 + 600 * k for k in range(len(v))]
        assert store.check() == []
        store.close()

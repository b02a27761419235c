"""Reading a unit: fittings, calibrations and a real embedded store joined."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fleet.calibration import from_check
from fleet.history import parts, read_days, read_series, read_window
from fleet.model import (
    Calibration,
    Customer,
    Fitting,
    Reading,
    RunningSignal,
    SignalChannel,
    Site,
    Unit,
    Window,
)
from fleet.registry.facts.rows import UnitInputs
from fleet.store.embedded import EmbeddedStore

DAY = 86_400
START = 20_000 * DAY


@pytest.fixture
def store(tmp_path: Path) -> Iterator[EmbeddedStore]:
    opened = EmbeddedStore(tmp_path / "store.db", writing=True)
    yield opened
    opened.close()


def inputs(fittings: list[Fitting], calibrations: list[Calibration] | None = None) -> UnitInputs:
    signal = RunningSignal(first=SignalChannel("ac_v", 200, 180))
    return UnitInputs(
        unit=Unit(
            id="u",
            site="s",
            customer="c",
            nominal_v=230,
            nominal_hz=50,
            running=signal,
            service_plan="p",
        ),
        site=Site(id="s", customer="c", name="S", time_zone="UTC"),
        customer=Customer(id="c", name="C"),
        fittings=tuple(fittings),
        calibrations=tuple(calibrations or ()),
        records=(),
        plan=None,
        pulses=(),
        facts_seq=1,
    )


def fitting(device: str, start: int | None = None, end: int | None = None) -> Fitting:
    return Fitting(id=f"f-{device}", device=device, unit="u", from_at=start, to_at=end)


def line(fitted: str, gain: float, offset: float, at: int, name: str = "c") -> Calibration:
    return Calibration(
        id=name, fitting=fitted, channel="ac_v", gain=gain, offset=offset, from_at=at
    )


def fill(store: EmbeddedStore, device: str, values: dict[int, float]) -> None:
    store.write([Reading(device, START + at, {"ac_v": v}) for at, v in values.items()])


def test_a_meter_check_of_231_v_is_read_back_as_231_v_and_raw_stays(store: EmbeddedStore) -> None:
    """Common practice, no source: meter 231 V, raw 224.6."""
    fill(store, "old", {0: 224.6, 600: 224.6})
    gain, offset = from_check("ac_v", [231.0], [224.6], 230, 12)
    known = inputs([fitting("old")], [line("f-old", gain, offset, START + 600)])
    assert read_series(store, known, ["ac_v"], START, START + DAY)["ac_v"].v == pytest.approx(
        [224.6, 231.0]
    )
    raw = read_series(store, known, ["ac_v"], START, START + DAY, raw=True)["ac_v"]
    assert raw.v.tolist() == [224.6, 224.6]


def test_a_swapped_board_begins_uncalibrated_and_a_half_open_fitting_ends(
    store: EmbeddedStore,
) -> None:
    """A calibration belongs to a fitting and ends with it; the second of the swap is the new's."""
    fill(store, "old", {0: 100, 100: 100, 200: 100})
    fill(store, "new", {0: 50, 100: 50, 200: 50})
    known = inputs(
        [fitting("new", START + 100), fitting("old", None, START + 100)],
        [line("f-old", 2, 0, START - 1)],
    )
    series = read_series(store, known, ["ac_v", "battery_v"], START, START + DAY)
    assert series["ac_v"].v.tolist() == [200, 50, 50]
    assert len(series["battery_v"]) == 0
    assert [p.fitting.device for p in parts(known.fittings, START, START + DAY)] == ["old", "new"]
    assert read_series(store, inputs([]), ["ac_v"], START, START + DAY)["ac_v"].v.tolist() == []


def test_where_two_fittings_overlap_the_later_begun_wins(store: EmbeddedStore) -> None:
    fill(store, "old", {0: 100, 10: 100, 25: 100, 35: 100})
    fill(store, "new", {10: 50, 20: 50})
    known = inputs([fitting("new", START + 5, START + 30), fitting("old")])
    series = read_series(store, known, ["ac_v"], START, START + 40)["ac_v"]
    assert series.v.tolist() == [100, 50, 50, 100, 100]
    window = read_window(store, known, ["ac_v"], START, START + 40, 4)["ac_v"]
    assert window.count.tolist() == [1, 1, 2, 1]
    assert window.mean.tolist() == [100, 50, 75, 100]


def test_days_with_readings_while_fitted(store: EmbeddedStore) -> None:
    fill(store, "old", {0: 1, DAY: 1, 3 * DAY: 1})
    fill(store, "new", {2 * DAY: 1, 5 * DAY: 1})
    known = inputs([fitting("old", None, START + 2 * DAY), fitting("new", START + 2 * DAY)])
    assert read_days(store, known, START, START + 9 * DAY) == [20_000, 20_001, 20_002, 20_005]


def by_hand(
    store: EmbeddedStore, known: UnitInputs, start: int, end: int, n: int
) -> list[list[float]]:
    """The buckets made straight from the calibrated readings."""
    width = -(-(end - start) // n)
    series = read_series(store, known, ["ac_v"], start, end)["ac_v"]
    rows = []
    for i in range(n):
        v = series.v[(series.t >= start + i * width) & (series.t < start + (i + 1) * width)]
        nothing = [np.nan] * 4 + [0]
        rows.append([v.min(), v.max(), v.mean(), v[-1], len(v)] if len(v) else nothing)
    return rows


def as_rows(window: Window) -> list[list[float]]:
    columns = (window.minimum, window.maximum, window.mean, window.last, window.count)
    return [list(row) for row in zip(*(c.tolist() for c in columns), strict=True)]


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    swap=st.integers(-10, 110),
    gap=st.integers(0, 30),
    lines=st.lists(st.tuples(st.booleans(), st.floats(0.5, 2), st.integers(-5, 105)), max_size=3),
    span=st.tuples(st.integers(0, 60), st.integers(1, 90)),
    n=st.integers(1, 20),
)
def test_buckets_equal_those_made_from_the_readings(
    store: EmbeddedStore,
    swap: int,
    gap: int,
    lines: list[tuple[bool, float, int]],
    span: tuple[int, int],
    n: int,
) -> None:
    """Across a swap with a gap, and calibrations that begin anywhere, also inside a bucket."""
    fill(store, "old", {at: 200.0 + at for at in range(0, 100, 3)})
    fill(store, "new", {at: 50.0 + at for at in range(1, 100, 4)})
    known = inputs(
        [fitting("old", None, START + swap), fitting("new", START + swap + gap)],
        [
            line("f-old" if old else "f-new", gain, 1.5, START + at, f"c{i}")
            for i, (old, gain, at) in enumerate(lines)
        ],
    )
    start, end = START + span[0], START + span[0] + span[1]
    got = as_rows(read_window(store, known, ["ac_v"], start, end, n)["ac_v"])
    np.testing.assert_allclose(got, by_hand(store, known, start, end, n), rtol=1e-12)


def test_a_calibration_never_steps_a_trend_read_through_it(store: EmbeddedStore) -> None:
    """A board that reads low until it is checked: daily means of the true volts stay level when
    the check is dated to the day the board was fitted."""
    fill(store, "old", {day * DAY + 60: 224.6 for day in range(10)})
    gain, offset = from_check("ac_v", [231.0], [224.6], 230, 12)
    known = inputs([fitting("old", START)], [line("f-old", gain, offset, START)])
    window = read_window(store, known, ["ac_v"], START, START + 10 * DAY, 10)["ac_v"]
    assert window.mean == pytest.approx([231.0] * 10)


def test_an_empty_range_is_refused(store: EmbeddedStore) -> None:
    with pytest.raises(ValueError, match="no buckets"):
        read_window(store, inputs([fitting("old")]), ["ac_v"], START, START, 4)

"""Meter checks: the line they give, the ones refused, and history read through them."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.calibration import CalibrationRefused, apply, apply_window, from_check, line_at
from fleet.model import Calibration, Series, Window


def calibration(gain: float, offset: float, from_at: int, name: str = "c") -> Calibration:
    return Calibration(
        id=name, fitting="f", channel="ac_v", gain=gain, offset=offset, from_at=from_at
    )


def test_a_meter_reading_of_231_v_calibrates_to_231_v() -> None:
    """Common practice, no source (docs/engineering/calibration.md#one-point-and-two-points)."""
    gain, offset = from_check("ac_v", [231.0], [224.6], 230, 12)
    assert gain * 224.6 + offset == pytest.approx(231.0, abs=1e-9)
    assert gain == pytest.approx(231 / 224.6)


@pytest.mark.parametrize(
    ("channel", "meter", "raw", "why"),
    [
        ("ac_v", [231], [0], "not energised"),  # the classic: calibrated at 0 V
        ("ac_v", [231], [57.4], "not energised"),  # just under a quarter of 230
        ("ac_v", [0], [0], "zero point"),
        ("ac_v", [231], [110], "wiring"),  # gain 2.1
        ("ac_v", [100], [231], "wiring"),  # gain 0.43
        ("ac_v", [231, 200], [224, 195], "apart"),  # 31 of at least 46 V
        ("ac_v", [231, 0], [224, 190], "apart"),  # the device's points are too close
        ("ac_v", [231, 0], [100, 0], "wiring"),
        ("ac_v", [231], [224, 0], "each"),
        ("ac_v", [1, 2, 3], [1, 2, 3], "one or two"),
        ("ac_v", [], [], "one or two"),
        ("ac_v", [float("nan")], [224], "number"),
        ("battery_v", [12.6, 12.0], [12.1, 11.5], "apart"),  # 0.6 of at least 0.96 V
        ("battery_v", [12.6], [2.0], "not energised"),
        ("run_hours_h", [812], [800], "not a voltage"),
    ],
)
def test_refused_with_the_reason(
    channel: str, meter: list[float], raw: list[float], why: str
) -> None:
    with pytest.raises(CalibrationRefused, match=why):
        from_check(channel, meter, raw, 230, 12)


def test_two_points_give_the_line_through_both() -> None:
    gain, offset = from_check("ac_v", [0.0, 231.0], [2.0, 226.0], 230, 12)
    assert gain * 2.0 + offset == pytest.approx(0.0, abs=1e-9)
    assert gain * 226.0 + offset == pytest.approx(231.0)


def test_ac_points_may_be_exactly_a_fifth_of_nominal_apart() -> None:
    from_check("ac_v", [184.0, 230.0], [184.0, 230.0], 230, 12)


def test_battery_one_point_is_an_offset_and_two_may_be_close() -> None:
    """A series diode takes 0.6 V whatever the voltage; 8 % of 12 V is 0.96 V."""
    gain, offset = from_check("battery_v", [12.6], [12.0], 230, 12)
    assert gain == 1.0
    assert offset == pytest.approx(0.6)
    gain, offset = from_check("battery_v", [12.4, 13.6], [11.9, 13.1], 230, 12)
    assert gain == pytest.approx(1.0)
    assert offset == pytest.approx(0.5)


def test_it_holds_from_its_begin_on_and_the_newest_wins() -> None:
    lines = [calibration(3, 0, 20), calibration(2, 1, 10)]
    series = Series(np.array([9, 10, 19, 20], np.int64), np.array([1.0, 1.0, 1.0, 1.0]))
    assert apply(series, lines).v.tolist() == [1, 3, 3, 3]
    assert [line_at(lines, at) for at in (9, 10, 25)] == [(1, 0), (2, 1), (3, 0)]
    assert line_at([calibration(2, 0, 10), calibration(1.5, 0, 10)], 10) == (1.5, 0)


def window_of(series: Series, start: int, width: int, n: int) -> Window:
    columns = []
    for i in range(n):
        inside = (series.t >= start + i * width) & (series.t < start + (i + 1) * width)
        v = series.v[inside]
        columns.append(
            (v.min(), v.max(), v.mean(), v[-1], len(v)) if len(v) else (np.nan,) * 4 + (0,)
        )
    low, high, mean, last, count = (np.array(c) for c in zip(*columns, strict=True))
    starts = start + width * np.arange(n, dtype=np.int64)
    return Window(starts, width, low, high, mean, last, count.astype(np.int64))


@given(
    st.lists(st.tuples(st.integers(0, 99), st.floats(-100, 400)), min_size=1, max_size=40),
    st.lists(st.tuples(st.floats(0.5, 2), st.floats(-5, 5), st.integers(-10, 110)), max_size=3),
)
def test_summaries_through_a_calibration_equal_calibrated_readings(
    points: list[tuple[int, float]], lines: list[tuple[float, float, int]]
) -> None:
    """Every bucket, but those a calibration starts inside, which are named to be recomputed."""
    by_time = dict(points)
    t = np.array(sorted(by_time), np.int64)
    raw = Series(t, np.array([by_time[at] for at in t.tolist()]))
    calibrations = [calibration(*line, name=str(i)) for i, line in enumerate(lines)]
    mapped, mixed = apply_window(window_of(raw, 0, 10, 10), calibrations)
    want = window_of(apply(raw, calibrations), 0, 10, 10)
    keep = np.setdiff1d(np.arange(10), mixed)
    for name in ("minimum", "maximum", "mean", "last"):
        got, expected = getattr(mapped, name)[keep], getattr(want, name)[keep]
        np.testing.assert_allclose(got, expected, rtol=1e-9, atol=1e-9)
    for index in mixed.tolist():
        assert any(index * 10 < line[2] < index * 10 + 10 for line in lines)

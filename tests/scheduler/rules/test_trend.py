"""Trends against NIST, EPA and scipy, and what must never step one."""

from __future__ import annotations

import json
from collections.abc import Iterable
from math import inf
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from checks import Checks
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats

from fleet import calibration
from fleet.model import Calibration, Series
from scheduler.rules.trend import (
    EwmaChart,
    EwmaRules,
    Slope,
    Tendency,
    TooFew,
    ewma,
    mann_kendall,
    theil_sen,
)


def segments(calibrations: Iterable[Calibration], t: NDArray[np.int64]) -> NDArray[np.int64]:
    """Which stretch between changes of calibration each time lies in, counted from 0."""
    starts = np.array(sorted(c.from_at for c in calibrations), np.int64)
    return np.searchsorted(starts, t, side="right").astype(np.int64)


def values(shared: Path) -> dict:  # type: ignore[type-arg]
    found: dict = json.loads((shared / "check" / "check-values.json").read_text())  # type: ignore[type-arg]
    return found


def test_theil_sen_epa_sulfate(shared: Path, checked: Checks) -> None:
    """EPA 530/R-09-007, examples 17-6 and 17-7, n = 23 (printed digits; EnvStats)."""
    said = values(shared)["theil_sen_epa_sulfate"]
    slope = theil_sen(said["x"], said["y"])
    assert isinstance(slope, Slope)
    assert slope.pairs == 253
    checked(
        "Theil-Sen slope",
        "EPA 530/R-09-007, example 17-7",
        (26.6666667, -1909.3333333),
        (slope.slope, slope.intercept),
        1e-7,
    )
    checked(
        "Theil-Sen interval (Gilbert)",
        "EPA 530/R-09-007, example 17-7",
        (20.0, 35.71182),
        (slope.low, slope.high),
        1e-5,
    )


def test_mann_kendall_epa_sulfate(shared: Path, checked: Checks) -> None:
    tendency = mann_kendall(values(shared)["theil_sen_epa_sulfate"]["y"])
    assert isinstance(tendency, Tendency)
    checked(
        "Mann-Kendall",
        "EPA 530/R-09-007, example 17-6",
        (194, 1428.0, 5.107322, 3.267574e-07, 0.7667984),
        (tendency.s, tendency.var_s, tendency.z, tendency.p_two_sided, tendency.tau_a),
        1e-6,
    )
    assert tendency.p_two_sided == pytest.approx(3.267574e-07, rel=1e-6)


def test_mann_kendall_epa_with_ties(checked: Checks) -> None:
    """EPA QA/G-9S, p. 109: S 22, Var 155.33, Z 1.685; Sen slope 1.0 a step."""
    data = [10, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15]
    tendency = mann_kendall(data)
    assert isinstance(tendency, Tendency)
    checked(
        "Mann-Kendall with ties",
        "EPA QA/G-9S, p. 109",
        (22, 155.33, 1.685),
        (tendency.s, tendency.var_s, tendency.z),
        0.005,
    )
    assert tendency.z == pytest.approx(1.685, abs=5e-4)
    assert tendency.p_rising == pytest.approx(0.0460, abs=5e-5)
    slope = theil_sen(range(11), data)
    assert isinstance(slope, Slope)
    assert slope.slope == 1.0


def test_mann_kendall_small_sample_is_counted() -> None:
    """EPA QA/G-9S, n = 5: S 6, exact one-sided 14 of 120 orders (0.117)."""
    tendency = mann_kendall([5, 6, 11, 8, 10])
    assert isinstance(tendency, Tendency)
    assert (tendency.s, tendency.exact) == (6, True)
    assert tendency.p_rising == pytest.approx(14 / 120)


@pytest.mark.parametrize(
    ("n", "cuts"),
    [
        (4, (6, 6)),
        (5, (7, 8, 10)),
        (6, (8, 11, 13)),
        (7, (10, 13, 17)),
        (8, (11, 16, 20)),
        (9, (14, 18, 24)),
        (10, (16, 21, 27)),
    ],
)
def test_small_sample_cut_offs(n: int, cuts: tuple[int, ...]) -> None:
    """S cut-offs at 90, 95 and 99 % (secondary source): the chance turns there.

    The table takes the next S that can occur where the level falls between two."""
    for cut, level in zip(cuts, (0.10, 0.05, 0.01), strict=False):
        reach = [s for s in range(n * (n - 1) // 2, -1, -2) if chance(n, s) <= level]
        can = [s for s in range(n * (n - 1) // 2, -1, -2) if s >= cut]
        assert abs(min(reach) - min(can)) <= 2


def chance(n: int, s: int) -> float:
    """P(S >= s) by scipy's exact Kendall distribution, from an order that has this S."""
    order = list(range(n))
    left = (n * (n - 1) // 2 - s) // 2
    for end in range(n - 1, 0, -1):
        for k in range(end):
            if left == 0:
                break
            if order[k] < order[k + 1]:
                order[k], order[k + 1] = order[k + 1], order[k]
                left -= 1
    test = stats.kendalltau(range(n), order, method="exact", alternative="greater")
    ours = mann_kendall([float(v) for v in order])
    assert isinstance(ours, Tendency)
    assert ours.s == s
    assert ours.p_rising == pytest.approx(test.pvalue)
    return float(test.pvalue)


def test_one_bad_value_moves_nothing() -> None:
    """Helsel and Hirsch style demonstration (memory; recomputed): 1.0 against 1.714."""
    slope = theil_sen(range(1, 8), [1, 2, 3, 4, 5, 16, 7])
    assert isinstance(slope, Slope)
    assert slope.slope == 1.0


def test_ewma_of_the_handbook(shared: Path, checked: Checks) -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.4: 20 printed averages (2 decimals), limits, no signal."""
    said = values(shared)["nist_ewma"]
    chart = ewma(said["data"], 50.0, 2.0539, EwmaRules(weight=0.3))
    assert isinstance(chart, EwmaChart)
    checked(
        "EWMA chart, averages",
        "NIST/SEMATECH e-Handbook 6.3.2.4",
        said["ewma_printed"],
        chart.values,
        0.005,
    )
    checked(
        "EWMA chart, limits",
        "NIST/SEMATECH e-Handbook 6.3.2.4",
        (52.5884, 47.4115),
        (chart.upper[0], chart.lower[0]),
        1e-4,
    )
    assert chart.out == ()


def test_ewma_limits_of_each_point(checked: Checks) -> None:
    """They start at 50 +- 1.84851, 2.25639, 2.43141 (derived)."""
    chart = ewma([50, 50, 53.0], 50.0, 2.0539, EwmaRules(weight=0.3, settled=False))
    assert isinstance(chart, EwmaChart)
    checked(
        "EWMA chart, limits of each point",
        "derived from NIST/SEMATECH e-Handbook 6.3.2.4",
        (1.84851, 2.25639, 2.43141),
        [u - 50 for u in chart.upper],
        5e-6,
    )


@pytest.mark.parametrize(
    ("over", "says"), [({"weight": 0.0}, "weight"), ({"weight": 1.1}, "weight"), ({"k": 0.0}, "k")]
)
def test_ewma_rules_that_cannot_be(over: dict[str, Any], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        EwmaRules(**over)


def test_too_few_points_are_a_value() -> None:
    for refused in (
        theil_sen([1, 2, 3], [1, 2, 3]),
        mann_kendall([1, 2, 3]),
        ewma([], 0, 1),
        ewma([1], 0, 0),
        theil_sen([1, 1, 1, 1], [1, 2, 3, 4]),
        mann_kendall([1, 2, 3, 4], [1, 2, 3, 4]),
    ):
        assert isinstance(refused, TooFew)
        assert refused.reason
    assert isinstance(mann_kendall([1.0, np.nan, 2.0, 3.0]), TooFew)


def test_an_interval_the_points_cannot_bound_is_open() -> None:
    slope = theil_sen([1, 2, 3, 4], [1.0, 2.5, 2.7, 4.0])
    assert isinstance(slope, Slope)
    assert (slope.low, slope.high) == (-inf, inf)


POINTS = st.lists(st.floats(-100, 100).map(lambda v: round(v, 1)), min_size=4, max_size=60)


@given(POINTS)
def test_slope_is_scipys(y: list[float]) -> None:
    ours = theil_sen(np.arange(len(y), dtype=np.float64), y)
    theirs = stats.theilslopes(y, np.arange(len(y)), method="separate")
    assert isinstance(ours, Slope)
    assert ours.slope == pytest.approx(theirs.slope, abs=1e-9)
    assert ours.intercept == pytest.approx(theirs.intercept, abs=1e-6)
    assert ours.low <= ours.slope + 1e-9
    assert ours.high >= ours.slope - 1e-9


@given(POINTS.filter(lambda y: len(set(y)) > 1 and len(y) > 10))
def test_variance_is_scipys(y: list[float]) -> None:
    """scipy takes no continuity correction, so S / sqrt(Var S) is compared."""
    ours = mann_kendall(y)
    theirs = stats.kendalltau(np.arange(len(y)), y, method="asymptotic")
    assert isinstance(ours, Tendency)
    p = 2 * stats.norm.sf(abs(ours.s) / np.sqrt(ours.var_s))
    assert p == pytest.approx(theirs.pvalue, abs=1e-9)


LINES = st.lists(
    st.tuples(st.floats(0.5, 2.0), st.floats(-3.0, 3.0), st.integers(1, 99)), max_size=4
)


@given(st.lists(st.integers(0, 1000), min_size=8, max_size=60), LINES)
def test_calibration_changes_never_step_a_trend(
    raw: list[int], lines: list[tuple[float, float, int]]
) -> None:
    """Whatever a meter check makes of the readings, and however often it is put right, the test
    for a trend says what it says of the raw ones, segment by segment."""
    t = np.arange(len(raw), dtype=np.int64) * 86_400
    changes = [
        Calibration(
            id=f"c{i}",
            fitting="f",
            channel="ac_v",
            gain=gain,
            offset=offset,
            from_at=int(t[-1] * share / 100),
        )
        for i, (gain, offset, share) in enumerate(lines)
    ]
    series = calibration.apply(Series(t, np.array(raw, np.float64)), changes)
    parts = segments(changes, t).tolist()
    seen, bare = mann_kendall(series.v, parts), mann_kendall(raw, parts)
    if isinstance(seen, Tendency) and isinstance(bare, Tendency):
        assert (seen.s, seen.var_s) == (bare.s, bare.var_s)
    else:
        assert type(seen) is type(bare)


def test_a_meter_check_is_no_drift() -> None:
    """Raw 224.6 V for a year, checked at 231.0 V halfway: no trend; without segments a false one."""
    rng = np.random.default_rng(4)
    t = np.arange(52, dtype=np.int64) * 7 * 86_400
    raw = Series(t, 224.6 + 0.3 * rng.standard_normal(52))
    check = Calibration(
        id="c", fitting="f", channel="ac_v", gain=231.0 / 224.6, offset=0.0, from_at=int(t[26])
    )
    true = calibration.apply(raw, [check])
    days = true.t / 86_400
    whole = theil_sen(days, true.v)
    parted = theil_sen(days, true.v, segments=segments([check], true.t).tolist())
    assert isinstance(whole, Slope)
    assert isinstance(parted, Slope)
    assert whole.low > 0, "the step alone looks like a rise"
    assert parted.low < 0 < parted.high


def test_a_wrong_calibration_replaced_moves_the_history_and_no_trend() -> None:
    """0.9 was wrong, 1.03 is right: the same moments, read anew
    (docs/engineering/calibration.md#read-anew).
    """
    t = np.arange(20, dtype=np.int64) * 86_400
    raw = Series(t, np.tile([224.0, 225.0], 10))

    def of(gain: float) -> tuple[Series, Tendency]:
        line = Calibration(
            id="c", fitting="f", channel="ac_v", gain=gain, offset=0.0, from_at=int(t[8])
        )
        true = calibration.apply(raw, [line])
        found = mann_kendall(true.v, segments([line], t).tolist())
        assert isinstance(found, Tendency)
        return true, found

    (wrong, before), (right, after) = of(0.9), of(1.03)
    assert wrong.v[8] == pytest.approx(0.9 * 224)
    assert right.v[8] == pytest.approx(1.03 * 224)
    assert right.v[7] == wrong.v[7] == 225.0
    assert before.s == after.s


CUTS: dict[int, tuple[int, int, int | None]] = {
    4: (6, 6, None),
    5: (7, 8, 10),
    6: (8, 11, 13),
    7: (10, 13, 17),
    8: (11, 16, 20),
    9: (14, 18, 24),
    10: (16, 21, 27),
}


def test_mann_kendall_small_sample_cut_offs(checked: Checks) -> None:
    """Smallest S at which a rise is told at 90, 95, 99 % from 4 to 10 points (secondary source; the
    printed cut-off may be one below the next S that can be)."""
    told, printed = [], []
    for n, cuts in CUTS.items():
        pairs = n * (n - 1) // 2
        reachable = range(pairs % 2, pairs + 1, 2)
        for cut, alpha in zip(cuts, (0.10, 0.05, 0.01), strict=True):
            found = [s for s in reachable if chance_at_least(n, s) <= alpha]
            told.append(found[0] if found else 0)
            printed.append(0 if cut is None else cut + (cut - pairs) % 2)
    checked(
        "Mann-Kendall, smallest S that tells",
        "small-sample table of 4 to 10 (secondary source)",
        printed,
        told,
    )


def chance_at_least(n: int, s: int) -> float:
    """The rule's own chance for n points whose pairs add up to s."""
    found = mann_kendall(points_with(n, s))
    assert isinstance(found, Tendency)
    assert (found.s, found.exact) == (s, True)
    return found.p_rising


def points_with(n: int, s: int) -> list[int]:
    """n different values with that S: rising, with as many inversions as it takes."""
    inversions = (n * (n - 1) // 2 - s) // 2
    values: list[int] = []
    for value in range(n):
        back = min(inversions, len(values))
        inversions -= back
        values.insert(len(values) - back, value)
    return values

"""Fuel: consumption by published charts, the smoothed level, refills, and when it is low."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest
from checks import Checks
from found import facts_as
from fuel_looks import DIESEL, look
from hypothesis import given
from hypothesis import strategies as st
from one_unit import T0, UNIT, inputs

from fleet.findings.fuel import FuelLow
from fleet.model import Record, Run
from fleet.words import sentence
from scheduler.assess import Assessment, assess
from scheduler.rules import fuel

GAL = fuel.L_PER_GAL
CHART = {
    20: (0.6, 0.9, 1.3, 1.6),
    30: (1.3, 1.8, 2.4, 2.9),
    40: (1.6, 2.3, 3.2, 4.0),
    60: (1.8, 2.9, 3.8, 4.8),
    75: (2.4, 3.4, 4.6, 6.4),
    100: (2.6, 4.1, 5.8, 7.4),
    125: (3.1, 5.0, 7.1, 9.1),
    135: (3.3, 5.4, 7.6, 9.8),
    150: (3.6, 5.9, 8.4, 10.9),
    175: (4.1, 6.8, 9.7, 12.7),
    200: (4.7, 7.7, 11.0, 14.4),
    230: (5.3, 8.8, 12.5, 16.6),
    250: (5.7, 9.5, 13.6, 18.0),
    300: (6.8, 11.3, 16.1, 21.5),
    350: (7.9, 13.1, 18.7, 25.1),
    400: (8.9, 14.9, 21.3, 28.6),
    500: (11.0, 18.5, 26.4, 35.7),
}


def gal_per_h(rated_kw: float, load: float) -> float:
    found = fuel.diesel_l_per_h(rated_kw, load)
    assert found is not None
    return found / GAL


def test_the_chart(checked: Checks) -> None:
    for kw, row in CHART.items():
        got = [gal_per_h(kw, load) for load in (0.25, 0.5, 0.75, 1.0)]
        checked(
            "Diesel consumption [US gal/h]",
            "widely reproduced chart, secondary source",
            row,
            got,
            1e-9,
        )


def test_autonomy(checked: Checks) -> None:
    """200 kW, 300 gal usable; 60 % load lies on the straight line between 7.7 and 11.0."""
    hours = [300 / gal_per_h(200, load) for load in (0.5, 1.0, 0.6)]
    checked(
        "Hours of 300 gal at 200 kW [h]",
        "derived from the chart",
        [38.96, 20.83, 33.26],
        hours,
        0.005,
    )
    checked(
        "Diesel consumption at 60 % [US gal/h]",
        "derived from the chart",
        9.02,
        gal_per_h(200, 0.6),
        1e-9,
    )
    share = 100 / (gal_per_h(200, 0.5) * 40.26)
    checked(
        "Efficiency of the chart at 100 of 200 kW [1]",
        "derived from the chart",
        0.323,
        share,
        0.0005,
    )


def test_energy_content_of_propane(checked: Checks) -> None:
    checked(
        "Propane [kWh/US gal]",
        "EIA figures, reproduced",
        26.80,
        fuel.PROPANE_KWH_PER_L * GAL,
        0.005,
    )


def test_propane_by_its_energy(checked: Checks) -> None:
    """0.13 to 0.19 gal/kWh at 28 to 20 % efficiency."""
    burnt = fuel.rate("lpg", 100.0, 1.0)
    assert isinstance(burnt, fuel.Rate)
    got = [burnt.low_l_per_h / GAL / 100, burnt.high_l_per_h / GAL / 100]
    checked(
        "Propane of a gaseous set [US gal/kWh]",
        "derived, 20 to 28 % efficiency",
        [0.13, 0.19],
        got,
        0.005,
    )
    assert burnt.l_per_h == burnt.high_l_per_h, "the shorter time is told"


def test_nothing_is_interpolated_between_20_and_40_kw() -> None:
    assert gal_per_h(25, 0.5) == gal_per_h(30, 0.5) == pytest.approx(1.8)
    assert gal_per_h(35, 1.0) == pytest.approx(4.0)
    assert gal_per_h(50, 1.0) == pytest.approx((4.0 + 4.8) / 2)


@pytest.mark.parametrize(
    ("kind", "rated", "load", "reason"),
    [
        ("diesel", 200.0, 0.0, "no load"),
        ("diesel", 200.0, -0.2, "no load"),
        ("diesel", 200.0, 0.02, "no load"),
        ("diesel", 200.0, float("nan"), "no load"),
        ("diesel", 200.0, 3.0, "no load"),
        ("diesel", 12.0, 0.5, "outside the chart"),
        ("diesel", 800.0, 0.5, "outside the chart"),
        ("diesel", None, 0.5, "no rating"),
        ("diesel", 0.0, 0.5, "no rating"),
        ("petrol", 5.0, 0.5, "no chart"),
        (None, 5.0, 0.5, "no chart"),
        ("dual", 50.0, 0.5, "two fuels"),
        ("natural_gas", 50.0, 0.5, "mains gas"),
    ],
)
def test_what_cannot_be_named_is_not(kind: object, rated: object, load: float, reason: str) -> None:
    found = fuel.rate(kind, rated, load)  # type: ignore[arg-type]
    assert isinstance(found, fuel.Unknown)
    assert reason in found.reason


def test_under_a_quarter_load_the_quarter_load_figure_is_an_upper_bound() -> None:
    found = fuel.rate("diesel", 200.0, 0.1)
    assert isinstance(found, fuel.Rate)
    assert found.at_most
    assert found.l_per_h == pytest.approx(4.7 * GAL)


@given(st.floats(20, 500), st.floats(0.03, 1.09))
def test_more_load_burns_no_less(rated_kw: float, load: float) -> None:
    less, more = fuel.rate("diesel", rated_kw, load), fuel.rate("diesel", rated_kw, load + 0.01)
    assert isinstance(less, fuel.Rate)
    assert isinstance(more, fuel.Rate)
    assert 0 < less.l_per_h <= more.l_per_h


def test_own_refuels_correct_the_chart() -> None:
    assert fuel.correction([(60.0, 50.0, 3.0), (60.0, 50.0, 3.0)]) == pytest.approx(1.2)
    assert fuel.correction([(60.0, 50.0, 3.0)]) is None, "under 5 h of running"
    assert fuel.correction([(900.0, 50.0, 30.0)]) == 2.0
    assert fuel.correction([(0.0, 50.0, 30.0)]) is None
    assert fuel.correction([]) is None


# The level.


def levels(values: list[float], step_s: int = 10) -> tuple[tuple[fuel.Knot, ...], fuel.FuelCarry]:
    t = T0 + step_s * np.arange(len(values), dtype=np.int64)
    return fuel.smooth(t, np.array(values, float))


def test_slosh_is_not_news() -> None:
    """Field case 30: 22, 21, 3, 22, 21 % at 10 s."""
    knots, carry = levels([22, 21, 3, 22, 21])
    assert carry.level == 21
    assert min(level for _, level in knots) >= 21


def test_field_case_30_slosh_then_low() -> None:
    """22, 21, 3, 22, 21 and then slowly 12, 11, 10, 9: one finding, at a lasting 10 %."""
    readings = [(T0 + 10 * n, v) for n, v in enumerate([22.0, 21, 3, 22, 21])]
    for n, level in enumerate([12.0] * 8 + [11] * 8 + [10] * 8 + [9] * 8):
        readings.append((T0 + 900 * (n + 1), level))
    kinds: list[bool] = []
    since: set[int] = set()
    for upto in range(1, len(readings) + 1):
        verdict = look(readings[:upto], msgspec.structs.replace(DIESEL, tank_l=None))
        found = [f for f in verdict.findings if f.kind == "fuel_low"]
        kinds.append(bool(found))
        since.update(f.since for f in found)
    first = kinds.index(True)
    assert all(kinds[first:])
    assert len(since) == 1, "one finding, not one a reading"
    assert readings[first][1] == 10
    assert readings[first][0] - min(since) >= 60
    assert not any(kinds[:first])


def test_a_rise_of_twenty_points_is_a_refill_and_a_new_trend() -> None:
    knots, _ = levels([30, 25, 20, 15, 15, 15, 40, 60, 60, 60, 58, 57], 600)
    found = fuel.newest_refill(knots)
    assert found is not None
    assert (found[1], found[2]) == (15, 60)
    assert fuel.newest_refill(levels([30, 25, 24, 43, 43, 43], 600)[0]) is None, "19 points"
    again = fuel.newest_refill(levels([30, 90, 90, 90, 50, 20, 20, 20, 20, 85, 85, 85, 85], 600)[0])
    assert again is not None
    assert (again[1], again[2]) == (20, 85)


@given(
    st.lists(st.tuples(st.integers(1, 4000), st.floats(0, 105)), min_size=1, max_size=60),
    st.integers(0, 60),
)
def test_cutting_the_readings_changes_nothing(steps: list[tuple[int, float]], cut: int) -> None:
    t = np.cumsum([step for step, _ in steps]).astype(np.int64)
    v = np.array([value for _, value in steps])
    whole, end = fuel.smooth(t, v)
    first, middle = fuel.smooth(t[:cut], v[:cut])
    second, last = fuel.smooth(t[cut:], v[cut:], middle)
    assert first + second == whole
    assert last == end


@given(st.lists(st.floats(0, 100), min_size=5, max_size=40), st.integers(2, 37), st.floats(0, 100))
def test_one_odd_reading_among_even_ones_moves_nothing(
    values: list[float], place: int, odd: float
) -> None:
    steady = [50.0] * len(values)
    steady[min(place, len(steady) - 1)] = odd
    _, carry = levels(steady, 60)
    assert carry.level == 50.0 or (len(steady) <= 2)


def test_low_holds_until_two_points_above() -> None:
    assert fuel.below_since([(1, 12), (2, 10), (3, 11), (4, 12), (5, 10)], 10) == 2
    assert fuel.below_since([(1, 10), (2, 12.5)], 10) is None
    assert fuel.below_since([], 10) is None


@pytest.mark.parametrize(
    ("kind", "level", "share", "litres"),
    [
        ("lpg", 80, 1.0, 600),
        ("lpg", 50, 0.5, 300),
        ("lpg", 20, 0, 0),
        ("lpg", 10, 0, 0),
        ("lpg", 95, 1.0, 750),
        ("diesel", 50, 0.5, 500),
        ("petrol", 0, 0, 0),
    ],
)
def test_what_can_be_burnt(kind: object, level: float, share: float, litres: float) -> None:
    can = fuel.usable(kind)  # type: ignore[arg-type]
    assert can.share(level) == pytest.approx(share)
    assert can.litres(level, 1000) == pytest.approx(litres)


# A unit.


def standing(level: float, hours: int = 3) -> list[tuple[int, float]]:
    return [(T0 + 900 * n, level) for n in range(4 * hours)]


def fuel_low(verdict: Assessment) -> object:
    return next((f for f in verdict.findings if f.kind == "fuel_low"), None)


def test_a_standing_set_lasts_at_half_load() -> None:
    verdict = look(standing(60.0))
    assert verdict.fuel.at_load == "half"
    assert verdict.fuel.by == "chart"
    assert verdict.fuel.hours_h == pytest.approx(600 / (7.7 * GAL), abs=0.01)
    assert fuel_low(verdict) is None


def test_under_the_agreed_hours_is_low() -> None:
    agreed = msgspec.structs.replace(DIESEL, fuel_hours=24.0)
    assert fuel_low(look(standing(60.0))) is None
    verdict = look(standing(60.0), agreed)
    found = next(f for f in verdict.findings if f.kind == "fuel_low")
    assert found.severity == "same_day"
    assert facts_as(found, FuelLow).agreed_h == 24.0
    assert "about 21 h at half load" in sentence(found, "UTC", T0).seen
    assert "24 h are agreed" in sentence(found, "UTC", T0).seen
    enough = msgspec.structs.replace(DIESEL, fuel_hours=20.0)
    assert fuel_low(look(standing(60.0), enough)) is None


def test_usual_practice_asks_no_more_than_a_quarter_of_a_tank() -> None:
    """A small tank that lasts 13 h full is not low for ever because 24 h are usual."""
    life = msgspec.structs.replace(DIESEL, criticality="life", tank_l=380.0)
    verdict = look(standing(70.0), life)
    assert verdict.fuel.agreed_h == pytest.approx(380 / (7.7 * GAL) / 4, abs=0.01)
    assert fuel_low(verdict) is None
    assert fuel_low(look(standing(24.0), life)) is not None


def test_mains_gas_is_supplied() -> None:
    gas = msgspec.structs.replace(DIESEL, fuel="natural_gas")
    verdict = look(standing(3.0), gas)
    assert verdict.fuel.by == "supplied"
    assert verdict.fuel.hours_h is None
    assert fuel_low(verdict) is None


def test_dual_fuel_names_no_hours_and_only_notes() -> None:
    dual = msgspec.structs.replace(DIESEL, fuel="dual")
    verdict = look(standing(60.0), dual)
    assert verdict.fuel.hours_h is None
    assert "two fuels" in verdict.fuel.reason
    found = next(f for f in look(standing(8.0), dual).findings if f.kind == "fuel_low")
    assert found.severity == "note"


def test_propane_is_low_well_above_empty() -> None:
    tank = msgspec.structs.replace(DIESEL, fuel="lpg", rated_kw=20.0, tank_l=None)
    assert fuel_low(look(standing(27.0), tank)) is None
    assert fuel_low(look(standing(26.0), tank)) is not None


def test_petrol_lasts_by_its_own_fall() -> None:
    """Three hours of running took 30 points: 50 % lasts five hours."""
    petrol = msgspec.structs.replace(UNIT, fuel="petrol", rated_kw=5.0, tank_l=25.0)
    readings = [
        (T0 + 900 * n, 80.0 if n < 8 else max(50.0, 80.0 - 2.5 * (n - 8))) for n in range(40)
    ]
    run = Run(start=T0 + 7200, end=T0 + 18_000, start_seen="observed", end_seen="observed")
    verdict = look(readings, petrol, runs=(run,))
    assert verdict.fuel.by == "trend"
    assert verdict.fuel.hours_h == pytest.approx(5.0, abs=0.1)
    assert look(readings, petrol).fuel.hours_h is None, "nothing ran, so it says nothing"


def test_litres_poured_in_correct_the_chart() -> None:
    """Six hours at half load: the chart says 7.7 gal/h, the pump says a tenth more."""
    readings = [(T0 + 900 * n, 90.0) for n in range(120)]
    run = Run(
        start=T0 + 7200,
        end=T0 + 7200 + 6 * 3600,
        start_seen="observed",
        end_seen="observed",
        energy_kwh=600.0,
    )
    poured = [
        Record(id=f"r{n}", at=at, by="Bo", unit="U", kind="refuel", facts={"litres": litres})
        for n, (at, litres) in enumerate([(T0, 300.0), (T0 + 40_000, 1.1 * 6 * 7.7 * GAL)])
    ]
    verdict = look(readings, records=tuple(poured), runs=(run,))
    assert verdict.fuel.factor == pytest.approx(1.1, abs=0.001)
    assert verdict.fuel.hours_h == pytest.approx(900 / (7.7 * GAL) / 1.1, abs=0.01)


def test_no_gauge_says_so() -> None:
    verdict = assess(inputs(T0, 230.0, DIESEL), [], T0 + 10)
    assert verdict.fuel.reason == "its level is not measured"
    assert verdict.fuel.hours_h is None

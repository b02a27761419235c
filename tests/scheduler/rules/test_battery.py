"""The rules of the starter battery: published tables, chargers learned, days left, cranking."""

from __future__ import annotations

from itertools import pairwise

import msgspec
import numpy as np
import pytest
from batteries import boosting, floating, on_off, points, sagging, sunny
from checks import Checks
from hypothesis import given
from hypothesis import strategies as st

from fleet.model import Series
from scheduler.rules import battery
from scheduler.rules.battery import BatteryCarry, Crank, WatchedBattery

LOAD_TEST_F = (
    (70, 9.6),
    (60, 9.5),
    (50, 9.4),
    (40, 9.3),
    (30, 9.1),
    (20, 8.9),
    (10, 8.7),
    (0, 8.5),
)
"""As the manuals print it: degrees Fahrenheit, least volts."""
DAY = 86_400


def test_open_circuit_volts(checked: Checks) -> None:
    """12.345 V lies halfway between 12.24 (50 %) and 12.45 (75 %): 62.5 %."""
    rows = {12.65: 100.0, 12.45: 75.0, 12.24: 50.0, 12.06: 25.0, 11.89: 0.0}
    checked(
        "State of charge by open-circuit volts [%]",
        "table crediting BCI, secondary source",
        [*rows.values(), 62.5],
        [battery.charge_pct(volts) for volts in [*rows, 12.345]],
        0.01,
    )


@pytest.mark.parametrize(("volts", "charge"), [(13.4, 100.0), (11.2, 0.0), (10.5, 0.0)])
def test_beyond_the_table_nothing_is_extrapolated(volts: float, charge: float) -> None:
    assert battery.charge_pct(volts) == charge


def test_other_chemistries() -> None:
    """AGM and gel rest higher; lithium iron phosphate has no table here."""
    flooded, agm = battery.charge_pct(12.45), battery.charge_pct(12.45, chemistry="agm")
    assert flooded == pytest.approx(75.0)
    assert agm is not None
    assert agm < 75.0
    assert battery.charge_pct(13.2, chemistry="lfp") is None
    assert battery.REST_S["agm"] == 2 * battery.REST_S["flooded"]


def test_load_test_by_temperature(checked: Checks) -> None:
    """The table in C rounds the printed F: within 0.6 C, so within 0.02 V between its rows."""
    got = [battery.crank_limit_v((f - 32) / 1.8) for f, _ in LOAD_TEST_F]
    checked(
        "Load test, least volts by temperature [V]",
        "several workshop manuals, secondary source",
        [volts for _, volts in LOAD_TEST_F],
        got,
        0.02,
    )
    assert battery.crank_limit_v(40.0) == 9.6
    assert battery.crank_limit_v(-40.0) == 8.5
    assert battery.crank_limit_v(None) == 8.5


def test_the_limit_of_over_charge_follows_the_temperature() -> None:
    """2.30 V a cell is 13.80 V at 25 C, and with 3 mV a cell and degree 14.25 V at 0 C is normal."""
    assert battery.over_limit_v(np.array([0.0]))[0] > 14.25 + 0.5
    assert battery.over_limit_v(np.array([25.0]))[0] == 15.0
    assert battery.over_limit_v(np.array([np.nan])) == battery.over_limit_v(np.array([0.0]))


@given(st.floats(10.0, 14.0), st.floats(-30, 50))
def test_twice_the_volts_of_24_v(volts: float, temp: float) -> None:
    assert battery.charge_pct(2 * volts, 24.0) == battery.charge_pct(volts)
    assert battery.crank_limit_v(temp, 24.0) == 2 * battery.crank_limit_v(temp)


@pytest.mark.parametrize(
    ("volts", "kind"),
    [
        (floating, "float"),
        (on_off, "on_off"),
        (boosting, "boost"),
        (sunny, "solar"),
        (sagging(0.01), "none"),
    ],
)
def test_a_charger_is_learned_by_its_volts(volts: object, kind: str) -> None:
    seen = points(volts)  # type: ignore[arg-type]
    assert battery.learn(seen) == kind
    assert battery.learn(seen[:13]) == "unknown", "14 days"


def test_a_charger_by_a_clock_at_night_is_no_panel() -> None:
    assert battery.learn(points(lambda d: sunny(d + 0.5))) == "on_off"


def sag(per_day: float, days: int = 20) -> battery.Left | None:
    at = list(range(days))
    return battery.days_left(at, [12.6 - per_day * d for d in at], [0] * days, 12.06)


@given(st.floats(0.002, 0.05), st.floats(0.001, 0.05))
def test_more_sag_never_gives_more_days(per_day: float, more: float) -> None:
    slow, fast = sag(per_day), sag(per_day + more)
    assert slow is not None
    assert fast is not None
    if slow.days is not None:
        assert fast.days is not None
        assert fast.days <= slow.days


def test_days_left() -> None:
    """12.6 - 19 x 0.02 = 12.22 V now; 0.16 V above a quarter of charge: 8 days."""
    left = sag(0.02)
    assert left is not None
    assert left.days == pytest.approx(8.0)


def test_nothing_is_foretold_beyond_twice_the_span() -> None:
    """0.54 V at 1 mV a day are 520 days; 19 were watched."""
    left = sag(0.001)
    assert left is not None
    assert left.days is None


def test_a_charge_between_two_sags_is_no_rise() -> None:
    """Two sags of 20 mV a day with a charge between: the same sag, not its opposite."""
    at, volts = list(range(10)), [12.6 - 0.02 * (d % 5) for d in range(10)]
    left = battery.days_left(at, volts, [d // 5 for d in at], 12.06)
    assert left is not None
    assert left.per_day_v == pytest.approx(-0.02)


def starts(
    volts: list[float], temps: list[float | None] | None = None, segment: int = 0
) -> list[Crank]:
    """A start a week."""
    temps = temps or [12.0] * len(volts)
    return [
        Crank(at=n * 7 * DAY, v=v, temp_c=temp, segment=segment)
        for n, (v, temp) in enumerate(zip(volts, temps, strict=True))
    ]


def test_like_is_compared_with_like() -> None:
    """At -2 C the healthy start at 3 C is taken, not the newer one at 18 C."""
    seen, fallen = battery.crank_look(starts([9.5, 9.9, 9.3], [3.0, 18.0, -2.0]))
    assert (seen.healthy_v, seen.healthy_temp_c, seen.healthy_at) == (9.5, 3.0, 0)
    assert fallen is not None
    assert fallen == pytest.approx(0.2)


def test_no_like_start_is_said() -> None:
    seen, fallen = battery.crank_look(starts([9.9, 9.9, 9.0], [20.0, 21.0, -5.0]))
    assert seen.healthy_at is None
    assert "within 8" in seen.reason
    assert battery.crank_look([])[0].reason == "not measured"
    assert battery.worn(starts([9.9, 9.9, 9.0], [20.0, 21.0, -5.0]), fallen) == ""


def test_a_preheater_is_no_crank() -> None:
    """Glow plugs take it to 11.8 V; a starter far below."""
    assert [c.v for c in battery.measured(starts([9.9, 11.8, 9.8]))] == [9.9, 9.8]


@pytest.mark.parametrize(
    ("volts", "temps", "says"),
    [
        ([9.9] * 12, None, ""),
        ([9.9] * 8 + [9.7, 9.6, 9.7], None, ""),
        ([9.9] * 8 + [9.0, 8.9, 8.9], None, "cranking"),
        ([9.9] * 8 + [7.9], None, "cranking"),
        ([10.6] * 8 + [9.8, 9.8, 9.8], None, "fallen"),
        ([9.2] * 10, None, "low"),
        ([10.0] * 8 + [9.2, 9.1, 9.0], [15.0] * 8 + [-8.0, -10.0, -9.0], ""),
        ([9.9] * 8 + [8.3], [None] * 9, ""),
        ([9.9] * 8 + [7.9], [None] * 9, "cranking"),
    ],
    ids=[
        "healthy",
        "a little lower",
        "limit crossed",
        "far below once",
        "fallen",
        "always low",
        "cold week",
        "no temperature",
        "no temperature, far below",
    ],
)
def test_what_starts_say(volts: list[float], temps: list[float | None] | None, says: str) -> None:
    made = starts(volts, temps)
    assert battery.worn(made, battery.crank_look(made)[1]) == says


def falling(weeks: int, per_week: float, seed: int = 3) -> list[Crank]:
    """Starts of falling volts at temperatures of a year, the table's slope with temperature."""
    rng = np.random.default_rng(seed)
    made = []
    for n in range(weeks):
        temp = 10 + 12 * np.sin(2 * np.pi * n / 52)
        v = battery.crank_limit_v(temp) + 0.6 - per_week * n + rng.normal(0, 0.04)
        made.append(Crank(at=n * 7 * DAY, v=v, temp_c=round(temp, 1)))
    return made


def test_a_fall_has_a_date_with_its_interval() -> None:
    """0.6 V over the limit, 12 mV a week: met after 50 weeks; watched for 40."""
    seen = battery.fall(battery.weekly(falling(40, 0.012)), "cranking", 0.4, 12.0)
    assert seen is not None
    assert seen.falling
    assert seen.low_v <= -0.012 / 7 * 30 <= seen.high_v < 0
    assert seen.crosses_from is not None
    assert seen.crosses_at is not None
    assert seen.crosses_from <= seen.crosses_at
    assert abs(seen.crosses_at / (7 * DAY) - 50) < 5
    assert seen.crosses_at - seen.to_at <= 2 * (seen.to_at - seen.from_at)


@pytest.mark.parametrize("seed", range(5))
def test_a_winter_is_no_fall(seed: int) -> None:
    for weeks in (16, 30, 52):
        seen = battery.fall(battery.weekly(falling(weeks, 0.0, seed)), "cranking", 0.4, 12.0)
        assert seen is None or not seen.falling


@given(st.floats(-2.0, 2.0), st.integers(10, 30))
def test_a_new_calibration_never_steps_the_trend(offset: float, week: int) -> None:
    """What a meter check adds from a week on, in a segment of its own, is no trend."""
    plain = falling(40, 0.0)
    moved = [
        msgspec.structs.replace(c, v=c.v + offset, segment=1) if n >= week else c
        for n, c in enumerate(plain)
    ]
    seen = battery.fall(battery.weekly(moved), "cranking", None, 12.0)
    assert seen is not None
    assert not seen.falling
    assert battery.afresh(moved) is None


def test_a_new_battery_is_seen_by_its_step_up() -> None:
    made = falling(30, 0.05)
    better = [msgspec.structs.replace(c, v=c.v + 1.6) if n >= 24 else c for n, c in enumerate(made)]
    assert battery.afresh(better) == 24 * 7 * DAY
    assert battery.afresh(made) is None


def watched(v: list[float], step: int = 600, **over: object) -> WatchedBattery:
    t = np.arange(len(v), dtype=np.int64) * step
    plain: dict[str, object] = {
        "air_c": Series(np.empty(0, np.int64), np.empty(0)),
        "runs": (),
        "cranks": (),
        "mains": ((0, True),),
        "nominal_v": 12.0,
        "gap_s": 1500,
    }
    return WatchedBattery(Series(t, np.array(v)), **(plain | over))  # type: ignore[arg-type]


def test_a_limit_is_counted_without_a_break() -> None:
    """12.9 V for two hours, then one reading of 13.05 V: counted from after it."""
    _, carry = battery.watch(watched([12.9] * 12 + [13.05] + [12.9] * 60), BatteryCarry())
    assert carry.under is not None
    assert (carry.under.since, carry.under.s) == (13 * 600, 59 * 600)


def test_once_met_it_ends_at_the_clear_limit() -> None:
    """24 h under 13.0 V: 13.1 V does not end it, 13.2 V twice in a row does."""
    met = battery.Count(since=-90_000, at=-600, s=89_400)
    before = BatteryCarry(at=-600, under=met)
    for tail, ended in ([13.1] * 6, False), ([13.25, 12.9] * 3, False), ([13.25, 13.3], True):
        _, carry = battery.watch(watched([12.8] * 6 + tail), before)
        assert (carry.under is None) == ended


def test_silence_and_the_mains_off_do_not_count() -> None:
    t = np.array([0, 600, 50_000, 50_600], np.int64)
    day = watched([12.5] * 4)
    day = WatchedBattery(Series(t, np.full(4, 12.5)), day.air_c, (), (), day.mains, 12.0, 1500)
    assert battery.watch(day, BatteryCarry())[1].under == battery.Count(since=0, at=50_600, s=2700)
    _, carry = battery.watch(watched([12.5] * 100, mains=((0, False),)), BatteryCarry())
    assert carry.under is None


def test_rest_is_six_hours_without_charge_and_crank() -> None:
    quiet = [13.5] * 6 + [12.6] * 60
    rest = battery.watch(watched(quiet), BatteryCarry())[0].rest  # type: ignore[union-attr]
    assert rest is not None
    assert (rest.v, rest.rested_s) == (12.6, 60 * 600)
    cranked = battery.watch(watched(quiet, cranks=[40 * 600]), BatteryCarry())[0]
    assert cranked is not None
    assert cranked.rest is None
    charging = battery.watch(
        watched([12.2] * 30 + [12.2 + 0.02 * n for n in range(36)]), BatteryCarry()
    )[0]
    assert (charging is not None and charging.rest is None) or charging.rest.rested_s < 42 * 600  # type: ignore[union-attr]


def test_the_day_is_the_same_however_it_is_cut() -> None:
    """Two days in one go, or one after the other: the same open limit."""
    v = ([13.4] * 5 + [12.7] * 283)[:288]
    first, second = watched(v[:144]), watched(v)
    late = WatchedBattery(
        Series(second.volts.t[144:], second.volts.v[144:]),
        first.air_c,
        (),
        (),
        first.mains,
        12.0,
        1500,
    )
    _, carry = battery.watch(first, BatteryCarry())
    assert battery.watch(late, carry)[1] == battery.watch(second, BatteryCarry())[1]


def test_the_tables_rise() -> None:
    charges = [battery.charge_pct(v / 100) for v in range(1180, 1280)]
    limits = [battery.crank_limit_v(t) for t in range(-30, 40)]
    for column in (charges, limits):
        assert all(a <= b for a, b in pairwise(column))  # type: ignore[operator]

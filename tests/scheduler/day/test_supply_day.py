"""A day of volts and hertz: points, delays over midnight, dangers, and the confusers of each."""

from __future__ import annotations

import random

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from planted import DAY, DAY_S, MIDNIGHT, MINUTE, ON_CHANGE, clock, event, facts, pairs, walk

from fleet.model import DeviceEvent, RunningSignal, Series, SignalChannel
from scheduler.day import Day, DayFacts, decode, digest, encode
from scheduler.rules.supply import Delay, Plate

PLATE = Plate(nominal_v=230.0, nominal_hz=50.0, rated_kw=8.0)
SPLIT = Plate(nominal_v=240.0, nominal_hz=60.0, rated_kw=8.0, phases="split")
CHARGE = RunningSignal(first=SignalChannel("charge_v", 9.0, 8.0))
ONLY_AC = RunningSignal(first=SignalChannel("ac_v", 200.0, 180.0))
FROM, TO = clock("10:01"), clock("10:31")


def known(plate: Plate = PLATE, **over: object) -> DayFacts:
    return facts(plate=plate, nominal_v=plate.nominal_v, **over)


def minutes(
    volts: float = 231.0,
    hertz: float = 50.6,
    *,
    start: int = FROM,
    end: int = TO,
    days: int = 1,
    step_s: int = 60,
    standing: float = 0.0,
) -> dict[str, Series]:
    """A device that speaks each minute; the engine runs from `start` to `end`."""
    first = start // DAY_S * DAY_S
    t = np.arange(first, first + days * DAY_S, step_s, dtype=np.int64)
    on = (t >= start) & (t < end)
    rng = np.random.default_rng(1)
    return {
        "running": Series(t, on.astype(float)),
        "ac_v": Series(t, np.where(on, volts + 0.3 * rng.standard_normal(len(t)), standing)),
        "frequency_hz": Series(t, np.where(on, hertz + 0.05 * rng.standard_normal(len(t)), 0.0)),
    }


def put(series: dict[str, Series], channel: str, start: int, end: int, value: float) -> None:
    """Overwrite a stretch."""
    one = series[channel]
    inside = (one.t >= start) & (one.t < end)
    series[channel] = Series(one.t, np.where(inside, value, one.v))


def delays(day: Day) -> dict[str, Delay]:
    return day.carry.supply.delays


def met(day: Day) -> set[str]:
    return {kind for kind, delay in delays(day).items() if delay.met_at is not None}


def troubles(day: Day) -> set[str]:
    """Met on this day, whether they have ended or not."""
    return met(day) | {spell.kind for spell in (day.supply.ended if day.supply else ())}


def test_a_healthy_run_is_one_point_and_nothing_is_wrong() -> None:
    day = digest(known(), DAY, minutes())
    assert day.supply is not None
    (point,) = day.supply.points
    assert point.start == FROM
    assert point.volts == pytest.approx(231.0, abs=0.3)
    assert point.hertz == pytest.approx(50.6, abs=0.05)
    assert (point.volts_n, point.hertz_n) == (28, 28), "the first two minutes settle"
    assert delays(day) == {}


def test_days_without_volts_say_nothing() -> None:
    series = minutes()
    del series["ac_v"], series["frequency_hz"]
    assert digest(known(), DAY, series).supply is None
    assert digest(known(), DAY, minutes(start=FROM, end=FROM)).supply is None
    assert b'"supply":null' in encode(digest(known(), DAY, series))


def test_a_day_is_the_same_day_in_bytes() -> None:
    day = digest(known(), DAY, minutes(volts=270.0))
    assert encode(decode(encode(day))) == encode(day)


@pytest.mark.parametrize(
    ("volts", "hertz", "found"),
    [
        (254.0, 50.6, {"volts"}),
        (206.0, 50.6, {"volts"}),
        (208.0, 50.6, set()),
        (252.0, 50.6, set()),
        (231.0, 47.8, {"hertz"}),
        (231.0, 52.2, {"hertz"}),
        (231.0, 48.2, set()),
        (231.0, 51.8, set()),
    ],
)
def test_out_of_band(volts: float, hertz: float, found: set[str]) -> None:
    assert met(digest(known(), DAY, minutes(volts, hertz))) == found


def test_it_ends_in_the_next_good_run_and_is_kept() -> None:
    series = minutes(volts=206.0)
    later = minutes(start=FROM + DAY_S, end=TO + DAY_S)
    whole = {
        k: Series(np.append(series[k].t, later[k].t), np.append(series[k].v, later[k].v))
        for k in series
    }
    one, two = walk(known(), whole)
    assert met(one) == {"volts"}
    assert met(two) == set()
    assert two.supply is not None
    (spell,) = two.supply.ended
    assert spell.kind == "volts"
    assert spell.since // DAY_S == DAY
    assert spell.worst == pytest.approx(205.2, abs=0.6)


def test_the_start_is_not_judged() -> None:
    """Slow to come up: 90 s at 40 Hz; a larger engine has no such grace."""
    series = minutes()
    put(series, "frequency_hz", FROM, FROM + 120, 40.0)
    assert troubles(digest(known(), DAY, series)) == set()
    series = minutes(step_s=15)
    put(series, "frequency_hz", FROM, FROM + 120, 40.0)
    large = msgspec.structs.replace(PLATE, small=False)
    assert troubles(digest(known(large), DAY, series)) == {"hertz"}


def test_a_run_over_midnight_keeps_its_delay() -> None:
    start, end = clock("23:40"), clock("00:20", DAY + 1)
    series = minutes(start=start, end=end, days=2)
    put(series, "ac_v", clock("23:59"), end, 206.0)
    one, two = walk(known(), series)
    assert met(one) == set()
    assert delays(one)["volts"].since == clock("23:59")
    assert delays(two)["volts"].met_at == clock("00:00", DAY + 1)
    assert one.supply is not None
    assert two.supply is not None
    assert one.supply.points[0].start == two.supply.points[0].start == start


def test_an_inverter_has_no_governor() -> None:
    plate = msgspec.structs.replace(PLATE, inverter=True)
    day = digest(known(plate), DAY, minutes(hertz=45.0))
    assert met(day) == set()
    assert day.supply is not None
    assert day.supply.points[0].hertz is None


def test_idling_down_is_no_under_frequency_where_the_set_does_so() -> None:
    series = minutes()
    put(series, "frequency_hz", clock("10:10"), clock("10:25"), 42.0)
    put(series, "ac_v", clock("10:10"), clock("10:25"), 195.0)
    assert troubles(digest(known(), DAY, series)) == {"hertz", "volts"}
    idles = msgspec.structs.replace(PLATE, idle_down=True)
    day = digest(known(idles), DAY, series)
    assert troubles(day) == set()
    assert day.supply is not None
    assert day.supply.points[0].hertz == pytest.approx(50.6, abs=0.05)


def test_sparse_reports_need_a_second_one() -> None:
    """Each 15 min, a run of 20: one settled sample, 40 V low. It waits, and the next run meets it."""
    series = minutes(volts=190.0, step_s=900, start=clock("10:00"), end=clock("10:20"), days=2)
    put(series, "running", clock("10:00", DAY + 1), clock("10:20", DAY + 1), 1.0)
    put(series, "ac_v", clock("10:00", DAY + 1), clock("10:20", DAY + 1), 190.0)
    habit = msgspec.structs.replace(MINUTE, standing_s=900, running_s=900)
    one, two = walk(known(habit=habit), series)
    assert met(one) == set()
    assert met(two) == {"volts"}


def test_an_on_change_devices_value_holds() -> None:
    """It spoke of its volts once, 5 s after the start, and then only of its load."""
    t = np.arange(FROM, TO, 120, dtype=np.int64)
    series = {
        "running": pairs(("10:01", 1.0), ("10:31", 0.0)),
        "ac_v": pairs((FROM + 5, 205.0), ("10:31", 0.0)),
        "frequency_hz": pairs((FROM + 5, 50.4), ("10:31", 0.0)),
        "load_kw": Series(t, np.linspace(1.0, 3.0, len(t))),
    }
    day = digest(known(habit=ON_CHANGE), DAY, series)
    assert day.supply is not None
    (point,) = day.supply.points
    assert (point.volts, point.hertz) == (205.0, 50.4)
    assert point.volts_n > 10
    assert met(day) == {"volts"}
    steady = digest(known(), DAY, series)
    assert steady.supply is None, "a steady device that fell silent says nothing"


def test_an_on_change_device_needs_two_real_readings_of_volts_on_a_standing_set() -> None:
    series = {
        "running": pairs(("00:10", 0.0)),
        "ac_v": pairs(("10:00", 231.0)),
        "battery_v": Series(
            np.arange(MIDNIGHT, MIDNIGHT + DAY_S, 600, dtype=np.int64), np.full(144, 13.3)
        ),
    }
    assert met(digest(known(habit=ON_CHANGE), DAY, series)) == set()
    series["ac_v"] = pairs(("10:00", 231.0), ("10:05", 229.0))
    assert met(digest(known(habit=ON_CHANGE), DAY, series)) == {"standing", "stray"}


# Dangers


def test_over_voltage_by_two_samples() -> None:
    series = minutes()
    put(series, "ac_v", clock("10:10"), clock("10:11"), 270.0)
    assert met(digest(known(), DAY, series)) == set()
    put(series, "ac_v", clock("10:10"), clock("10:12"), 270.0)
    found = digest(known(), DAY, series)
    assert found.supply is not None
    assert [s.kind for s in found.supply.ended].count("over_voltage") == 1


def test_over_voltage_by_the_devices_word_at_once() -> None:
    day = digest(known(), DAY, minutes(), [event("10:30:30", "over_voltage")])
    assert met(day) == {"over_voltage"}
    ended = digest(known(), DAY, minutes(), [event("10:10", "over_voltage")])
    assert met(ended) == set(), "twenty good minutes came after it"
    assert ended.supply is not None
    assert ended.supply.ended[0].kind == "over_voltage"


def with_legs(one: float, two: float) -> dict[str, Series]:
    series = minutes(volts=one + two, hertz=60.5)
    on = series["running"].v
    t = series["running"].t
    return series | {"ac_l1_v": Series(t, on * one), "ac_l2_v": Series(t, on * two)}


@pytest.mark.parametrize(
    ("one", "two", "found"),
    [
        (134.0, 106.0, {"open_neutral", "high ac_l1_v"}),
        (126.0, 114.0, set()),
        (120.0, 112.0, set()),
        (118.0, 110.0, set()),
    ],
)
def test_open_neutral_and_uneven_load(one: float, two: float, found: set[str]) -> None:
    assert met(digest(known(SPLIT), DAY, with_legs(one, two))) == found


def test_no_output_while_the_engine_turns() -> None:
    assert met(digest(known(), DAY, minutes(volts=4.0, hertz=50.0))) == {"no_output"}
    assert met(digest(known(signal=ONLY_AC), DAY, without_running(minutes(volts=4.0)))) == set()


def without_running(series: dict[str, Series]) -> dict[str, Series]:
    return {name: one for name, one in series.items() if name != "running"}


def test_a_dead_circuit_has_no_hertz() -> None:
    """The instrument free-runs: 46 Hz on a circuit without volts is no under-frequency."""
    day = digest(known(), DAY, minutes(volts=4.0, hertz=46.0))
    assert "hertz" not in delays(day)


def standing(volts: float) -> dict[str, Series]:
    return minutes(start=FROM, end=FROM, standing=volts)


def test_volts_on_a_standing_set() -> None:
    day = digest(known(), DAY, standing(231.0))
    assert "standing" in met(day)
    assert met(digest(known(), DAY, standing(60.0))) == {"stray"}
    assert met(digest(known(), DAY, standing(12.0))) == set()


def test_with_its_volts_as_the_only_signal_it_cannot_be_told() -> None:
    day = digest(known(signal=ONLY_AC), DAY, without_running(standing(231.0)))
    assert "standing" not in delays(day)
    assert day.supply is not None
    assert day.supply.untold
    assert not digest(known(), DAY, standing(231.0)).supply


def test_a_minute_of_it_is_needed() -> None:
    series = minutes(step_s=10, start=FROM, end=FROM)
    put(series, "ac_v", clock("12:00"), clock("12:01"), 231.0)
    assert "standing" not in troubles(digest(known(), DAY, series))
    put(series, "ac_v", clock("12:00"), clock("12:01:10"), 231.0)
    assert "standing" in troubles(digest(known(), DAY, series))


def test_a_lost_charging_output_is_no_back_feed() -> None:
    """Volts that came up right after a crank are a run whose other signal died."""
    series = without_running(minutes())
    t = series["ac_v"].t
    series["charge_v"] = Series(t, np.zeros(len(t)))
    signal = RunningSignal(first=CHARGE.first, second=ONLY_AC.first)
    told = [event(FROM - 8, "crank")]
    assert "standing" not in delays(digest(known(signal=signal), DAY, series, told))
    day = digest(known(signal=signal), DAY, series)
    assert day.supply is not None
    assert day.supply.ended
    assert {spell.kind for spell in day.supply.ended} == {"standing", "stray"}


def test_a_lost_charging_output_in_an_outage_is_no_back_feed_either() -> None:
    """No crank is reported; the mains is off: the volts can only be the set's."""
    series = without_running(minutes())
    t = series["ac_v"].t
    series["charge_v"] = Series(t, np.zeros(len(t)))
    series["mains_v"] = Series(t, np.where((t >= FROM - 60) & (t < TO), 0.0, 231.0))
    signal = RunningSignal(first=CHARGE.first, second=ONLY_AC.first)
    assert troubles(digest(known(signal=signal), DAY, series)) == set()
    series["speed_rpm"] = Series(t, np.zeros(len(t)))
    assert "standing" in troubles(digest(known(signal=signal), DAY, series)), "it surely stands"


# Whatever the order


@given(st.integers(0, 10**6), st.integers(0, 3))
@settings(max_examples=15, deadline=None)
def test_order_makes_no_difference(seed: int, kind: int) -> None:
    """Channels and events in any order, events twice: the same bytes."""
    rnd = random.Random(seed)
    series = [minutes(270.0), minutes(231.0, 47.0), standing(231.0), minutes(4.0)][kind]
    told = [
        event("10:05", "over_voltage"),
        event("10:00:50", "crank"),
        event("10:00:55", "started"),
    ]
    whole = encode(digest(known(), DAY, series, told))
    names = list(series)
    rnd.shuffle(names)
    again: list[DeviceEvent] = told * 2
    rnd.shuffle(again)
    assert encode(digest(known(), DAY, {name: series[name] for name in names}, again)) == whole


@given(st.integers(-400, 400))
@settings(max_examples=10, deadline=None)
def test_another_day_is_only_another_day(shift: int) -> None:
    series = minutes(206.0)
    moved = {k: Series(s.t + shift * DAY_S, s.v) for k, s in series.items()}
    one = digest(known(), DAY, series)
    two = digest(known(), DAY + shift, moved)
    assert one.supply is not None
    assert two.supply is not None
    assert msgspec.structs.replace(two.supply.points[0], start=FROM) == one.supply.points[0]
    assert delays(two)["volts"].since - shift * DAY_S == delays(one)["volts"].since

"""The hour meter: rises, spikes, resets, roll-overs. Field cases 1, 2 and 4 (docs/engineering/cases.md)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from numpy.typing import NDArray
from planted import MIDNIGHT, clock, pairs, refused, series

from fleet.hour_format import in_hours
from fleet.model import HourFormat, Series
from scheduler.rules.hours import RULES, MeterCarry, MeterDay, likely_format, rise, risen_while

FRESH = MeterCarry()


def read(*points: tuple[str | int, float], **over: object) -> MeterDay:
    one = pairs(*points)
    carry = over.pop("carry", FRESH)
    return rise(one.t, one.v, carry, **over)  # type: ignore[arg-type]


def total(day: MeterDay) -> float:
    return sum(part.hours_h for part in day.rises)


def test_case_1_a_zero_while_restarting_is_a_spike() -> None:
    day = read(("10:00", 812.4), ("10:01", 0.0), ("10:02", 812.5))
    assert total(day) == pytest.approx(0.1)
    (odd,) = day.events
    assert (odd.kind, odd.at, odd.before_h, odd.after_h) == ("spike", clock("10:01"), 812.4, 0.0)
    assert odd.reason


def test_case_2_a_small_step_back_is_noise() -> None:
    day = read(("10:00", 1204.3), ("10:01", 1204.2), ("10:02", 1204.4))
    assert total(day) == pytest.approx(0.1)
    assert day.events == ()


def test_case_2_staying_low_is_a_reset_and_counting_goes_on() -> None:
    day = read(("10:00", 1204.4), ("10:01", 0.0), ("10:07", 0.1), ("10:13", 0.2))
    assert total(day) == pytest.approx(0.2)
    (odd,) = day.events
    assert (odd.kind, odd.before_h, odd.after_h) == ("reset", 1204.4, 0.0)


def test_case_4_a_16_bit_counter_rolls_over() -> None:
    """65,534 + 3 h = 65,537: the wrap itself is an hour."""
    day = read(("10:00", 65534), ("11:00", 65535), ("12:00", 0), ("13:00", 1))
    assert 65534 + total(day) == 65537
    assert [odd.kind for odd in day.events] == ["roll_over"]


def test_a_five_digit_display_rolls_over_at_100_000() -> None:
    before = read(("09:00", 99999.8), ("09:06", 99999.9))
    day = read(("09:12", 0.0), ("09:18", 0.1), ("09:24", 0.2), carry=before.carry)
    assert total(day) == pytest.approx(0.3)
    assert [odd.kind for odd in day.events] == ["roll_over"]


def test_digits_of_the_unit_say_where_it_rolls_over() -> None:
    points = [("09:00", 99.9), ("09:06", 0.0), ("09:12", 0.1), ("09:18", 0.2)]
    assert [odd.kind for odd in read(*points, digits=2).events] == ["roll_over"]
    assert [odd.kind for odd in read(*points).events] == ["reset"]


def test_a_fall_near_a_limit_that_no_clock_allows_is_a_reset() -> None:
    """65,000 h is within 1 % of 65,536, but 536 h cannot have passed in six minutes."""
    day = read(("09:00", 65000.0), ("09:06", 0.0), ("09:12", 0.1), ("09:18", 0.2))
    assert [odd.kind for odd in day.events] == ["reset"]
    assert total(day) == pytest.approx(0.2)


def test_a_rise_above_elapsed_time_is_refused_with_its_reason() -> None:
    day = read(("10:00", 100.0), ("10:06", 100.1), ("10:12", 140.0), ("10:18", 100.3))
    assert total(day) == pytest.approx(0.3)
    (odd,) = day.events
    assert (odd.kind, odd.after_h) == ("refused", 140.0)
    assert "h" in odd.reason


def test_a_jump_ahead_that_stays_is_a_new_epoch() -> None:
    day = read(("10:00", 100.0), ("10:01", 900.0), ("10:07", 900.1), ("10:13", 900.2))
    assert total(day) == pytest.approx(0.2)
    assert [odd.kind for odd in day.events] == ["refused", "reset"]


def test_a_pending_fall_is_carried_over_midnight() -> None:
    first = read(("23:58", 812.4), ("23:59", 0.0))
    assert first.events == ()
    assert first.carry.doubted == ((clock("23:59"), 0.0),)
    back = read((MIDNIGHT + 86_460, 812.4), carry=first.carry)
    assert [odd.kind for odd in back.events] == ["spike"]
    stays = read((MIDNIGHT + 86_460, 0.0), (MIDNIGHT + 86_520, 0.0), carry=first.carry)
    assert [odd.kind for odd in stays.events] == ["reset"]


def test_ten_minutes_confirm_as_three_readings_do() -> None:
    assert read(("10:00", 50.0), ("10:10", 9.0), ("10:19", 9.0)).events == ()
    assert [e.kind for e in read(("10:00", 50.0), ("10:10", 9.0), ("10:20", 9.0)).events] == [
        "reset"
    ]


def test_another_device_begins_an_epoch_without_an_event() -> None:
    day = read(
        ("10:00", 812.4), ("10:06", 812.5), ("11:00", 3.0), ("11:06", 3.1), cuts=[clock("10:30")]
    )
    assert day.events == ()
    assert total(day) == pytest.approx(0.2)


def test_rises_are_cut_at_a_persons_reading() -> None:
    day = read(("10:00", 100.0), ("10:30", 100.5), ("11:00", 101.0), anchors=[clock("10:30")])
    assert [(r.from_at, r.to_at, r.hours_h) for r in day.rises] == [
        (clock("10:00"), clock("10:30"), 0.5),
        (clock("10:30"), clock("11:00"), 0.5),
    ]


def test_a_meter_that_counts_with_the_key_on_shows_while_standing() -> None:
    every_6_min = [(MIDNIGHT + k * 360, 100 + k / 10) for k in range(11)]
    day = read(*every_6_min)
    risen_h, seen_s = risen_while(day.t, day.h, [], 900)
    assert risen_h == pytest.approx(1.0)
    assert seen_s == 3600
    ran = [(MIDNIGHT, MIDNIGHT + 1800)]
    risen_h, seen_s = risen_while(day.t, day.h, ran, 900)
    assert risen_h == pytest.approx(0.5)
    assert seen_s == 1800
    assert risen_while(day.t, day.h, [], 300) == (0.0, 0), "silence longer than allowed"


ILLEGAL = [
    ({"confirm_n": 1}, "cannot confirm itself"),
    ({"confirm_s": 0}, "cannot confirm itself"),
    ({"finest_h": 0.0}, "must rise"),
    ({"resolution_h": 2.0}, "must rise"),
    ({"coarsest_h": 0.05}, "must rise"),
    ({"near": 0.0}, "share of the limit"),
    ({"near": 0.6}, "share of the limit"),
]


@pytest.mark.parametrize(("values", "why"), ILLEGAL)
def test_illegal_meter_rules_are_refused(values: dict[str, float], why: str) -> None:
    assert why in refused(RULES, **values)


meters = st.lists(
    st.tuples(st.integers(1, 5000), st.sampled_from([0.0, 0.1, 0.2, 0.5, -0.1, -300.0, 40.0])),
    min_size=2,
    max_size=60,
)


@given(meters)
@example([(1, 0.1), (1, 0.5), (1, 0.0), (1, 0.2), (1, 0.0)])
def test_hours_never_exceed_elapsed_time(steps: list[tuple[int, float]]) -> None:
    """Field case 7: the total may never rise by more than elapsed time (+ two resolutions)."""
    at, level, points = MIDNIGHT, 1000.0, []
    for wait, step in steps:
        points.append((at, max(0.0, round(level, 1))))
        at, level = at + wait, level + step
    one = series(points)
    day = rise(one.t, one.v, FRESH)
    elapsed_h = (points[-1][0] - points[0][0]) / 3600
    assert total(day) <= elapsed_h + 2 * day.resolution_h + 1e-6
    assert np.all(np.diff(day.h) >= 0)


@given(meters, st.integers(1, 59))
def test_an_honest_meter_is_counted_in_full_wherever_the_day_is_cut(
    steps: list[tuple[int, float]], where: int
) -> None:
    """Plant a meter that gains at most what the clock allows; ask for what it gained."""
    at, level, points = MIDNIGHT, 1000.0, []
    for wait, step in steps:
        points.append((at, round(level, 2)))
        at, level = at + wait, level + min(max(step, 0.0), wait / 3600)
    one = series(points)
    cut = min(where, len(points))
    first = rise(one.t[:cut], one.v[:cut], FRESH)
    second = rise(one.t[cut:], one.v[cut:], first.carry)
    assert first.events == second.events == ()
    assert total(first) + total(second) == pytest.approx(points[-1][1] - points[0][1], abs=1e-4)


def test_the_quick_way_and_the_slow_way_agree() -> None:
    """A cut in the past takes the reading-by-reading way without changing anything."""
    rng = np.random.default_rng(7)
    gain = rng.choice([0.0, 0.1], 200)
    t = MIDNIGHT + np.arange(200, dtype=np.int64) * 400
    v = np.round(500 + np.cumsum(gain), 1)
    quick, slow = rise(t, v, FRESH), rise(t, v, FRESH, cuts=[MIDNIGHT - 1])
    assert quick.rises == slow.rises
    assert quick.carry == slow.carry


# ---------------------------------------------------------------- roll-overs


def rolls(first_h: float, step_h: float, wait_h: float, to_h: float, **over: object) -> MeterDay:
    """Two readings before a fall, a wait, and three after it."""
    at = MIDNIGHT
    after = at + 3600 + round(wait_h * 3600)
    return read(
        (at, round(first_h - step_h, 3)),
        (at + 3600, first_h),
        *((after + k * 3600, round(to_h + k * step_h, 3)) for k in range(3)),
        **over,
    )


@pytest.mark.parametrize(
    ("first_h", "step_h", "wait_h", "to_h", "limit_h", "over"),
    [
        (65535.0, 1.0, 1.0, 0.0, 65536.0, {}),
        (65530.0, 1.0, 30.0, 20.0, 65536.0, {}),
        (65380.0, 1.0, 900.0, 40.0, 65536.0, {}),
        (64200.0, 1.0, 1500.0, 40.0, 65536.0, {}),
        (6553.5, 0.1, 1.0, 0.3, 6553.6, {}),
        (6552.9, 0.1, 72.0, 2.5, 6553.6, {}),
        (9999.9, 0.1, 1.0, 0.1, 10_000.0, {}),
        (9960.0, 0.1, 200.0, 20.0, 10_000.0, {}),
        (9300.0, 1.0, 1000.0, 20.0, 10_000.0, {"digits": 4}),
        (99998.0, 1.0, 4.0, 1.0, 100_000.0, {}),
        (1091.98, 1 / 60, 2.0, 1.0, 65536 / 60, {"declared": "minutes"}),
    ],
)
def test_a_meter_goes_past_its_end_also_while_nobody_looked(
    first_h: float, step_h: float, wait_h: float, to_h: float, limit_h: float, over: dict[str, Any]
) -> None:
    """Field case 4: two's, ten's and the meter's own steps, and the digits declared for it."""
    day = rolls(first_h, step_h, wait_h, to_h, **over)
    assert [odd.kind for odd in day.events] == ["roll_over"]
    want = limit_h - (first_h - step_h) + to_h + 2 * step_h
    assert total(day) == pytest.approx(want, abs=0.02)
    assert total(day) <= wait_h + 3 + 2 * day.resolution_h


@pytest.mark.parametrize(
    ("first_h", "wait_h", "to_h", "over"),
    [
        (64200.0, 1000.0, 40.0, {}),
        (9300.0, 1000.0, 20.0, {}),
        (5000.0, 9000.0, 20.0, {"digits": 4}),
        (812.4, 900.0, 0.4, {}),
    ],
)
def test_a_fall_far_from_any_end_is_a_reset(
    first_h: float, wait_h: float, to_h: float, over: dict[str, Any]
) -> None:
    """The missing hours do not fit the clock, or the limit is too far for a guess."""
    day = rolls(first_h, 1.0, wait_h, to_h, **over)
    assert [odd.kind for odd in day.events] == ["reset"]


# ---------------------------------------------------------------- how it writes

SHOWS: dict[str, Callable[[NDArray[np.float64]], NDArray[np.float64]]] = {
    "hours_minutes": lambda h: np.floor(h + 1e-9) + np.floor(h * 60 + 1e-6) % 60 / 100,
    "minutes": lambda h: np.floor(h * 60 + 1e-6),
    "seconds": lambda h: np.floor(h * 3600 + 1e-6),
    "hundredths": lambda h: np.floor(h * 100 + 1e-6) / 100,
    "tenths": lambda h: np.floor(h * 10 + 1e-6) / 10,
    "quarters": lambda h: np.floor(h * 4 + 1e-6) / 4,
    "whole": np.floor,
}


def half_a_year(
    shows: str, running_s: int, standing_s: int, seed: int
) -> tuple[Series, NDArray[np.float64]]:
    """A meter's readings over 180 days of weekly exercises and a storm a month; the hours run."""
    rng = np.random.default_rng(seed)
    begun = [(7 * week * 86_400 + 36_000, int(rng.integers(15, 50)) * 60) for week in range(26)]
    begun += [
        (
            month * 30 * 86_400 + 200_000 + int(rng.integers(0, 20_000)),
            int(rng.integers(2, 9)) * 3600,
        )
        for month in range(6)
    ]
    times = set(range(MIDNIGHT, MIDNIGHT + 180 * 86_400, standing_s))
    for at, length in begun:
        times |= set(range(MIDNIGHT + at, MIDNIGHT + at + length + 1, running_s))
    t = np.array(sorted(times), np.int64)
    ran = sum((np.clip(t - MIDNIGHT - a, 0, n) for a, n in begun), np.zeros(len(t))) / 3600
    return Series(t, np.round(SHOWS[shows](812.3 + ran), 2)), ran


def year_through(sent: Series, declared: HourFormat | None = None) -> tuple[float, MeterCarry]:
    """Hours counted day by day, converted where declared; and what is carried on at the end."""
    whole, carry, gained = in_hours(sent, declared), FRESH, 0.0
    for day in range(MIDNIGHT // 86_400, int(sent.t[-1]) // 86_400 + 1):
        mine = whole.t // 86_400 == day
        one = rise(whole.t[mine], whole.v[mine], carry, declared=declared)
        carry, gained = one.carry, gained + total(one)
    return gained, carry


REPORTS = [(60, 900), (300, 900), (900, 900), (60, 3600)]


@pytest.mark.parametrize(("running_s", "standing_s"), REPORTS)
@pytest.mark.parametrize("shows", ["hours_minutes", "minutes", "seconds"])
def test_another_way_to_write_hours_is_recognised_and_counted_once_it_is_declared(
    shows: HourFormat, running_s: int, standing_s: int
) -> None:
    sent, ran = half_a_year(shows, running_s, standing_s, running_s + standing_s)
    misread, carry = year_through(sent)
    assert likely_format(carry.format_evidence) == shows
    counted, declared = year_through(sent, shows)
    assert likely_format(declared.format_evidence) is None
    assert counted == pytest.approx(ran[-1], abs=0.1)
    if shows == "hours_minutes":
        assert misread < 0.65 * ran[-1], "read as decimals, over a third is lost"


@pytest.mark.parametrize(("running_s", "standing_s"), REPORTS)
@pytest.mark.parametrize("shows", ["hundredths", "tenths", "quarters", "whole"])
def test_a_meter_of_decimals_is_never_asked_about(
    shows: str, running_s: int, standing_s: int
) -> None:
    for seed in range(4):
        sent, _ = half_a_year(shows, running_s, standing_s, seed)
        _, carry = year_through(sent)
        assert likely_format(carry.format_evidence) is None, (shows, seed)


def test_what_no_meter_of_hours_and_minutes_shows_is_left_out() -> None:
    sent = pairs(("10:00", 812.3), ("10:01", 812.75), ("10:02", 812.32))
    assert in_hours(sent, "hours_minutes").v.tolist() == pytest.approx([812.5, 812 + 32 / 60])
    assert in_hours(sent, "hours").v.tolist() == [812.3, 812.75, 812.32]
    assert in_hours(sent, "minutes").v[0] == pytest.approx(812.3 / 60)


def test_another_device_writes_in_its_own_way() -> None:
    """What was seen of the device before says nothing of the one fitted now."""
    sent, _ = half_a_year("hours_minutes", 60, 900, 1)
    _, carry = year_through(sent)
    at = int(sent.t[-1]) + 600
    fresh = rise(np.array([at, at + 60]), np.array([3.0, 3.0]), carry, cuts=[at - 60])
    assert likely_format(fresh.carry.format_evidence) is None

"""The hour meter: rises, spikes, resets, roll-overs. Field cases 1, 2 and 4 (docs/engineering/cases.md)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from planted import MIDNIGHT, clock, pairs, refused, series

from scheduler.rules.hours import RULES, MeterCarry, MeterDay, rise, risen_while

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

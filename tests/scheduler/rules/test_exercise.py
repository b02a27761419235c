"""Verdicts on exercises, what is told of them, what began by itself, hours by reason."""

from __future__ import annotations

import random
from datetime import datetime
from typing import Any

import msgspec
import pytest
from exercises import (
    BERLIN,
    DAY_S,
    PLAN,
    RULE,
    WEEK_S,
    a_run,
    at,
    ran,
    told,
    utc,
    verdicts,
    watched,
    weekly,
    words,
)
from found import facts_as
from hypothesis import given, settings
from hypothesis import strategies as st
from planted import refused

from fleet.findings.exercise import ExerciseMissed, ExerciseShort, ExerciseTime, ExerciseUnderLoaded
from scheduler.rules import exercise
from scheduler.rules.exercise import Plan, by_itself
from scheduler.rules.exercise.exercise_verdict import SHORT_AT_LEAST_S, TIME_OFF_S

FOUR = "2026-01-30 00:00"
"""After four Tuesdays: 6, 13, 20, 27 January."""


# ---------------------------------------------------------------- done, short, under-loaded


def test_done_on_every_agreed_day() -> None:
    found = verdicts(watched(weekly("2026-01-06", 4)), FOUR)
    assert words(found) == ["done"] * 4
    assert {v.confidence for v in found} == {"high"}
    assert found[0].run_start == at("2026-01-06 10:00")
    assert told(found) == {}


def test_an_exercise_is_judged_once_it_has_ended_and_not_before() -> None:
    going = ran(at("2026-01-06 10:00"), end=None)
    assert verdicts(watched([going]), "2026-01-06 10:10") == ()
    assert verdicts(watched([]), "2026-01-06 21:00") == (), "12 h are not over"
    assert words(verdicts(watched([]), "2026-01-07 00:30")) == ["missed"]


def test_nothing_is_judged_before_the_first_reading() -> None:
    seen = watched(weekly("2026-01-20", 2), first_at=at("2026-01-15 00:00"))
    assert words(verdicts(seen, FOUR)) == ["done", "done"]


@pytest.mark.parametrize(
    ("minutes", "word"), [(20, "done"), (18, "done"), (17.9, "short"), (10, "short"), (40, "done")]
)
def test_short_is_less_than_agreed_by_a_tenth_and_two_minutes(minutes: float, word: str) -> None:
    """Common practice, no source: 20 min less 2 min."""
    assert SHORT_AT_LEAST_S == 120
    found = verdicts(watched(weekly("2026-01-06", 1, minutes=minutes)), "2026-01-10 00:00")
    assert words(found) == [word]
    if word == "short":
        finding = told(found)["exercise_short"]
        assert (finding.severity, facts_as(finding, ExerciseShort).minutes) == ("next_visit", 20)
        assert facts_as(finding, ExerciseShort).length_s == round(60 * minutes)


def test_a_length_that_could_not_be_seen_is_not_short() -> None:
    """Reports every 15 min: off 09:50, on 10:05, off 10:20; it may have run for 30 min."""
    start = at("2026-01-06 10:05")
    one = ran(start, 12, start_seen="gap", start_earliest=start - 900, end_latest=start + 900)
    found = verdicts(watched([one]), "2026-01-10 00:00")
    assert [(v.verdict, v.confidence) for v in found] == [("done", "low")]


def test_a_set_that_speaks_every_minute_while_running_hides_no_half_hour_before_it() -> None:
    """Reports every 30 min at rest and every minute running; the one before came 25 min earlier."""
    start = at("2026-01-06 10:00")
    run = a_run(start, 10, start_earliest=start - 1500)
    for hides_s, word in ((0, "short"), (60, "short"), (1800, "done")):
        one = exercise.Candidate(run, "", 1, hides_s)
        assert words(verdicts(watched([one]), "2026-01-10 00:00")) == [word]


def test_little_load_counts_only_where_a_load_is_agreed_and_measured() -> None:
    loaded = msgspec.structs.replace(PLAN, load_share=0.3, rated_kw=100.0)
    light = [ran(at("2026-01-06 10:00"), energy_kwh=4.0, peak_load_kw=20.0)]  # 12 kW of 30
    heavy = [ran(at("2026-01-06 10:00"), energy_kwh=9.0, peak_load_kw=31.0)]  # 27 kW
    until = "2026-01-10 00:00"
    assert words(verdicts(watched(light), until)) == ["done"]
    assert words(verdicts(watched(light), until, loaded)) == ["under_loaded"]
    assert words(verdicts(watched(heavy), until, loaded)) == ["done"]
    assert words(verdicts(watched([ran(at("2026-01-06 10:00"))]), until, loaded)) == ["done"]
    finding = told(verdicts(watched(light), until, loaded), loaded)["exercise_under_loaded"]
    assert (finding.severity, facts_as(finding, ExerciseUnderLoaded).asked_kw) == ("note", 30.0)


# ---------------------------------------------------------------- the clock in the set


@pytest.mark.parametrize("late_h", [-3, -1, 1, 5, 10])
def test_a_wrong_clock_on_the_same_day_is_the_exercise_and_a_note(late_h: int) -> None:
    found = verdicts(watched(weekly("2026-01-06", 6, late_s=3600 * late_h)), "2026-02-12 00:00")
    assert words(found) == ["done"] * 6
    note = told(found)["exercise_time"]
    assert (note.severity, facts_as(note, ExerciseTime).offset_s) == ("note", 3600 * late_h)
    assert (facts_as(note, ExerciseTime).agreed, facts_as(note, ExerciseTime).real) == (
        "10:00",
        f"{10 + late_h:02d}:00",
    )
    assert facts_as(note, ExerciseTime).summer_time == (abs(late_h) == 1)
    assert found[-1].expected_at == found[-1].due_at + 3600 * late_h, "learned"


def test_half_past_midnight_is_still_the_exercise_of_the_evening() -> None:
    """Agreed 23:30 and run an hour late: another date, but in its window."""
    plan = Plan(rule="DTSTART:20260106T233000\nRRULE:FREQ=WEEKLY", zone=BERLIN, minutes=20)
    found = verdicts(watched([ran(at("2026-01-07 00:30"))]), "2026-01-10 00:00", plan)
    assert words(found) == ["done"]


@pytest.mark.parametrize(("minutes", "noted"), [(15, False), (29, False), (31, True), (60, True)])
def test_the_detection_limit_of_another_time_is_half_an_hour(minutes: int, noted: bool) -> None:
    assert TIME_OFF_S == 1800
    found = verdicts(watched(weekly("2026-01-06", 5, late_s=60 * minutes)), "2026-02-05 00:00")
    assert ("exercise_time" in told(found)) == noted


def test_a_clock_that_does_not_follow_summer_time_is_off_in_summer_only() -> None:
    """It runs at 09:00Z all year; agreed 10:00 in Berlin is 09:00Z in winter, 08:00Z in summer."""
    runs = [ran(utc("2026-01-06T09:00Z") + n * WEEK_S) for n in range(30)]
    winter = verdicts(watched(runs[:10]), "2026-03-14 00:00")
    summer = verdicts(watched(runs), "2026-07-30 00:00")
    assert words(summer) == ["done"] * 30
    assert told(winter) == {}
    assert facts_as(told(summer)["exercise_time"], ExerciseTime).summer_time


def test_a_run_of_another_length_far_from_the_time_is_not_the_exercise() -> None:
    called = ran(at("2026-01-06 15:00"), minutes=180)
    found = verdicts(watched([called]), "2026-01-10 00:00")
    assert words(found) == ["missed"]
    assert found[0].ran_at == at("2026-01-06 15:00")


def test_of_two_runs_the_one_in_the_window_and_long_enough_counts() -> None:
    blip = ran(at("2026-01-06 10:00"), minutes=1)
    real = ran(at("2026-01-06 10:03"))
    found = verdicts(watched([ran(at("2026-01-06 16:00")), blip, real]), "2026-01-10 00:00")
    assert [(v.verdict, v.run_start) for v in found] == [("done", real.run.start)]


def test_a_shorter_run_a_quarter_of_an_hour_off_is_no_short_exercise() -> None:
    """An outage at 10:14 on a set without a mains input, after its clock was seen to be exact."""
    odd = [*weekly("2026-01-06", 4), ran(at("2026-02-03 10:14"), 12)]
    assert words(verdicts(watched(odd), "2026-02-05 00:00")) == ["done"] * 4 + ["excused"]
    short = [*weekly("2026-01-06", 4), ran(at("2026-02-03 10:01"), 12)]
    assert words(verdicts(watched(short), "2026-02-05 00:00")) == ["done"] * 4 + ["short"]


def test_twice_a_day_each_time_has_its_own_run() -> None:
    plan = Plan(
        rule="DTSTART:20260106T060000\nRRULE:FREQ=DAILY;BYHOUR=6,18;COUNT=4",
        zone=BERLIN,
        minutes=20,
    )
    evenings = [ran(at(f"2026-01-0{day} 18:00")) for day in (6, 7)]
    found = verdicts(watched(evenings), "2026-01-09 00:00", plan)
    assert words(found) == ["missed", "done", "missed", "done"]


# ---------------------------------------------------------------- daylight saving


def test_two_starts_in_the_hour_that_comes_twice_are_one_exercise() -> None:
    """Field case 10: Europe/Berlin, 2020-10-25, two starts at 00:30Z and 01:30Z (both 02:30).

    One day of 25 h with two starts, the exercise due once; the second is no exercise of its own.
    """
    plan = Plan(rule="DTSTART:20201001T023000\nRRULE:FREQ=DAILY", zone=BERLIN, minutes=20)
    two = [ran(utc("2020-10-25T00:30Z")), ran(utc("2020-10-25T01:30Z"))]
    seen = watched(two, first_at=utc("2020-10-20T00:00Z"), last_at=utc("2020-11-01T00:00Z"))
    found = verdicts(seen, "2020-10-26 06:00", plan, "2020-10-25 00:00")
    on_the_day = [v for v in found if v.wall.startswith("2020-10-25")]
    assert [(v.verdict, v.run_start) for v in on_the_day] == [("done", utc("2020-10-25T00:30Z"))]
    dues = exercise.instants(plan.rule, BERLIN, at("2020-10-25 00:00"), at("2020-10-26 00:00"))
    matched = exercise.match(plan, dues, two)
    assert sum(m.candidate is not None for m in matched) == 1


@pytest.mark.parametrize(
    ("zone", "nights"),
    [
        (BERLIN, ("2026-03-29", "2026-10-25")),
        ("America/Chicago", ("2026-03-08", "2026-11-01")),
        ("Pacific/Auckland", ("2026-09-27", "2026-04-05")),
    ],
)
@pytest.mark.parametrize("wall", ["00:30", "02:30", "10:00", "23:30"])
def test_a_set_that_follows_its_wall_does_every_one_around_the_change(
    zone: str, nights: tuple[str, str], wall: str
) -> None:
    for night in nights:
        begin = datetime.fromisoformat(night).toordinal() - 5
        first = datetime.fromordinal(begin)
        plan = Plan(
            rule=f"DTSTART:{first:%Y%m%d}T{wall.replace(':', '')}00\nRRULE:FREQ=DAILY;COUNT=10",
            zone=zone,
            minutes=20,
        )
        runs = [
            ran(at(f"{datetime.fromordinal(begin + n):%Y-%m-%d} {wall}", zone)) for n in range(10)
        ]
        until = f"{datetime.fromordinal(begin + 12):%Y-%m-%d} 00:00"
        found = verdicts(watched(runs), until, plan, f"{first:%Y-%m-%d} 00:00")
        assert words(found) == ["done"] * 10
        assert [v.run_start for v in found] == [one.run.start for one in runs]


# ---------------------------------------------------------------- missed, and what is no miss


def test_missed_once_waits_for_the_visit_and_twice_does_not() -> None:
    once = verdicts(watched(weekly("2026-01-06", 3)), FOUR)
    twice = verdicts(watched(weekly("2026-01-06", 2)), FOUR)
    assert words(twice) == ["done", "done", "missed", "missed"]
    assert told(once)["exercise_missed"].severity == "next_visit"
    found = told(twice)["exercise_missed"]
    assert (
        found.severity,
        facts_as(found, ExerciseMissed).times,
        facts_as(found, ExerciseMissed).by,
    ) == ("same_day", 2, "readings")
    assert found.since == at("2026-01-20 10:00")
    again = verdicts(watched([*weekly("2026-01-06", 2), *weekly("2026-01-27", 1)]), FOUR)
    assert told(again) == {}, "done again"


def test_on_another_day_it_is_missed_and_waits_for_the_visit() -> None:
    """Its clock is a day off: it runs on Wednesdays."""
    wednesdays = [ran(c.run.start + DAY_S) for c in weekly("2026-01-06", 4)]
    found = verdicts(watched(wednesdays), FOUR)
    assert words(found) == ["missed"] * 4
    finding = told(found)["exercise_missed"]
    assert (finding.severity, facts_as(finding, ExerciseMissed).ran_at) == (
        "next_visit",
        at("2026-01-21 10:00"),
    )


def test_the_exercise_before_is_no_other_run_of_that_length() -> None:
    """One missed after a good one: the good one is told of itself, early, late or on the minute."""
    for off_s in (-1800, 0, 600, 3600):
        good = [ran(c.run.start + off_s) for c in weekly("2026-01-06", 3)]
        found = verdicts(watched(good), FOUR)
        assert words(found) == ["done", "done", "done", "missed"]
        said = facts_as(told(found)["exercise_missed"], ExerciseMissed)
        assert (said.times, said.ran_at) == (1, None), off_s
    saturday = at("2026-01-24 16:00")
    found = verdicts(watched([*weekly("2026-01-06", 3), ran(saturday)]), FOUR)
    assert found[-1].ran_at == saturday, "another one is told"


COARSE = {"running_gap_s": 2250, "standing_s": 900}
"""Reports every 15 min, running too."""
TEN = Plan(rule=RULE, zone=BERLIN, minutes=10)


def coarse(**fields: object) -> list[str]:
    return words(verdicts(watched([], **(COARSE | fields)), "2026-01-08 00:00", TEN))


def test_ten_minutes_between_two_reports_fifteen_apart_are_never_called_missed() -> None:
    """docs/engineering/exercise.md#what-would-have-shown-it: judged by hour meter, start counter or
    event.
    """
    day = at("2026-01-06 00:00")
    assert coarse() == ["not_seen"]
    assert coarse(counter_at=[day, day + DAY_S]) == ["missed"]
    assert coarse(tells_starts=True) == ["missed"]
    still = [(day, day + DAY_S, 0.0)]
    assert coarse(meter=still, meter_resolution_h=0.05) == ["missed"]
    assert coarse(meter=still, meter_resolution_h=0.1) == ["not_seen"], "6 min steps are too coarse"
    assert coarse(meter=[(day, day + DAY_S, 0.17)], meter_resolution_h=0.05) == ["done"]
    assert coarse(meter=[(day, day + DAY_S, 0.06)], meter_resolution_h=0.05) == ["not_seen"]
    assert coarse(hidden=[(at("2026-01-06 10:12"), False)], counter_at=[day, day + DAY_S]) == [
        "not_seen"
    ], "it tried; its run could have stayed hidden"


@pytest.mark.parametrize("broken", ["2026-01-06 09:00", "2026-01-06 13:00"])
def test_a_meter_or_counter_that_began_anew_proves_nothing(broken: str) -> None:
    day = at("2026-01-06 00:00")
    proofs = {
        "counter_at": [day, day + DAY_S],
        "meter": [(day, day + DAY_S, 0.0)],
        "meter_resolution_h": 0.01,
    }
    assert coarse(**proofs) == ["missed"]
    assert coarse(**proofs, broken=[at(broken)]) == ["not_seen"]


def test_silence_at_the_time_is_not_seen() -> None:
    quiet = [(at("2026-01-06 09:00"), at("2026-01-06 14:00"))]
    assert words(verdicts(watched([], gaps=quiet), "2026-01-10 00:00")) == ["not_seen"]
    short = [(at("2026-01-06 10:00"), at("2026-01-06 10:15"))]
    assert words(verdicts(watched([], gaps=short), "2026-01-10 00:00")) == ["missed"]
    gone = watched([], last_at=at("2026-01-06 09:00"))
    assert verdicts(gone, "2026-01-10 00:00") == (), "not heard since: not judged yet"


def test_missed_twice_is_not_counted_across_what_could_not_be_seen() -> None:
    quiet = [(at("2026-01-20 00:00"), at("2026-01-21 00:00"))]
    found = verdicts(watched(weekly("2026-01-06", 1), gaps=quiet), FOUR)
    assert words(found) == ["done", "missed", "not_seen", "missed"]
    assert facts_as(told(found)["exercise_missed"], ExerciseMissed).times == 1


def test_an_outage_run_of_that_length_since_the_last_one_excuses() -> None:
    for day, minutes, word in (
        ("2026-01-09 03:00", 25, "excused"),
        ("2026-01-09 03:00", 12, "missed"),
        ("2026-01-13 09:20", 90, "excused"),
        ("2026-01-13 09:20", 12, "excused"),
        ("2026-01-05 03:00", 25, "missed"),
    ):
        outage = ran(at(day), minutes, why="outage", confidence="high")
        found = verdicts(watched([*weekly("2026-01-06", 1), outage]), "2026-01-15 00:00")
        assert found[-1].verdict == word, (day, minutes)


def test_an_outage_run_after_a_missed_one_ends_the_finding() -> None:
    found = verdicts(watched([]), "2026-01-10 00:00")
    assert "exercise_missed" in told(found)
    assert told(found, ran_since=at("2026-01-08 00:00")) == {}


def test_who_is_laid_up_or_has_somebody_at_it_is_excused() -> None:
    day = (at("2026-01-06 09:00"), at("2026-01-06 12:00"))
    for fields in ({"aside": [day]}, {"visits": [day]}, {"out_of_auto": [day]}):
        assert words(verdicts(watched([], **fields), "2026-01-10 00:00")) == ["excused"]
    hand = ran(at("2026-01-06 09:40"), hand="switch", why="by_hand", confidence="high")
    assert words(verdicts(watched([hand]), "2026-01-10 00:00")) == ["excused"]
    busy = ran(at("2026-01-06 07:00"), minutes=240)
    assert words(verdicts(watched([busy]), "2026-01-10 00:00")) == ["excused"]


def test_excused_neither_ends_nor_lengthens_a_row_of_misses_unless_it_ran() -> None:
    laid = [(at("2026-01-13 00:00"), at("2026-01-14 00:00"))]
    found = verdicts(watched([], aside=laid), "2026-01-22 00:00")
    assert words(found) == ["missed", "excused", "missed"]
    assert facts_as(told(found)["exercise_missed"], ExerciseMissed).times == 2
    outage = ran(at("2026-01-14 02:00"), 60, why="outage", confidence="high")
    found = verdicts(watched([outage]), "2026-01-22 00:00")
    assert words(found) == ["missed", "missed", "excused"]
    assert told(found) == {}


def test_a_start_that_failed_is_failed_and_so_is_what_it_locked_out() -> None:
    fails = watched(weekly("2026-01-06", 2), failed=[at("2026-01-20 10:01")])
    found = verdicts(fails, FOUR)
    assert words(found) == ["done", "done", "failed", "failed"]
    assert told(found) == {}, "the failed start itself is told, not its consequence"
    retried = [*weekly("2026-01-06", 2), ran(at("2026-01-20 10:20")), *weekly("2026-01-27", 1)]
    assert words(verdicts(watched(retried, failed=[at("2026-01-20 10:01")]), FOUR)) == ["done"] * 4


@pytest.mark.parametrize(("hand", "attempts"), [("", 1), ("no_attempt", 0), ("switch", 1)])
@pytest.mark.parametrize("weeks", [0, 4])
def test_a_run_by_hand_two_hours_later_does_not_excuse_the_start_that_failed(
    hand: str, attempts: int, weeks: int
) -> None:
    """It is somebody's run: neither the exercise nor what the set's own clock is learned from."""
    later = ran(at("2026-02-03 11:58"), hand=hand, attempts=attempts, why="unknown")
    past = weekly("2026-01-06", weeks)
    seen = watched([*past, later], failed=[at("2026-02-03 10:01")])
    found = verdicts(seen, "2026-02-05 00:00", since="2026-02-03 00:00")
    assert [(v.verdict, v.by, v.run_start) for v in found] == [("failed", "counter", None)]
    alone = verdicts(watched([*past, later]), "2026-02-05 00:00", since="2026-02-03 00:00")
    expected = "missed" if hand == "switch" else "done"
    assert words(alone) == [expected], "without a failure it may be a late clock"


@pytest.mark.parametrize("seed", range(5))
def test_over_drawn_seasons_each_failed_exercise_is_failed(seed: int) -> None:
    """A year of Tuesdays; a fifth of them fail, and mostly somebody comes and runs the set by hand,
    40 min to 4 h later, an attempt counted or not."""
    rng = random.Random(seed)
    runs, failed, truth = [], [], []
    for due in weekly("2026-01-06", 45):
        start = due.run.start + rng.randrange(-120, 120)
        if rng.random() < 0.8:
            runs.append(ran(start))
            truth.append("done")
            continue
        failed.append(start)
        truth.append("failed")
        if rng.random() < 0.8:
            hand, attempts = rng.choice((("", 1), ("no_attempt", 0), ("switch", 1)))
            runs.append(ran(start + rng.randrange(2400, 14_400), hand=hand, attempts=attempts))
    found = verdicts(watched(runs, failed=failed), "2026-11-14 00:00")
    assert words(found) == truth


def test_somebody_who_came_after_a_missed_one_does_not_excuse_it() -> None:
    for come, word in (("10:45", "excused"), ("11:45", "missed")):
        visit = (at(f"2026-01-06 {come}"), at("2026-01-06 13:00"))
        assert words(verdicts(watched([], visits=[visit]), "2026-01-10 00:00")) == [word]


def test_a_loss_of_mains_seen_only_later_leaves_the_exercise_at_its_time() -> None:
    """The mains is read every 15 min: it may have gone before or in the exercise."""
    may_be = ran(at("2026-01-06 10:00"), why="outage", confidence="low")
    assert words(verdicts(watched([may_be]), "2026-01-10 00:00")) == ["done"]
    surely = ran(at("2026-01-06 10:00"), why="outage", confidence="medium")
    assert words(verdicts(watched([surely]), "2026-01-10 00:00")) == ["excused"]


def test_what_failed_before_a_silence_says_nothing_of_the_exercises_in_and_after_it() -> None:
    """Somebody may have put it right, and it may have run, while nothing was heard."""
    silent = [(at("2026-01-21 10:00"), at("2026-01-28 10:00"))]
    told_of: dict[str, Any] = {
        "runs": weekly("2026-01-06", 2),
        "failed": [at("2026-01-20 10:01")],
        "gaps": silent,
    }
    found = verdicts(watched(**told_of), "2026-02-05 00:00")
    assert words(found) == ["done", "done", "failed", "not_seen", "missed"]
    ran_on = [(at("2026-01-20 00:00"), at("2026-01-30 00:00"), 0.4)]
    found = verdicts(watched(**told_of, meter=ran_on, meter_resolution_h=0.1), FOUR)
    assert words(found) == ["done", "done", "failed", "done"]
    assert found[-1].by == "meter"


# ---------------------------------------------------------------- hands


def test_a_run_by_hand_is_no_exercise() -> None:
    """With the switch out, never; without a counted attempt, unless its exercises never are."""
    hand = ran(at("2026-01-27 10:30"), hand="no_attempt", why="by_hand", attempts=0)
    found = verdicts(watched([*weekly("2026-01-06", 3), hand]), FOUR)
    assert words(found) == ["done", "done", "done", "excused"]
    never = [
        ran(c.run.start, hand="no_attempt", why="by_hand", attempts=0)
        for c in weekly("2026-01-06", 4)
    ]
    found = verdicts(watched(never), FOUR)
    assert words(found) == ["done"] * 4
    assert {v.confidence for v in found} == {"low"}


@pytest.mark.parametrize(
    ("why", "sure", "hand", "attempts", "wired", "says"),
    [
        ("exercise", "high", "", 1, True, ("yes", "high")),
        ("exercise", "high", "", 1, False, ("yes", "medium")),
        ("exercise", "high", "", 0, True, ("yes", "medium")),
        ("exercise", "low", "", 1, True, ("likely", "low")),
        ("exercise", "low", "no_attempt", 0, True, ("likely", "low")),
        ("outage", "high", "", 1, True, ("yes", "high")),
        ("outage", "medium", "", 0, False, ("likely", "medium")),
        ("outage", "low", "", 1, True, ("likely", "low")),
        ("outage", "high", "switch", 1, True, ("no", "high")),
        ("by_hand", "high", "switch", 0, True, ("no", "high")),
        ("by_hand", "medium", "no_attempt", 0, True, ("no", "medium")),
        ("unknown", "low", "", 2, True, ("unknown", "low")),
    ],
)
def test_what_began_by_itself(
    why: str, sure: str, hand: str, attempts: int, wired: bool, says: tuple[str, str]
) -> None:
    """docs/engineering/exercise.md#begun-by-itself: within 5 min of mains loss, or in its window in
    automatic or not wired.
    """
    run = a_run(0, why=why, confidence=sure)
    assert by_itself(run, hand, attempts, wired) == says  # type: ignore[arg-type]


# ---------------------------------------------------------------- properties

seen_runs = st.lists(
    st.tuples(
        st.integers(0, 60 * 24 * 60), st.integers(1, 200), st.sampled_from(["unknown", "outage"])
    ),
    max_size=25,
)


def of(rows: list[tuple[int, int, str]], shift_s: int = 0) -> list[exercise.Candidate]:
    base = at("2026-01-01 00:00", "UTC") + shift_s
    return [ran(base + 60 * minute, length, why=why) for minute, length, why in rows]


UTC_PLAN = Plan(rule="DTSTART:20250107T100000\nRRULE:FREQ=WEEKLY;BYDAY=TU", zone="UTC", minutes=20)


def judged(runs: list[exercise.Candidate], shift_s: int = 0) -> list[tuple[object, ...]]:
    start, now = (at(text, "UTC") + shift_s for text in ("2026-01-01 00:00", "2026-03-10 00:00"))
    dues = exercise.instants(UTC_PLAN.rule, "UTC", start, now + 2 * DAY_S)
    seen = watched(runs, first_at=start - DAY_S, last_at=now + shift_s)
    found = exercise.judge(UTC_PLAN, exercise.match(UTC_PLAN, dues, seen.runs), seen, now)
    return [
        (
            v.due_at - shift_s,
            v.verdict,
            v.confidence,
            None if v.run_start is None else v.run_start - shift_s,
        )
        for v in found
    ]


@settings(deadline=None)
@given(rows=seen_runs, weeks=st.integers(1, 200))
def test_all_moved_by_whole_weeks_nothing_changes(
    rows: list[tuple[int, int, str]], weeks: int
) -> None:
    shift = weeks * WEEK_S
    assert judged(of(rows, shift), shift) == judged(of(rows))


@settings(deadline=None)
@given(rows=seen_runs, seed=st.integers(0, 99))
def test_the_order_of_runs_does_not_matter(rows: list[tuple[int, int, str]], seed: int) -> None:
    dues = exercise.instants(RULE, BERLIN, at("2026-01-01 00:00"), at("2026-03-10 00:00"))
    mixed = of(rows)
    random.Random(seed).shuffle(mixed)
    one = exercise.match(PLAN, dues, sorted(mixed, key=lambda c: (c.run.start, c.end, c.run.why)))
    other = exercise.match(PLAN, dues, mixed)
    starts = [[m.candidate and m.candidate.run.start for m in found] for found in (one, other)]
    assert starts[0] == starts[1]
    used = [s for s in starts[0] if s is not None]
    assert len(used) == len(set(used)), "no run is two exercises"


@settings(deadline=None)
@given(rows=seen_runs, cut=st.integers(1, 9))
def test_what_comes_later_does_not_change_what_was_judged(
    rows: list[tuple[int, int, str]], cut: int
) -> None:
    """But for the period and window of the newest one."""
    dues = exercise.instants(RULE, BERLIN, at("2026-01-01 00:00"), at("2026-03-10 00:00"))
    whole = exercise.match(PLAN, dues, of(rows))
    part = exercise.match(PLAN, dues[: cut + 1], of(rows))
    assert [m.candidate for m in part[:cut]] == [m.candidate for m in whole[:cut]]


# ---------------------------------------------------------------- hours by reason, loads


def test_hours_of_a_calendar_year_on_the_wall() -> None:
    """Berlin's 2026 begins at 23:00Z; a run over New Year counts in both years, each its part."""
    runs = [
        a_run(utc("2025-12-31T22:30Z"), 60, why="outage"),
        a_run(utc("2026-01-06T09:00Z"), 20, why="exercise"),
        a_run(utc("2026-02-03T09:00Z"), 30, why="by_hand"),
        a_run(utc("2026-02-04T09:00Z"), 6, why="unknown"),
    ]
    until = utc("2026-06-01T00:00Z")
    old = exercise.year_hours(runs, BERLIN, 2025, until)
    new = exercise.year_hours(runs, BERLIN, 2026, until)
    assert (old.outage_h, new.outage_h) == (0.5, 0.5)
    assert (new.exercise_h, new.by_hand_h, new.unknown_h) == (0.33, 0.5, 0.1)
    assert new.testing_h == pytest.approx(0.83)


def test_an_exercise_seen_at_one_report_in_six_hours_counts_as_agreed() -> None:
    start = utc("2026-01-06T09:00Z")
    coarse = a_run(start, 360, why="exercise", last_on_at=start)
    outage = msgspec.structs.replace(coarse, why="outage")
    until = utc("2026-06-01T00:00Z")
    found = exercise.year_hours([coarse, outage], BERLIN, 2026, until, exercise_s=1200)
    assert (found.exercise_h, found.outage_h) == (0.33, 6.0)


@settings(deadline=None)
@given(rows=seen_runs, zone=st.sampled_from([BERLIN, "America/Chicago", "Pacific/Auckland"]))
def test_the_years_of_any_zone_add_up_to_the_hours_run(
    rows: list[tuple[int, int, str]], zone: str
) -> None:
    """Field case 10: sums by local year equal the sum over UTC."""
    runs = [one.run for one in of(rows, -40 * DAY_S)]
    until = at("2030-01-01 00:00")
    years = [exercise.year_hours(runs, zone, year, until) for year in (2025, 2026)]
    total = sum((run.end or 0) - run.start for run in runs) / 3600
    assert sum(y.total_h for y in years) == pytest.approx(total, abs=0.05)


@pytest.mark.parametrize(
    ("length_min", "share", "proof", "met"),
    [
        (30, 0.30, False, True),
        (29.9, 0.30, False, False),
        (30, 0.299, False, False),
        (30, 0.299, True, True),
        (30, None, False, False),
    ],
)
def test_the_monthly_loaded_run(
    length_min: float, share: float | None, proof: bool, met: bool
) -> None:
    """NFPA 110 8.4.2 (check-values 3, C2): 29.9 min fails; 29.9 % without exhaust proof fails."""
    assert exercise.monthly_met(60 * length_min, share, proof) == met


@pytest.mark.parametrize(
    ("steps", "met"),
    [
        ([(1800, 0.5), (3600, 0.75)], True),
        ([(5400, 0.75)], True),
        ([(1800, 0.5), (3540, 0.75)], False),
        ([(1800, 0.25), (1800, 0.5), (3600, 0.75)], False),
        ([(3600, 0.75), (1800, 0.5)], False),
        ([(1740, 0.5), (3600, 0.75)], False),
        ([(5340, 0.75)], False),
    ],
)
def test_the_annual_supplemental_run(steps: list[tuple[float, float]], met: bool) -> None:
    """NFPA 110 8.4.2.3 (check-values 3, C): 30 min at 50 %, then 60 min at 75 %; 1.5 h in one go;
    75 % for the full 90 min also complies; the older 25/50/75 % steps are no longer the rule."""
    assert exercise.annual_supplemental_met(steps) == met


def test_the_light_load_streak_of_a_diesel() -> None:
    """30 % of nameplate, from NFPA 110 8.4.2; runs under 5 min and unmeasured ones say nothing."""
    runs = [
        ran(0, 60, energy_kwh=40.0),
        ran(WEEK_S, 20, energy_kwh=2.0),
        ran(2 * WEEK_S, 3, energy_kwh=9.0),
        ran(3 * WEEK_S, 20),
        ran(4 * WEEK_S, 40, energy_kwh=4.0),
    ]
    found = exercise.light_load(runs, 100.0)
    assert found is not None
    assert (found.runs, found.since_at, found.hours_h) == (2, WEEK_S, 1.0)
    assert exercise.light_load(runs[:1], 100.0) is None
    assert exercise.light_load(runs, None) is None


def test_plans_that_cannot_be() -> None:
    assert "0 min" in refused(PLAN, minutes=0)
    assert "share" in refused(PLAN, load_share=30)

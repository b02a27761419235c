"""One story of a day: what began a run, with edges that are intervals."""

from __future__ import annotations

from collections import Counter

import pytest
from causal_worlds import drawn, without_signal
from planted import DAY, DAY_S, MINUTE, STEADY, clock, event, facts, pairs, runs_of, starts_of, walk

from fleet.model import Habit, Series


def told_every(minutes: int, lost: int, back: int, start: int, end: int) -> dict[str, Series]:
    """Mains and running signal read on one grid of minutes [UTC s]."""
    at = range(clock("00:00"), clock("00:00", DAY + 2), 60 * minutes)
    return {
        "running": pairs(*[(t, float(start <= t < end)) for t in at]),
        "mains_v": pairs(*[(t, 0.0 if lost <= t < back else 231.0) for t in at]),
    }


SOON, LATE = ("outage", "high"), ("outage", "low")
INTERVALS = [
    (1, "12:00:20", "12:00:31", SOON, "both between 12:00 and 12:01"),
    (5, "12:00:20", "12:00:31", SOON, "the first reading without mains is within 5 min"),
    (15, "12:00:20", "12:00:31", LATE, "seen at 12:15 only: it may have come first"),
    (1, "12:02:20", "12:00:31", ("unknown", "low"), "12:02 still read it present"),
    (15, "12:00:20", "11:59:50", ("unknown", "low"), "12:00 still read it present"),
]


@pytest.mark.parametrize(("minutes", "lost", "start", "why", "reason"), INTERVALS)
def test_a_start_inside_the_interval_of_the_loss_was_begun_by_it(
    minutes: int, lost: str, start: str, why: tuple[str, str], reason: str
) -> None:
    told = told_every(minutes, clock(lost), clock("14:00"), clock(start), clock("14:06"))
    known = facts(habit=Habit(standing_s=60 * minutes, running_s=60 * minutes))
    (run,) = runs_of(walk(known, told, [event(start, "started")]))
    assert (run.why, run.confidence) == why, reason


def test_a_loss_that_is_seen_after_midnight_began_the_run_before_it() -> None:
    lost, start, end = clock("23:59:40"), clock("23:59:52"), clock("01:00", DAY + 1)
    told = told_every(1, lost, end - 300, start, end)
    keep = told["running"].t != clock("23:59")
    told["running"] = Series(told["running"].t[keep], told["running"].v[keep])
    (run,) = runs_of(walk(facts(habit=MINUTE), told, [event(start, "started")]))
    assert (run.start, run.why, run.confidence) == (start, "outage", "high")
    early = told_every(1, lost + DAY_S // 24, end - 300, start, end)
    (run,) = runs_of(walk(facts(habit=MINUTE), early, [event(start, "started")]))
    assert (run.why, run.confidence) == ("unknown", "low"), "lost an hour later"


def test_a_run_that_was_over_before_the_loss_was_seen_is_not_its_own() -> None:
    told = told_every(10, clock("12:08"), clock("14:00"), clock("12:01"), clock("12:03"))
    halted = [event("12:01", "started"), event("12:03", "stopped")]
    (run,) = runs_of(walk(facts(habit=STEADY), told, halted))
    assert (run.end, run.why) == (clock("12:03"), "unknown")


def test_over_drawn_seasons_every_outage_run_has_its_cause() -> None:
    found: Counter[tuple[bool, str, str]] = Counter()
    for seed in range(20):
        for happened, run in drawn(seed).found():
            assert run is not None, (seed, happened)
            found[happened.kind == "outage", run.why, run.confidence] += 1
    outages = sum(n for (outage, _, _), n in found.items() if outage)
    assert found[True, "outage", "high"] == outages > 400
    assert found[False, "outage", "high"] + found[False, "outage", "medium"] == 0


def test_over_drawn_seasons_a_signal_missing_in_each_run_splits_none() -> None:
    for seed in range(8):
        world = drawn(seed)
        gone = without_signal(world, seed)
        assert len(gone.channels["running"]) < len(world.channels["running"])
        days = gone.days()
        assert [r.start for r in runs_of(days)] == [r.start for r in runs_of(world.days())]
        assert len(starts_of(days)) == len(world.happened)

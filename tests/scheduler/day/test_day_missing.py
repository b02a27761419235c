"""A running signal that is missing for a while splits no run and invents no start."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from planted import AC, DAY, KNOWS, clock, event, facts, runs_of, series, starts_of, walk

from fleet.model import DeviceEvent, Habit, Run, RunningSignal, Series, SignalChannel

START, END = clock("10:00"), clock("12:00")
EVERY = Habit(standing_s=600, running_s=60)
EITHER = RunningSignal(
    first=SignalChannel("running", 1.0, 0.9), second=SignalChannel("charge_v", 9.0, 8.1)
)
WITNESSES = {"ac_v": 231.0, "frequency_hz": 50.1, "speed_rpm": 1500.0, "charge_v": 13.9}


def told(
    every_s: int, start: int = START, end: int = END, charge_v: float = 13.9
) -> dict[str, Series]:
    """A set that runs from start to end, all its channels read together: every `every_s` while it
    runs, every 10 min at rest, from 6 h before to 6 h after."""
    at = {*range(start - 21_600, end + 21_600, 600), *range(start, end + every_s, every_s)}
    turns = [(t, start <= t < end) for t in sorted(at)]
    found = {"running": series((t, float(on)) for t, on in turns)}
    found["battery_v"] = series((t, 12.7 + on) for t, on in turns)
    for name, value in (WITNESSES | {"charge_v": charge_v}).items():
        found[name] = series((t, value * on) for t, on in turns)
    return found


def without(one: Series, since: int, until: int) -> Series:
    keep = (one.t < since) | (one.t >= until)
    return Series(one.t[keep], one.v[keep])


def read(
    channels: dict[str, Series], *said: DeviceEvent, signal: RunningSignal = KNOWS
) -> tuple[list[Run], int]:
    """(runs, start demands) of these days."""
    days = walk(facts(habit=EVERY, signal=signal), channels, said)
    return runs_of(days), len(starts_of(days))


@pytest.mark.parametrize("at", ["10:20", "11:00", "11:55"])
@pytest.mark.parametrize("every_s", [5, 10, 30, 60])
@pytest.mark.parametrize("beside", ["nothing", "battery_v", *WITNESSES])
def test_three_minutes_without_it_split_no_run(at: str, every_s: int, beside: str) -> None:
    whole = {name: told(every_s)[name] for name in {"running", beside} & told(every_s).keys()}
    gone = {**whole, "running": without(whole["running"], clock(at), clock(at) + 180)}
    (before,), begun = read(whole)
    (run,), still = read(gone)
    assert (run.start, run.end, run.end_seen) == (before.start, before.end, "observed")
    assert begun == still == 1


def test_nor_do_three_minutes_in_which_nothing_came() -> None:
    gone = {name: without(one, clock("11:00"), clock("11:03")) for name, one in told(60).items()}
    assert len(read(gone)[0]) == 1
    more = {name: without(one, clock("11:00"), clock("11:06")) for name, one in told(60).items()}
    assert len(read(more)[0]) == 2, "six minutes of silence are a gap"


@pytest.mark.parametrize(
    ("names", "minutes", "runs"),
    [
        (("battery_v",), 14, 1),
        (("battery_v",), 20, 2),
        (("battery_v", "frequency_hz"), 40, 1),
        (("battery_v", "speed_rpm"), 70, 2),
    ],
)
def test_how_long_it_may_be_missing(names: tuple[str, ...], minutes: int, runs: int) -> None:
    """A quarter of an hour while the device is heard, an hour while another channel turns."""
    whole = {name: told(60)[name] for name in ("running", *names)}
    whole["running"] = without(whole["running"], clock("10:20"), clock("10:20") + 60 * minutes)
    assert len(read(whole)[0]) == runs


def stood(channels: dict[str, Series]) -> dict[str, Series]:
    """All but the running signal read at rest from 11:03 to 11:06."""
    found = dict(channels)
    for name in WITNESSES:
        one = channels[name]
        rest = (one.t >= clock("11:03")) & (one.t < clock("11:06"))
        found[name] = Series(one.t, one.v * ~rest)
    return found


def cranked(channels: dict[str, Series]) -> dict[str, Series]:
    at = channels["running"].t
    return {
        "running": channels["running"],
        "start_attempts": series((t, 4.0 + (t >= START) + (t >= clock("11:05"))) for t in at),
    }


@pytest.mark.parametrize("meanwhile", [stood, cranked])
def test_what_has_it_standing_or_cranked_anew_makes_two_runs(
    meanwhile: Callable[[dict[str, Series]], dict[str, Series]],
) -> None:
    whole = meanwhile(told(60))
    whole["running"] = without(whole["running"], clock("11:00"), clock("11:08"))
    runs, _ = read(whole)
    assert [run.start for run in runs] == [START, clock("11:08")]


def test_an_event_that_stops_it_meanwhile_makes_two_runs() -> None:
    whole = told(60)
    whole["running"] = without(whole["running"], clock("11:00"), clock("11:08"))
    runs, _ = read(whole, event("11:02", "stopped"), event("11:05", "started"))
    assert [(r.start, r.end) for r in runs] == [(START, clock("11:02")), (clock("11:05"), END)]


@pytest.mark.parametrize("every_s", [120, 300, 600])
def test_a_signal_that_comes_more_seldom_than_the_rest_is_one_run(every_s: int) -> None:
    whole = told(60)
    keep = whole["running"].t % every_s == 0
    whole["running"] = Series(whole["running"].t[keep], whole["running"].v[keep])
    (run,), begun = read(whole)
    assert (run.start, run.end, run.end_seen) == (START, END, "observed")
    assert begun == 1


@pytest.mark.parametrize("beside", ["battery_v", "frequency_hz"])
def test_midnight_in_the_middle_of_it_changes_nothing(beside: str) -> None:
    night = told(60, clock("22:00"), clock("02:00", DAY + 1))
    whole = {name: night[name] for name in ("running", beside)}
    whole["running"] = without(whole["running"], clock("23:56"), clock("00:04", DAY + 1))
    (run,), begun = read(whole)
    assert (run.start, run.end, begun) == (clock("22:00"), clock("02:00", DAY + 1), 1)


@pytest.mark.parametrize("signal", [EITHER, AC])
def test_one_of_two_channels_missing_leaves_no_word_to_one_that_never_told(
    signal: RunningSignal,
) -> None:
    """The second channel reads nothing all the while: its rest is no news."""
    whole = told(60, charge_v=0.0)
    name = signal.first.channel
    whole[name] = without(whole[name], clock("11:00"), clock("11:03"))
    (run,), begun = read(whole, signal=signal)
    assert (run.start, run.end, begun) == (START, END, 1)

"""Readiness: proof, its time, the order of the five words, and every reason
(docs/engineering/readiness.md)."""

from __future__ import annotations

from dataclasses import replace

import msgspec
import numpy as np
import pytest
from found import finding as made
from hypothesis import given, settings
from hypothesis import strategies as st
from one_unit import HABIT, T0, UNIT, inputs
from readiness_lives import CHECKED, DAY, WEEK, WEEKLY, life

from fleet.model import (
    DeviceEvent,
    Finding,
    Habit,
    Latest,
    Pulse,
    Run,
    RunningSignal,
    Series,
    SignalChannel,
    StartDemand,
)
from fleet.words import sentence
from fleet.words.readiness_sentences import others
from fleet.words.readiness_sentences import readiness as said
from scheduler.assess import assess, day_facts
from scheduler.day import Day, digest
from scheduler.readiness import (
    Known,
    Proof,
    judge,
    learning_until,
    proof_limit_s,
)

NOW = 1_795_590_000


def run(days_ago: float, **facts: object) -> Run:
    start = round(NOW - days_ago * DAY)
    return Run(start=start, end=start + 1200, start_seen="observed", end_seen="observed", **facts)  # type: ignore[arg-type]


def demand(days_ago: float, end: str) -> StartDemand:
    return StartDemand(at=round(NOW - days_ago * DAY), attempts=3, end=end)  # type: ignore[arg-type]


def finding(kind: str, severity: str = "next_visit", **facts: object) -> Finding:
    return made(kind, severity=severity, since=NOW - 500, facts=facts)  # type: ignore[arg-type]


def proof(days_ago: float, made: str = "yes", **facts: object) -> Proof:
    return Proof(round(NOW - days_ago * DAY), "exercise", True, made, 231.0)  # type: ignore[arg-type]


READY = Known(
    now=NOW, limit_s=2 * WEEK, begun_at=NOW - 300 * DAY, proofs=(proof(6),), runs=(run(6),)
)


def test_ready_says_its_proof() -> None:
    verdict = judge(READY)
    assert (verdict.state, verdict.why) == ("ready", "proven")
    assert verdict.proof_at == NOW - 6 * DAY
    assert said(verdict, "Europe/Berlin", NOW) == (
        "Ready: started by itself 6 days ago and made 231 V."
    )


CASES: list[tuple[str, Known, str, str]] = [
    ("laid up", replace(READY, aside=("laid_up", NOW - 9)), "set_aside", "laid_up"),
    (
        "failed last",
        replace(READY, demands=(demand(6, "started"), demand(1, "failed"))),
        "not_ready",
        "failed_start",
    ),
    (
        "failed, then ran by hand",
        replace(
            READY, demands=(demand(1, "failed"),), runs=(run(6), run(0.5)), hand_at=NOW - DAY // 2
        ),
        "doubtful",
        "not_proven_since",
    ),
    (
        "failed, then started by itself",
        replace(READY, demands=(demand(8, "failed"), demand(6, "started"))),
        "ready",
        "proven",
    ),
    ("shut down", replace(READY, halted_at=NOW - 60, halts=(NOW - 60,)), "not_ready", "shut_down"),
    ("shut down, dealt with", replace(READY, halts=(NOW - 60,)), "doubtful", "not_proven_since"),
    (
        "not in auto",
        replace(READY, findings=(finding("not_in_auto", "act_now"),)),
        "not_ready",
        "not_in_auto",
    ),
    (
        "volts on a standing set",
        replace(READY, findings=(finding("volts_standing", "act_now"),)),
        "not_ready",
        "volts_standing",
    ),
    ("no volts last time", replace(READY, last_made="no"), "not_ready", "no_output"),
    (
        "no volts by itself",
        replace(READY, proofs=(proof(6, "no"),)),
        "doubtful",
        "not_proven_since",
    ),
    ("silent", replace(READY, silent_since=NOW - 9999), "unknown", "not_reporting"),
    ("never heard", replace(READY, begun_at=None, proofs=()), "unknown", "never_heard"),
    ("no device", replace(READY, fitted=False), "unknown", "no_device"),
    ("new", replace(READY, begun_at=NOW - 3 * DAY, proofs=()), "unknown", "too_new"),
    ("new and proven", replace(READY, begun_at=NOW - 7 * DAY), "ready", "proven"),
    ("old proof", replace(READY, proofs=(proof(41),)), "doubtful", "not_proven"),
    ("on the last second", replace(READY, proofs=(proof(14),)), "ready", "proven"),
    ("by hand only", replace(READY, proofs=(), hand_at=NOW - 3 * DAY), "doubtful", "by_hand_only"),
    ("never by itself", replace(READY, proofs=()), "doubtful", "never_proven"),
    (
        "volts not wired",
        replace(READY, proofs=(proof(6, "not_seen"),)),
        "doubtful",
        "volts_not_seen",
    ),
    ("battery", replace(READY, battery="replace"), "doubtful", "battery_replace"),
    ("charger", replace(READY, battery="charger_fault"), "doubtful", "charger_fault"),
    ("cranking limit", replace(READY, crank_low_at=NOW - 9), "doubtful", "crank_limit"),
    (
        "no volts, never checked",
        replace(READY, adopted=True, last_made="no", findings=(finding("no_output", "note"),)),
        "doubtful",
        "adopted",
    ),
    (
        "too many volts",
        replace(READY, findings=(finding("over_voltage", "act_now"),)),
        "not_ready",
        "over_voltage",
    ),
    (
        "a phase dead",
        replace(READY, findings=(finding("leg_out", "act_now"),)),
        "not_ready",
        "leg_out",
    ),
    (
        "a phase low",
        replace(READY, findings=(finding("leg_out", "same_day"),)),
        "doubtful",
        "leg_out",
    ),
    ("a phase dead last time", replace(READY, last_made="in_part"), "doubtful", "leg_out"),
    (
        "a phase dead by itself",
        replace(READY, proofs=(proof(6, "in_part"),)),
        "doubtful",
        "not_proven_since",
    ),
    ("battery good", replace(READY, battery="watch"), "ready", "proven"),
    ("fuel", replace(READY, findings=(finding("fuel_low", "same_day"),)), "doubtful", "fuel_low"),
    ("dual fuel", replace(READY, findings=(finding("fuel_low", "note"),)), "ready", "proven"),
    (
        "exercise missed once",
        replace(READY, findings=(finding("exercise_missed", times=1),)),
        "ready",
        "proven",
    ),
    (
        "exercise missed twice",
        replace(READY, findings=(finding("exercise_missed", times=2),)),
        "doubtful",
        "exercise_missed",
    ),
    ("out of band", replace(READY, out_at_last_run=True), "doubtful", "out_of_band"),
    (
        "starts harder",
        replace(READY, findings=(finding("harder_starting"),)),
        "doubtful",
        "harder_starting",
    ),
    ("service due", replace(READY, findings=(finding("service_due"),)), "ready", "proven"),
    (
        "service late beyond",
        replace(READY, findings=(finding("service_due", "same_day"),)),
        "doubtful",
        "service_due",
    ),
    ("adopted", replace(READY, adopted=True), "doubtful", "adopted"),
    ("no mains wired", replace(READY, blind=("mains",)), "ready", "proven"),
]


@pytest.mark.parametrize(
    ("known", "state", "why"), [c[1:] for c in CASES], ids=[c[0] for c in CASES]
)
def test_every_reason(known: Known, state: str, why: str) -> None:
    verdict = judge(known)
    assert (verdict.state, verdict.why) == (state, why)
    text = said(verdict, "Europe/Berlin", NOW)
    assert text.endswith(".")
    assert "{" not in text
    assert "None" not in text
    assert "_" not in text


def test_the_order_of_the_words() -> None:
    """Everything at once, taken away from the front."""
    worst = replace(
        READY,
        aside=("laid_up", 1),
        demands=(demand(1, "failed"),),
        silent_since=NOW - 9999,
        findings=(finding("fuel_low", "same_day"),),
    )
    order = []
    for change in ({}, {"aside": None}, {"demands": ()}, {"silent_since": None}, {"findings": ()}):
        worst = replace(worst, **change)
        order.append(judge(worst).state)
    assert order == ["set_aside", "not_ready", "unknown", "doubtful", "ready"]


def test_all_reasons_of_a_state_are_kept() -> None:
    many = replace(READY, adopted=True, battery="replace", proofs=(proof(41),))
    verdict = judge(many)
    assert verdict.why == "not_proven"
    assert verdict.others == ("battery_replace", "adopted")
    assert len(others(verdict, "UTC", NOW)) == 2
    assert "not proven for 41 days" in said(verdict, "UTC", NOW)


@given(
    st.sets(st.sampled_from(["aside", "failed", "silent", "fuel", "adopted", "old"])),
)
def test_never_ready_while_anything_speaks_against_it(against: set[str]) -> None:
    known = replace(
        READY,
        aside=("laid_up", 1) if "aside" in against else None,
        demands=(demand(1, "failed"),) if "failed" in against else (),
        silent_since=NOW - 9999 if "silent" in against else None,
        findings=(finding("fuel_low", "same_day"),) if "fuel" in against else (),
        adopted="adopted" in against,
        proofs=(proof(60 if "old" in against else 6),),
    )
    assert (judge(known).state == "ready") == (not against)


@pytest.mark.parametrize(
    ("criticality", "interval", "days"),
    [
        ("home", None, 35),
        ("life", None, 35),
        ("home", WEEK, 14),
        ("business", 14 * DAY, 28),
        ("home", 31 * DAY, 35),
        ("life", WEEK, 10),
        ("life", DAY, 10),
        ("life", 14 * DAY, 17),
        ("life", 31 * DAY, 34),
        ("life", 40 * DAY, 35),
    ],
)
def test_how_long_a_proof_holds(criticality: object, interval: int | None, days: int) -> None:
    assert proof_limit_s(criticality, interval) == days * DAY  # type: ignore[arg-type]


def test_learning_time() -> None:
    assert learning_until(NOW - DAY, NOW) == NOW + 13 * DAY
    assert learning_until(NOW - 14 * DAY, NOW) is None
    assert learning_until(None, NOW) is None


# Through a unit's days.


def test_a_weekly_set_is_ready() -> None:
    verdict = life()
    held = verdict.readiness
    assert held is not None
    assert held == verdict.summary.readiness
    assert (held.state, held.why) == ("ready", "proven"), held
    assert held.proof_limit_s == 14 * DAY
    assert held.proof_sure
    assert held.proof_v == pytest.approx(231.0)
    assert verdict.summary.adopted is False
    assert verdict.summary.learning_until is None
    assert "transfer" in held.blind


def test_the_verdict_is_looked_at_again_when_its_proof_ends() -> None:
    verdict = life(until=0)
    later = life(until=15 * DAY)
    assert verdict.readiness is not None
    assert later.readiness is not None
    assert (later.readiness.state, later.readiness.why) == ("doubtful", "not_proven")
    assert "exercise_missed" in later.readiness.others


def test_not_checked_with_a_meter_is_adopted() -> None:
    verdict = life(records=())
    assert verdict.summary.adopted
    assert verdict.readiness is not None
    assert verdict.readiness.why == "adopted"
    on_mains = msgspec.structs.replace(CHECKED, facts={"channel": "mains_v"})
    assert life(records=(on_mains,)).summary.adopted


def test_a_new_set_is_learning() -> None:
    verdict = life(weeks=1)
    assert verdict.summary.learning_until is not None
    assert verdict.readiness is not None
    assert verdict.readiness.state == "ready", "it has proven itself"


def test_a_shutdown_is_told_until_something_ran() -> None:
    """After the last exercise it shut itself down; nothing ran since."""
    monday = T0 - (T0 // DAY - 4) % 7 * DAY
    at = monday + 9 * 3600 + 600
    halt = DeviceEvent(device="D", at=at, event="shutdown", cause="low oil pressure")
    verdict = life(events=(halt,))
    assert verdict.readiness is not None
    assert (verdict.readiness.state, verdict.readiness.why) == ("not_ready", "shut_down")
    found = next(f for f in verdict.findings if f.kind == "shut_down")
    assert found.severity == "act_now"
    assert "low oil pressure" in sentence(found, "UTC", at + 60).seen
    earlier = msgspec.structs.replace(halt, at=at - WEEK)
    assert life(events=(earlier,)).readiness == life().readiness
    visited = msgspec.structs.replace(CHECKED, id="v", kind="visit", at=at + 1800, facts={})
    after = life(events=(halt,), records=(CHECKED, visited))
    assert not [f for f in after.findings if f.kind == "shut_down"]
    assert after.readiness is not None
    assert after.readiness.why == "not_proven_since"


def test_a_run_without_volts_is_no_proof() -> None:
    """The device says that it runs; its own volts stay dead."""
    signal = RunningSignal(first=SignalChannel("running", 0.5, 0.5))
    verdict = life(volts=3.0, unit=msgspec.structs.replace(WEEKLY, running=signal))
    assert verdict.readiness is not None
    assert (verdict.readiness.state, verdict.readiness.why) == ("not_ready", "no_output")


@settings(max_examples=60, deadline=None)
@given(
    minutes_on=st.integers(1, 60),
    quiet_s=st.integers(0, 3 * DAY),
    others=st.booleans(),
    habit=st.sampled_from(
        [
            HABIT,
            msgspec.structs.replace(HABIT, running_s=300),
            Habit(
                mode="on_change", standing_s=900, running_s=60, heartbeat_s=7200, source="register"
            ),
            Habit(mode="sleeping", standing_s=3600, running_s=60, source="register"),
        ]
    ),
    channels=st.sampled_from(["one", "two"]),
)
def test_a_set_silent_while_running_is_never_standing_by(
    minutes_on: int, quiet_s: int, others: bool, habit: Habit, channels: str
) -> None:
    """Its running signal was on when last read. It may be silent since, or go on to speak of other
    things (`others`): nobody has said that it stands."""
    on_at = T0 + 3600
    t = np.array([on_at - 900, *(on_at + 60 * n for n in range(minutes_on))], np.int64)
    on = np.array([0.0, *[1.0] * minutes_on])
    signal = RunningSignal(first=SignalChannel("running", 0.5, 0.5))
    series = {"running": Series(t, on)}
    if channels == "two":
        signal = msgspec.structs.replace(signal, second=SignalChannel("ac_v", 200.0, 180.0))
        series["ac_v"] = Series(t, 231.0 * on)
    last, now = int(t[-1]), int(t[-1]) + quiet_s
    heard = last
    if others:
        more = np.arange(last + 60, now + 1, 900, dtype=np.int64)
        series["battery_v"] = Series(more, np.full(len(more), 12.7))
        heard = int(more[-1]) if len(more) else last
    unit = msgspec.structs.replace(UNIT, running=signal, habit=habit)
    known = msgspec.structs.replace(
        inputs(heard, 230.0, unit), pulses=(Pulse(device="D", heard_at=heard, newest_at=heard),)
    )
    facts = day_facts(known, habit)
    days: list[Day] = []
    for number in range(T0 // DAY, now // DAY + 1):
        mine = {
            name: Series(one.t[one.t // DAY == number], one.v[one.t // DAY == number])
            for name, one in series.items()
        }
        days.append(digest(facts, number, mine, (), days[-1].carry if days else None))
    seen = assess(known, days, now)
    assert seen.summary.condition in ("running", "last_heard_running", "not_reporting")
    if seen.summary.condition == "last_heard_running" and not (
        others and habit.mode == "on_change"
    ):
        assert seen.summary.condition_since == last
    silent = [f for f in seen.findings if f.kind == "not_reporting"]
    for one in silent:
        assert "standing by" not in sentence(one, "UTC", now).seen
        assert "was running when it was last heard" in sentence(one, "UTC", now).seen


@pytest.mark.parametrize("quiet_s", [61, 400, 1100])
@pytest.mark.parametrize("how", ["hold time", "event"])
def test_nor_is_one_of_which_only_the_beginning_was_heard(how: str, quiet_s: int) -> None:
    """One reading of `on`, its hold time not yet over; or `started` and nothing more."""
    on_at = T0 + 3600
    signal = RunningSignal(first=SignalChannel("running", 0.5, 0.5))
    t, on = np.array([on_at - 900, on_at], np.int64), np.array([0.0, 1.0])
    events: tuple[DeviceEvent, ...] = ()
    if how == "hold time":
        signal = msgspec.structs.replace(signal, hold_on_s=45)
    else:
        on = np.zeros(2)
        events = (DeviceEvent(device="D", at=on_at + 20, event="started"),)
    last = on_at + (0 if how == "hold time" else 20)
    unit = msgspec.structs.replace(UNIT, running=signal)
    known = msgspec.structs.replace(
        inputs(last, 230.0, unit), pulses=(Pulse(device="D", heard_at=last, newest_at=last),)
    )
    day = digest(day_facts(known, HABIT), T0 // DAY, {"running": Series(t, on)}, events)
    seen = assess(known, [day], last + quiet_s)
    expected = "running" if quiet_s < 180 else "last_heard_running"
    assert (seen.summary.condition, seen.summary.condition_since) == (expected, last)
    assert seen.look_again_at <= last + 181 or quiet_s > 180, "it looks again when that changes"


def test_a_reading_that_says_so_makes_it_stand_by() -> None:
    t = np.array([T0 + 3600, T0 + 3660, T0 + 7200], np.int64)
    unit = msgspec.structs.replace(
        UNIT, running=RunningSignal(first=SignalChannel("running", 0.5, 0.5))
    )
    known = msgspec.structs.replace(
        inputs(int(t[-1]), 230.0, unit),
        pulses=(Pulse(device="D", heard_at=int(t[-1]), newest_at=int(t[-1])),),
    )
    series = {"running": Series(t, np.array([1.0, 1.0, 0.0]))}
    day = digest(day_facts(known, HABIT), T0 // DAY, series)
    assert assess(known, [day], int(t[-1]) + 60).summary.condition == "standing_by"


@pytest.mark.parametrize(
    ("told", "dark"),
    [
        ({"mains_v": 0.0, "frequency_hz": 50.1}, True),
        ({"mains_v": 0.0, "ac_l1_v": 120.0}, True),
        ({"mains_v": 230.0, "speed_rpm": 1500.0}, True),
        ({"mains_v": 230.0, "frequency_hz": 50.0, "ac_l1_v": 231.0}, False),
        ({"mains_v": 0.0, "frequency_hz": 0.0, "speed_rpm": 0.0, "ac_l1_v": 3.0}, False),
    ],
)
def test_a_set_that_turns_without_its_volts_does_not_stand_by(
    told: dict[str, float], dark: bool
) -> None:
    """Its signal is AC, and it gives none, or one leg of two. With the mains on, hertz and volts may be
    the mains', read on the wrong side; speed may not."""
    t = np.array([T0 + 3600, T0 + 4500, T0 + 5400], np.int64)
    last = int(t[-1])
    known = msgspec.structs.replace(
        inputs(last, 230.0),
        pulses=(
            Pulse(
                device="D",
                heard_at=last,
                newest_at=last,
                latest={name: Latest(last, value) for name, value in told.items()},
            ),
        ),
    )
    day = digest(day_facts(known, HABIT), T0 // DAY, {"ac_v": Series(t, np.array([0.0, 1.0, 2.0]))})
    seen = assess(known, [day], last + 60).summary
    assert seen.condition == ("running" if dark else "standing_by")
    assert (seen.dark_at, seen.stood_at) == (last if dark else None, last)


def test_a_sleeping_set_is_not_running_for_ever() -> None:
    """It wakes every six hours; one of its reports fell into a run."""
    sleeping = Habit(mode="sleeping", standing_s=21_600, running_s=21_600, source="register")
    unit = msgspec.structs.replace(UNIT, habit=sleeping)
    at = [T0 + 21_600 * n for n in range(3)]
    series = {"ac_v": Series(np.array(at, np.int64), np.array([0.0, 0.0, 231.0]))}
    known = msgspec.structs.replace(
        inputs(at[-1], 230.0, unit),
        pulses=(Pulse(device="D", heard_at=at[-1], newest_at=at[-1]),),
    )
    day = digest(day_facts(known, sleeping), T0 // DAY, series)
    fresh = assess(known, [day], at[-1] + 60)
    assert fresh.summary.condition == "running"
    assert fresh.look_again_at <= at[-1] + 181
    later = assess(known, [day], at[-1] + 3600)
    assert later.summary.condition == "last_heard_running"
    assert later.summary.condition_since == at[-1]
    much_later = assess(known, [day], at[-1] + 21_600 * 3)
    assert much_later.summary.condition == "not_reporting"

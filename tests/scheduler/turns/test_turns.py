"""The clockwork on a real SQLite registry and a real embedded store."""

from __future__ import annotations

import random
import signal as signals
import subprocess
import sys
from pathlib import Path
from typing import Any

import msgspec
import pytest
from house import D0, DAY, HABIT, T0, House, a_week, make, record, row
from places import ROOT
from service import wait_for

from fleet import settings
from fleet.clock import now as clock_now
from fleet.history import UnitUnknown
from fleet.model import EVERYTHING, DeviceEvent, Habit, Reading, Scope
from fleet.registry import lists, unscoped
from fleet.registry.base.engine import open_registry
from fleet.registry.facts.records import add_record
from fleet.registry.facts.rows import PulseBatch
from scheduler import turns
from scheduler.day import decode as decode_day
from scheduler.turns import clockwork

pytest_plugins = ["house"]


def test_the_same_days_byte_for_byte_however_they_arrive(tmp_path: Path) -> None:
    """Shuffled, batched, restarted, late and packed rows give the Days of one clean pass."""
    readings, events = a_week("u1")
    end = T0 + 7 * DAY
    clean = make(tmp_path / "clean", row("u1"))
    clean.hear(readings, events, end)
    clean.turn(end)
    expected = clean.days("u1")
    assert len(expected) == 7
    assert sum(len(decode_day(d.doc).runs) for d in expected) >= 7, "the week must have runs"
    for seed in range(3):
        rnd = random.Random(seed)
        mixed = make(tmp_path / f"mixed{seed}", row("u1"))
        pieces: list[Reading | DeviceEvent] = [*readings, *events]
        rnd.shuffle(pieces)
        size = len(pieces) // 9 + 1
        for begin in range(0, len(pieces), size):
            part = pieces[begin : begin + size]
            again = rnd.sample(pieces[:begin], min(begin, 20))
            mixed.hear(
                [p for p in [*part, *again] if isinstance(p, Reading)],
                [p for p in [*part, *again] if isinstance(p, DeviceEvent)],
                end,
            )
            if rnd.random() < 0.5:
                while mixed.store.tend(end + 3 * DAY):
                    pass
            mixed.memory = turns.Memory()
            mixed.turn(end)
        assert mixed.days("u1") == expected
        again_verdict, first = mixed.verdict("u1"), clean.verdict("u1")
        assert again_verdict == first
        mixed.store.close()
        mixed.registry.close()
    clean.store.close()
    clean.registry.close()


def test_newest_first_gives_the_same_days_with_a_learned_habit(tmp_path: Path) -> None:
    """The habit of a day is learned from the 14 days up to it; days before it arrive last."""
    readings, events = a_week("u1", days=24, hasty_days=8)
    end = T0 + 24 * DAY
    clean, late = make(tmp_path / "a", row("u1")), make(tmp_path / "b", row("u1"))
    clean.hear(readings, events, end, habit=None)
    clean.turn(end)
    late.turn(end)
    for first in range(21, -1, -3):
        late.hear(
            [r for r in readings if first <= r.at // DAY - D0 < first + 3],
            [e for e in events if first <= e.at // DAY - D0 < first + 3],
            end,
            habit=None,
        )
        late.turn(end)
    assert clean.verdict("u1").habit.source == "learned"
    assert clean.verdict("u1").habit.standing_s == 600
    assert late.days("u1") == clean.days("u1")
    for house in (clean, late):
        house.store.close()
        house.registry.close()


def test_old_news_reaches_the_days_it_teaches(tmp_path: Path) -> None:
    """Days 0 to 2 come last. With them day 13 has learned 5 min, without them 10 min; the days in
    between stay as they were."""
    readings = [
        Reading("u1", T0 + d * DAY + s, {"ac_v": 0.0})
        for d in range(20)
        for s in range(0, DAY, 300 if d < 8 else 600)
    ]
    end = T0 + 20 * DAY
    clean, late = make(tmp_path / "a", row("u1")), make(tmp_path / "b", row("u1"))
    clean.hear(readings, [], end, habit=None)
    clean.turn(end)
    late.turn(end)
    late.hear([r for r in readings if r.at >= T0 + 3 * DAY], [], end, habit=None)
    late.turn(end)
    assert late.days("u1")[10:] != clean.days("u1")[13:]
    late.hear([r for r in readings if r.at < T0 + 3 * DAY], [], end, habit=None)
    assert late.turn(end).days < 20, "not all days are made again"
    assert late.days("u1") == clean.days("u1")
    for house in (clean, late):
        house.store.close()
        house.registry.close()


def test_nothing_new_writes_nothing_and_one_days_news_is_one_days_work(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    from scheduler.turns import recompute as module

    readings, events = a_week("u1")
    house.hear(readings, events, T0 + 7 * DAY)
    assert house.turn(T0 + 7 * DAY).days == 7
    digested: list[int] = []
    real = module.digest

    def noted(facts: Any, day: int, *rest: Any) -> Any:
        digested.append(day)
        return real(facts, day, *rest)

    monkeypatch.setattr(module, "digest", noted)
    house.hear(readings[-30:], [], T0 + 7 * DAY)
    assert house.turn(T0 + 7 * DAY).days == 0
    assert digested == [D0 + 6]
    assert unscoped.touched_units(house.registry, 10) == []


def test_a_failed_start_is_an_open_episode_after_one_turn(house: House) -> None:
    at = T0 + 3600
    house.turn(T0)
    house.hear([Reading("u1", at - 600, {"ac_v": 0.0, "in_auto": 1.0})], [], at - 600)
    house.turn(at - 600)
    event = DeviceEvent(
        device="u1", at=at, event="failed_to_start", cause="overcrank", values={"crank_min_v": 8.7}
    )
    house.hear([], [event], at + 1)
    turn = turns.watch(house.registry, house.history, at + 2, 1.5, house.memory)
    assert turn.opened == 1
    (episode,) = unscoped.open_episodes(house.registry, ["unit:u1"])
    assert (episode.kind, episode.severity, episode.opened_at) == (
        "failed_start",
        "act_now",
        at + 2,
    )
    assert episode.finding.since == at
    # told once, whatever else comes
    house.hear([Reading("u1", at + 60, {"ac_v": 0.0, "in_auto": 1.0})], [], at + 60)
    assert house.turn(at + 61).opened == 0
    # and a start clears it
    run = [Reading("u1", at + 600 + s, {"ac_v": 231.0, "in_auto": 1.0}) for s in range(0, 300, 30)]
    house.hear(run, [DeviceEvent(device="u1", at=at + 590, event="crank")], at + 900)
    house.turn(at + 900)
    assert house.open("u1") == set()
    (closed,) = lists.episodes(house.registry, EVERYTHING, open_only=False, unit="u1")
    assert [s.kind for s in closed.steps] == ["raised", "returned"]


def test_a_failed_start_learned_after_a_success_is_history(house: House) -> None:
    at = T0 + 40_000
    house.hear(
        [
            Reading("u1", at + s, {"ac_v": 231.0 if 0 <= s < 600 else 0.0})
            for s in range(-600, 1200, 60)
        ],
        [DeviceEvent(device="u1", at=at - 20, event="crank")],
        at + 1200,
    )
    house.turn(at + 1200)
    old = DeviceEvent(device="u1", at=at - 7200, event="failed_to_start")
    house.hear([], [old], at + 1260)
    house.turn(at + 1260)
    assert house.open("u1") == set()
    ends = [d.end for r in house.days("u1") for d in decode_day(r.doc).starts]
    assert "failed" in ends


def test_silence_becomes_an_episode_when_its_limit_passes(house: House) -> None:
    at = T0 + 3600
    house.hear([Reading("u1", at, {"ac_v": 0.0})], [], at)
    house.turn(at)
    limit = house.verdict("u1").silent_limit_s
    assert limit == 1800, "three habits of 10 min"
    house.turn(at + limit - 1)
    assert house.open("u1") == set()
    assert unscoped.due_looks(house.registry, at + limit, 9) == ["u1"]
    house.turn(at + limit)
    assert house.open("u1") == {"not_reporting"}
    house.hear([Reading("u1", at + limit + 60, {"ac_v": 0.0})], [], at + limit + 60)
    house.turn(at + limit + 60)
    assert house.open("u1") == set()


def test_a_restart_tells_nothing_twice_and_nothing_is_missed(house: House) -> None:
    """Field case 25, simple form: one alarm goes on, one ended and one began during the stop."""
    at = T0 + 3600
    failed = DeviceEvent(device="u1", at=at, event="failed_to_start")
    house.hear([Reading("u1", at, {"ac_v": 0.0, "in_auto": 1.0})], [failed], at)
    house.hear([Reading("u2", at, {"ac_v": 0.0, "in_auto": 0.0})], [], at)
    house.turn(at + 100)
    assert house.open("u1") == {"failed_start"}
    assert house.open("u2") == {"not_in_auto"}
    before = {e.id for e in unscoped.open_episodes(house.registry, ["unit:u1"])}
    house.hear([Reading("u2", at + 200, {"ac_v": 0.0, "in_auto": 1.0})], [], at + 200)
    house.hear([Reading("u1", at + 200, {"ac_v": 0.0, "in_auto": 0.0})], [], at + 200)
    house.memory = turns.Memory()
    house.turn(at + 3000)
    house.turn(at + 3061)
    assert house.open("u2") == {"not_reporting"}
    episodes = lists.episodes(house.registry, EVERYTHING, open_only=False, unit="u2")
    assert [[s.kind for s in e.steps] for e in episodes if e.kind == "not_in_auto"] == [
        ["raised", "lapsed", "returned"]
    ]
    assert house.open("u1") == {"failed_start", "not_in_auto", "not_reporting"}
    assert before < {e.id for e in unscoped.open_episodes(house.registry, ["unit:u1"])}


def test_a_fitting_recorded_late_heals_the_days(tmp_path: Path) -> None:
    """A board was moved from u1 to u2 on day 3 and nobody wrote it down until day 7."""
    readings, events = a_week("board")
    end, moved = T0 + 7 * DAY, T0 + 3 * DAY + 40_000
    late, known = (
        make(tmp_path / name, row("u1", device="board"), row("u2", device="other"))
        for name in ("late", "known")
    )
    move = record("u2", "fitting", moved, device="board", **{"from": moved})
    add_record(known.registry, move, end)
    for house in (late, known):
        house.hear(readings, events, end)
        house.turn(end)
    assert len(late.days("u1")) == 7
    add_record(late.registry, move, end)
    late.turn(end)
    for unit in ("u1", "u2"):
        assert late.days(unit) == known.days(unit)
    assert [r.day - D0 for r in late.days("u1")] == [0, 1, 2, 3]
    assert [r.day - D0 for r in late.days("u2")] == [3, 4, 5, 6]
    for house in (late, known):
        house.store.close()
        house.registry.close()


def test_a_meter_check_is_applied_to_the_days_from_its_moment(house: House) -> None:
    """Raw 224.6 V with the meter at 231 V: the day after shows 231 V, the day before does not."""
    house.hear(
        [
            Reading("u1", T0 + n * DAY + 3600 + s, {"ac_v": 224.6})
            for n in range(3)
            for s in range(0, 600, 60)
        ],
        [],
        T0 + 3 * DAY,
    )
    house.turn(T0 + 3 * DAY)
    check = record(
        "u1", "meter_check", T0 + DAY, channel="ac_v", meter=[231.0], raw=[224.6], instrument="M1"
    )
    add_record(house.registry, check, T0 + 3 * DAY)
    house.turn(T0 + 3 * DAY)
    means = [decode_day(r.doc).spots["ac_v"].mean for r in house.days("u1")]
    assert means == pytest.approx([224.6, 231.0, 231.0], abs=1e-3)


def test_days_whose_readings_are_gone_are_dropped(house: House) -> None:
    house.hear(*a_week("u1", days=3), T0 + 3 * DAY)
    house.turn(T0 + 3 * DAY)
    house.store.delete("u1", T0 + DAY, T0 + 2 * DAY)
    with house.registry.write() as connection:
        from fleet.registry.derived.touches import touch_units

        touch_units(connection, {"u1": D0}, T0 + 3 * DAY)
    house.turn(T0 + 3 * DAY)
    rows = house.days("u1")
    assert [r.day - D0 for r in rows if decode_day(r.doc).n] == [0, 2]


def test_one_units_failure_does_not_stop_the_others(
    house: House, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    from scheduler.turns import watching as module

    real = module.assess

    def poisoned(inputs, days, now, *rest):  # type: ignore[no-untyped-def]
        if inputs.unit.id == "u1":
            raise ValueError("<script>text from outside</script>")
        return real(inputs, days, now, *rest)

    monkeypatch.setattr(module, "assess", poisoned)
    at = T0 + 3600
    for device in ("u1", "u2"):
        house.hear([Reading(device, at, {"ac_v": 0.0})], [], at)
    turn = house.turn(at)
    assert turn.failed >= 1
    assert lists.assessment(house.registry, EVERYTHING, "u2") is not None
    assert lists.assessment(house.registry, EVERYTHING, "u1") is None
    assert "rules failed on unit u1: ValueError" in caplog.text
    assert "script" not in caplog.text
    trouble = house.memory.troubles["u1"]
    assert (trouble.fault, trouble.again_at) == ("ValueError", at + 5)
    assert house.turn(at + 1).units == 0, "held back until its time"
    assert [t.unit for t in unscoped.touched_units(house.registry, 9)] == ["u1"], (
        "its touch is kept"
    )
    monkeypatch.setattr(module, "assess", real)
    house.turn(at + 5)
    assert house.memory.troubles == {}
    assert lists.assessment(house.registry, EVERYTHING, "u1") is not None


def test_a_unit_the_rules_cannot_work_with_waits_and_the_others_go_on(house: House) -> None:
    """A device that declares a habit of 0 s: the day refuses it. No fault is planted in code."""
    for device in ("u1", "u2"):
        bad = Habit(standing_s=0) if device == "u1" else HABIT
        house.hear([Reading(device, T0 + 60, {"ac_v": 0.0})], [], T0 + 60, habit=bad)
    house.turn(T0 + 60)
    assert set(house.memory.troubles) == {"u1"}
    assert house.verdict("u2").summary.condition == "standing_by"
    house.hear([Reading("u1", T0 + 120, {"ac_v": 0.0})], [], T0 + 120)
    house.turn(T0 + 120)
    assert house.verdict("u1").summary.condition == "standing_by"
    assert house.memory.troubles == {}


def test_another_habit_makes_every_day_again(house: House) -> None:
    """A device that declares another habit changes what its old days say: all are made again,
    at the next look, without a touch."""
    readings, events = a_week("u1", days=5)
    house.hear(readings, events, T0 + 5 * DAY)
    house.turn(T0 + 5 * DAY)
    before = house.days("u1")
    slower = msgspec.structs.replace(house.pulses["u1"], habit=Habit(standing_s=700))
    unscoped.pulse(house.registry, PulseBatch(now=T0 + 5 * DAY, pulses=[slower]))
    looked = house.verdict("u1").look_again_at
    assert house.turn(looked).days == 5
    after = house.days("u1")
    assert [r.day for r in after] == [r.day for r in before]
    assert all(a.fingerprint != b.fingerprint for a, b in zip(after, before, strict=True))


def test_a_host_clock_that_runs_behind_judges_nothing(house: House) -> None:
    house.turn(T0)
    house.hear([Reading("u1", T0 + 7200, {"ac_v": 0.0})], [], T0 + 7200)
    turn = house.turn(T0 + 7200 - 601)
    assert turn.behind_s == 601
    assert [t.unit for t in unscoped.touched_units(house.registry, 9)] == ["u1"]
    assert house.turn(T0 + 7200 - 600).behind_s == 0
    assert house.days("u1") != []


def test_facts_changed_while_computing_are_computed_again(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    """write_turn refuses what was computed from old facts; the next turn has the new ones."""
    from scheduler.turns import watching as module

    real = module.assess
    done: list[int] = []

    def interrupted(inputs: Any, days: Any, now: int, *rest: Any) -> Any:
        if inputs.unit.id == "u1" and not done:
            done.append(1)
            add_record(house.registry, record("u1", "note", now, text="rang"), now)
        return real(inputs, days, now, *rest)

    monkeypatch.setattr(module, "assess", interrupted)
    house.hear([Reading("u1", T0 + 60, {"ac_v": 0.0})], [], T0 + 60)
    turn = house.turn(T0 + 60)
    assert turn.refused == 1
    assert len(house.days("u1")) == 1
    assert unscoped.touched_units(house.registry, 9) == []


def test_a_reader_sees_only_its_customers(house: House) -> None:
    house.hear([Reading("u1", T0 + 60, {"ac_v": 231.0})], [], T0 + 60)
    seen = house.history.series(EVERYTHING, "u1", ["ac_v"], T0, T0 + DAY)
    assert seen["ac_v"].v.tolist() == [231.0]
    assert house.history.days(EVERYTHING, "u1", T0, T0 + DAY) == [D0]
    with pytest.raises(UnitUnknown):
        house.history.series(Scope(frozenset({"someone-else"})), "u1", ["ac_v"], T0, T0 + DAY)


def test_the_verdict_ages_only_in_its_time(house: House) -> None:
    """Looking again without news leaves the summary as it was but for its moment."""
    house.hear([Reading("u1", T0 + 60, {"ac_v": 0.0, "in_auto": 1.0})], [], T0 + 60)
    house.turn(T0 + 60)
    first = house.verdict("u1").summary
    house.turn(first.at + 1790)
    later = house.verdict("u1").summary
    assert msgspec.structs.replace(later, at=first.at) == first


# ---------------------------------------------------------------- the program


def data_folder(tmp_path: Path) -> Path:
    made = make(tmp_path / "data", row("u1"))
    made.hear([Reading("u1", T0 + 60, {"ac_v": 0.0})], [], T0 + 60)
    made.store.close()
    made.registry.close()
    return tmp_path / "data"


def call(*arguments: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "scheduler", *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=180,
        check=False,
        cwd=ROOT,
    )


def test_once_works_through_and_health_says_so(tmp_path: Path) -> None:
    data = data_folder(tmp_path)
    before = call("--data", data, "--health")
    assert before.returncode == 1
    assert "never" in before.stdout
    done = call("--data", data, "--once")
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("1 units, 1 days")
    assert call("--data", data, "--health").returncode == 0


@pytest.mark.long
def test_only_one_runs_and_it_stops_when_told(tmp_path: Path) -> None:
    data, began = data_folder(tmp_path), clock_now()
    first = subprocess.Popen(
        [sys.executable, "-m", "scheduler", "--data", str(data)],
        text=True,
        stderr=subprocess.PIPE,
        cwd=ROOT,
    )
    try:
        loaded = settings.load(data, {})
        registry = open_registry(loaded)
        wait_for("the look", lambda: lists.assessment(registry, EVERYTHING, "u1") is not None)
        assert began <= unscoped.heartbeats(registry)["scheduler"][0] <= clock_now()
        second = call("--data", data)
        assert second.returncode == 2
        assert "Another scheduler" in second.stderr
        registry.close()
    finally:
        first.send_signal(signals.SIGTERM)
        _, words = first.communicate(timeout=120)
    assert first.returncode == 0, words
    assert "scheduler stopped" in words
    assert "Traceback" not in words


def test_a_registry_that_is_away_is_said_and_waited_for(house: House, tmp_path: Path) -> None:
    """Another program holds the registry: nothing is lost, the wait grows, then it goes on."""
    desk = clockwork.Clockwork(house.registry, house.history)
    fault = unscoped.RegistryDown("The registry is locked.")
    clockwork._away(desk, fault)
    clockwork._away(desk, fault)
    assert desk.back_off_s == 2
    assert "The registry is locked." in clockwork.heartbeat_doc(desk)["says"]
    desk.wait_until = 0.0
    clockwork.watch(desk)
    assert desk.down == ""
    assert desk.turns_done == 1


def test_the_clockwork_coalesces_its_runs_and_keeps_no_grace_time(house: House) -> None:
    """docs/engineering/ingest.md#the-clockwork: no grace time, runs coalesced, never two at once,
    UTC, memory only.
    """
    scheduler = clockwork.background_scheduler(clockwork.Clockwork(house.registry, house.history))
    scheduler.start(paused=True)
    try:
        planned = scheduler.get_jobs()
        assert {job.id for job in planned} == {
            "calendar",
            "heartbeat",
            "office",
            "plan",
            "post",
            "send",
            "watch",
        }
        for job in planned:
            assert job.misfire_grace_time is None
            assert job.coalesce is True
            assert job.max_instances == 1
        assert str(scheduler.timezone) == "UTC"
    finally:
        scheduler.shutdown()

"""How a device hands its readings over, learned from receipts."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from intake_desk import NOW, Desk, msg

from fleet.model import Habit, Pulse, Reading
from fleet.registry.base.engine import open_registry
from fleet.settings import Settings
from fleet.store import open_store
from ingest.cache import Cache
from ingest.deliveries import delivered
from ingest.inbox import line_of, read_line
from ingest.wire import Message
from scheduler.assess.habit import held_back_now_s, held_back_s, running_known_s, silent_limit_s

T0 = 1_728_000_000


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    settings = Settings(data=tmp_path)
    made = Desk(
        settings,
        open_registry(settings),
        open_store(settings, writing=True),
        Cache(tmp_path / "profiles"),
    )
    yield made
    made.store.close()
    made.registry.close()


DEFAULT = Habit(standing_s=300, running_s=60)


def told(messages: Iterable[tuple[int, list[int]]], clock_s: int = 0) -> Pulse:
    """What is known after messages (received, the times of their readings)."""
    pulse = Pulse(device="d")
    for received, times in messages:
        readings = [Reading("d", t + clock_s, {}) for t in times]
        delivery, noted = delivered(pulse.delivery, pulse.deliveries, readings, received)
        pulse = msgspec.structs.replace(
            pulse, heard_at=received, delivery=delivery, deliveries=noted
        )
        pulse = msgspec.json.decode(msgspec.json.encode(pulse), type=Pulse)
    return pulse


def batches(n: int, kept: int, every_s: int, begin: int = T0) -> list[tuple[int, list[int]]]:
    times = [begin + every_s * k for k in range(n * kept)]
    parts = [times[k : k + kept] for k in range(0, len(times), kept)]
    return [(part[-1] + 2, part) for part in parts]


@pytest.mark.parametrize("every_s", [5, 60, 900])
def test_one_by_one_nothing_is_noted(every_s: int) -> None:
    pulse = told(batches(200, 1, every_s))
    assert pulse.deliveries == ()
    assert held_back_s(pulse) == held_back_now_s(pulse) == 0
    assert silent_limit_s(DEFAULT, False, pulse) == silent_limit_s(DEFAULT, False)


@pytest.mark.parametrize("clock_s", [-7200, 0, 86_400 * 365])
@pytest.mark.parametrize("apart", [False, True])
@pytest.mark.parametrize(("kept", "every_s"), [(4, 300), (12, 300), (24, 900), (2, 1800)])
def test_what_is_sent_together_is_one_habit(
    kept: int, every_s: int, apart: bool, clock_s: int
) -> None:
    sent = batches(20, kept, every_s)
    if apart:
        sent = [(at + k, [t]) for at, times in sent for k, t in enumerate(times)]
    pulse = told(sent, clock_s)
    held_s = (kept - 1) * every_s
    assert held_s - kept <= held_back_s(pulse) <= held_s
    period_s = kept * every_s
    habit = Habit(standing_s=every_s, running_s=60)
    assert silent_limit_s(habit, False, pulse) >= 2.9 * period_s
    assert silent_limit_s(habit, True, pulse) >= period_s


@pytest.mark.parametrize("alone", [True, False])
def test_a_routers_night_teaches_nothing(alone: bool) -> None:
    """A backlog in one message or in five hundred, of a device that sends one by one, or four."""
    kept = 1 if alone else 4
    before = batches(40, kept, 300)
    begin = before[-1][1][-1] + 300
    night = [begin + 300 * k for k in range(96)]
    ends = night[-1] + 2
    backlog = [(ends, night)] if alone else [(ends + k, [t]) for k, t in enumerate(night)]
    usual = held_back_s(told(before))
    assert usual == (0 if alone else 900)
    after = batches(8, kept, 300, night[-1] + 300)
    at_once = told([*before, *backlog])
    assert held_back_s(at_once) <= (0 if alone else 7200), "and it may fall silent right then"
    assert held_back_now_s(at_once) <= (1200 if alone else 7200)
    for n in range(4, 8):
        assert held_back_s(told([*before, *backlog, *after[:n]])) == usual


def test_a_device_that_keeps_them_back_only_at_rest() -> None:
    rest = batches(10, 4, 900)
    run = batches(180, 1, 60, rest[-1][1][-1] + 60)
    pulse = told([*rest, *run])
    assert held_back_s(pulse) == 2700, "after three hours of a run it still is known"
    assert held_back_now_s(pulse) == 0
    assert running_known_s(DEFAULT, pulse) == running_known_s(DEFAULT)


def test_a_device_that_keeps_them_back_only_while_it_runs() -> None:
    rest = batches(20, 1, 900)
    run = batches(3, 4, 60, rest[-1][1][-1] + 60)
    pulse = told([*rest, *run])
    assert running_known_s(DEFAULT, pulse) == 180 + 180


def test_a_cadence_that_changes_is_taken_at_once() -> None:
    few, many = batches(10, 4, 300), batches(1, 24, 300, T0 + 10 * 1200)
    assert held_back_s(told(few)) == 900
    assert held_back_s(told([*few, *many])) == 23 * 300
    back = batches(100, 4, 300, T0 + 10 * 1200 + 7200)
    assert held_back_s(told([*few, *many, *back])) == 900


@given(st.lists(st.tuples(st.integers(1, 8), st.integers(1, 900)), max_size=30), st.integers(0, 40))
def test_whatever_the_clock_and_the_order_within_a_delivery(
    sent: list[tuple[int, int]], clock_s: int
) -> None:
    messages, t = [], T0
    for kept, every_s in sent:
        messages.append((t + kept * every_s, [t + every_s * k for k in range(kept)]))
        t += kept * every_s
    one = told(messages)
    other = told([(at, times[::-1]) for at, times in messages], clock_s)
    assert held_back_s(one) == held_back_s(other)
    assert held_back_now_s(one) == held_back_now_s(other)


def test_a_recording_teaches_what_the_broker_taught(desk: Desk) -> None:
    """Hourly arrays of four: followed from a file, they gave a habit of their own and flapped."""
    begin = NOW - 86_400
    sent = []
    for device in ("live", "file"):
        for n in range(1, 25):
            array = [
                {"at": begin + n * 3600 - k * 900, "values": {"battery_v": 13.2}} for k in range(4)
            ]
            sent.append(msg(array, device=device, at=begin + n * 3600 + 2))
    for one in sent:
        if "/live/" in one.topic:
            desk.take(one, now=one.received_at)
            continue
        line = read_line(line_of(one), "week.jsonl:1", NOW, NOW)
        assert isinstance(line, Message)
        desk.take(line, now=one.received_at)
    live, followed = desk.pulse("live"), desk.pulse("file")
    assert held_back_s(live) == held_back_s(followed) == 2700
    assert silent_limit_s(DEFAULT, False, live) == silent_limit_s(DEFAULT, False, followed)


def test_an_old_file_taken_into_a_live_service_teaches_nothing(desk: Desk) -> None:
    """Its lines come between live messages: none of them makes a delivery of a year."""
    for n in range(6):
        at = NOW - 3600 + n * 300
        desk.take(msg([{"at": at, "values": {"battery_v": 13.2}}], at=at), now=at)
        old = at - 300 * 86_400
        late = msg([{"at": old, "values": {"battery_v": 13.1}}], at=old)
        line = read_line(line_of(late), f"old.jsonl:{n}", NOW, NOW)
        assert isinstance(line, Message)
        desk.take(line, now=at + 1)
    assert held_back_s(desk.pulse()) == 0

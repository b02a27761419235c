"""Alerts through whole turns: the registry and store are real, what is told lies in the outbox.

What a person does between two turns (an answer, a visit, a shelf) is seen by the next one.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from house import T0, House, make, record, row
from register_rows import write_turn

from fleet.model import EVERYTHING, DeviceEvent, Episode, Notice, Reading
from fleet.registry import lists, people, unscoped
from fleet.registry.facts.records import add_record
from fleet.registry.people import Actor, Person
from fleet.registry.told import alerts
from scheduler import alarms, turns
from scheduler.alarms import state_of

ANN = Actor("Ann", None, "")
AT = T0 + 10 * 3600
"""By day, 12:00 in Berlin."""
DAY_S = 86_400
READS = {"ac_v": 0.0, "in_auto": 1.0}


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    made = make(tmp_path, row("u1"), row("u2"), now=T0)
    owner = Person(id="", login="ann@example.org", name="Ann", role="owner")
    people.add_person(made.registry, owner, ANN, T0, people.hash_password("four plain words"))
    learned = AT - 20 * DAY_S  # their learning time is over
    made.hear([Reading(unit, learned, READS) for unit in ("u1", "u2")], [], learned)
    made.turn(T0)
    yield made
    made.store.close()
    made.registry.close()


def failed(unit: str, at: int) -> DeviceEvent:
    return DeviceEvent(device=unit, at=at, event="failed_to_start", cause="overcrank")


def fails(house: House, unit: str, at: int) -> Episode:
    house.hear([Reading(unit, at, READS)], [failed(unit, at)], at)
    house.turn(at + 2)
    return alert(house, unit)


def alert(house: House, unit: str, kind: str = "failed_start") -> Episode:
    found = lists.episodes(house.registry, EVERYTHING, open_only=False, unit=unit)
    return next(e for e in found if e.kind == kind)


def sent(house: House, cause: str) -> list[Notice]:
    return [notice for notice, _ in alerts.notices(house.registry, EVERYTHING, cause)]


def test_the_step_and_its_notice_are_written_together(house: House) -> None:
    episode = fails(house, "u1", AT)
    (notice,) = sent(house, episode.id)
    assert (notice.kind, notice.way, notice.not_before) == ("alert", "email", AT + 2)
    assert notice.subject == "Act now: Barn u1: Would not start"
    house.turn(AT + 4)
    house.memory = turns.Memory()
    house.turn(AT + 6)
    assert len(sent(house, episode.id)) == 1


def test_a_restart_sends_nothing_again_and_one_all_clear(house: House) -> None:
    """Field case 25 with its messages: acknowledged stays so, ended is said once, begun is told."""
    first, second = fails(house, "u1", AT), fails(house, "u2", AT + 60)
    step = alarms.acknowledge(first, "Ann", AT + 100)
    assert alerts.add_step(house.registry, step, ANN)
    run = [Reading("u2", AT + 600 + s, {"ac_v": 231.0, "in_auto": 1.0}) for s in range(0, 300, 30)]
    house.hear(run, [DeviceEvent(device="u2", at=AT + 590, event="crank")], AT + 890)
    house.hear([Reading("u1", AT + s, READS | {"in_auto": 0.0}) for s in (700, 790)], [], AT + 790)
    house.memory = turns.Memory()
    house.turn(AT + 900)
    house.turn(AT + 902)
    assert len(sent(house, first.id)) == 1
    assert state_of(alert(house, "u1")) == "acknowledged"
    assert [n.kind for n in sent(house, second.id)] == ["alert", "cleared"]
    begun = alert(house, "u1", "not_in_auto")
    assert [n.kind for n in sent(house, begun.id)] == ["alert"]


def test_what_is_over_before_it_left_is_not_sent(house: House) -> None:
    """In the night, at a home with mains: it waits for 06:30, and by then it has started."""
    night = T0 + 3600
    with_mains = Reading("u1", night, READS | {"mains_v": 230.0})
    house.hear([with_mains], [failed("u1", night)], night)
    house.turn(night + 2)
    episode = alert(house, "u1")
    assert [n.not_before > night for n in sent(house, episode.id)] == [True]
    run = [Reading("u1", night + 600 + s, {"ac_v": 231.0}) for s in range(0, 300, 30)]
    house.hear(run, [DeviceEvent(device="u1", at=night + 590, event="crank")], night + 900)
    house.turn(night + 900)
    assert state_of(alert(house, "u1")) == "returned"
    assert sent(house, episode.id) == []


def test_an_open_visit_silences_its_set(house: House) -> None:
    house.hear([Reading("u1", AT, READS)], [], AT)
    house.turn(AT + 2)
    add_record(house.registry, record("u1", "visit", AT + 10, opened=AT + 10), AT + 10)
    house.hear([Reading("u1", AT + s, READS | {"in_auto": 0.0}) for s in (60, 150)], [], AT + 150)
    house.turn(AT + 160)
    episode = alert(house, "u1", "not_in_auto")
    assert state_of(episode) == "suppressed"
    assert episode.steps[-1].cause == f"visit:visit-u1-{AT + 10}"
    assert sent(house, episode.id) == []
    house.hear([Reading("u1", AT + 90_000, READS | {"in_auto": 0.0})], [], AT + 90_000)
    house.turn(AT + 90_010)  # nobody closed it: after a day it silences nothing any more
    assert state_of(alert(house, "u1", "not_in_auto")) == "unacknowledged"
    assert [n.kind for n in sent(house, episode.id)] == ["alert"]


def test_a_shelf_ends_by_itself(house: House) -> None:
    episode = fails(house, "u1", AT)
    step = alarms.shelve(episode, "Ann", AT + 700, AT + 10)
    assert alerts.add_step(house.registry, step, ANN)
    house.hear([Reading("u1", AT + 300, READS)], [failed("u1", AT + 300)], AT + 300)
    house.turn(AT + 310)
    assert state_of(alert(house, "u1")) == "shelved"
    assert "u1" in unscoped.due_looks(house.registry, AT + 700, 9)
    house.turn(AT + 700)
    assert state_of(alert(house, "u1")) == "unacknowledged"
    assert [n.step for n in sent(house, episode.id)] == ["1", "3"]


def test_an_answer_between_reading_and_writing_is_not_lost(house: House) -> None:
    """The dashboard's step takes the number the turn wanted: the unit is computed again."""
    episode = fails(house, "u1", AT)
    run = [Reading("u1", AT + 600 + s, {"ac_v": 231.0}) for s in range(0, 300, 30)]
    house.hear(run, [DeviceEvent(device="u1", at=AT + 590, event="crank")], AT + 900)
    unscoped.spread_touches(house.registry, 500)
    inputs = unscoped.unit_inputs(house.registry, "u1")
    (touch,) = [t for t in unscoped.touched_units(house.registry, 9) if t.unit == "u1"]
    assert inputs is not None
    turn = turns.compute(
        turns.TurnContext(house.registry, house.history, AT + 900), inputs, touch.days
    )
    assert [s.kind for s in turn.alerts.steps] == ["returned"]
    alerts.add_step(house.registry, alarms.acknowledge(episode, "Ann", AT + 899), ANN)
    assert write_turn(house.registry, [turn], AT + 900) == ["u1"]
    house.turn(AT + 902)
    assert [s.kind for s in alert(house, "u1").steps] == ["raised", "acknowledged", "cleared"]


def test_what_a_device_kept_while_its_link_was_down_is_told_with_both_times(house: House) -> None:
    """It failed at 12:00 in Berlin; its message came with the link, at 15:17. In the words of a push
    and of a text message too, which are cut from the same notice."""
    came = AT + 3 * 3600 + 1020
    house.hear([Reading("u1", AT, READS), Reading("u1", came, READS)], [failed("u1", AT)], came)
    house.turn(came + 2)
    episode = alert(house, "u1")
    assert (episode.finding.since, episode.finding.learned_at) == (AT, came + 2)
    (notice,) = sent(house, episode.id)
    assert notice.subject == "Act now: Barn u1: Would not start 12:00, learned 15:17"
    assert "Did not start at 12:00, learned at 15:17" in notice.body
    again = came + 7200
    house.hear([Reading("u1", again, READS)], [failed("u1", again)], again)
    house.turn(again + 2)
    assert "learned" not in sent(house, episode.id)[-1].subject, "the next one came at once"


def test_a_failed_start_in_the_night_where_nothing_tells_of_the_mains_wakes(house: House) -> None:
    """A home whose set has no mains sensing: it tried to start by itself, so the mains may be off."""
    night = T0 + 3600
    episode = fails(house, "u1", night)
    assert [(n.wakes, n.not_before) for n in sent(house, episode.id)] == [(True, night + 2)]

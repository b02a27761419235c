"""A register of many sets is taken: one message about what was so before, and dangers by themselves."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from house import T0, House, make, row

from fleet.model import EVERYTHING, DeviceEvent, Notice, Reading
from fleet.registry import lists, people
from fleet.registry.people import Actor, Person
from fleet.registry.told import alerts
from fleet.words import CAUTIONS
from scheduler.alarms.weekly import SETTLED_S
from scheduler.turns import reminders

ANN = Actor("Ann", None, "")
AT = T0 + 10 * 3600
"""By day, 12:00 in Berlin."""
DAY_S = 86_400
SETS = 20


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    late = {"engine_hours": 1200, "engine_hours_at": "2023-01-10", "last_service": "2022-01-10"}
    rows = [row(f"u{n}", **late) for n in range(SETS)]
    made = make(tmp_path, *rows, now=AT)
    owner = Person(id="", login="ann@example.org", name="Ann", role="owner")
    people.add_person(made.registry, owner, ANN, AT, people.hash_password("four plain words"))
    yield made
    made.store.close()
    made.registry.close()


def every(house: House) -> list[Notice]:
    found = lists.episodes(house.registry, EVERYTHING, open_only=False, limit=1000)
    return [n for e in found for n, _ in alerts.notices(house.registry, EVERYTHING, e.id)]


def summaries(house: House, newest: int) -> list[Notice]:
    return [n for n, _ in alerts.notices(house.registry, EVERYTHING, f"taken_over:{newest}")]


def test_the_import_of_a_register_is_one_message(house: House) -> None:
    house.turn(AT + 2)
    opened = lists.episodes(house.registry, EVERYTHING, open_only=True, limit=1000)
    assert len(opened) > SETS, "all of it is on the pages"
    assert every(house) == []
    reminders.tell(house.registry, "Elm Power", AT + SETTLED_S)
    assert summaries(house, AT + 2) == [], "more may come of it"
    for now in range(AT + 2 + SETTLED_S, AT + 3 * 3600, 60):
        reminders.tell(house.registry, "Elm Power", now)
    (told,) = summaries(house, AT + 2)
    assert told.subject == f"Elm Power: {len(opened)} alerts on {SETS} sets taken over"
    assert "Same day: Barn u7 (u7): " in told.body
    assert all(line in told.body for line in CAUTIONS)
    reminders.tell(house.registry, "Elm Power", AT + 2 * DAY_S)
    assert len(summaries(house, AT + 2)) == 1


def test_what_happens_after_the_import_rings_by_itself(house: House) -> None:
    house.turn(AT + 2)
    event = DeviceEvent(device="u3", at=AT + 600, event="failed_to_start", cause="overcrank")
    house.hear([Reading("u3", AT + 600, {"ac_v": 0.0})], [event], AT + 600)
    house.turn(AT + 602)
    assert [n.subject for n in every(house)] == ["Act now: Barn u3: Would not start"]


def test_a_danger_that_was_there_before_rings_and_a_failed_start_stands_in_the_list(
    house: House,
) -> None:
    """History that comes with the set: it would not start last month; another's volts never go."""
    before = AT - 30 * DAY_S
    event = DeviceEvent(device="u3", at=before, event="failed_to_start", cause="overcrank")
    house.hear([Reading("u3", before, {"ac_v": 0.0})], [event], before)
    high = [Reading("u4", AT - 4 * DAY_S + s, {"ac_v": 291.0}) for s in range(0, 3600, 30)]
    house.hear(high, [], AT)
    house.turn(AT + 2)
    rang = every(house)
    assert {n.unit for n in rang} == {"u4"}
    reminders.tell(house.registry, "Elm Power", AT + 2 + SETTLED_S)
    (told,) = summaries(house, AT + 2)
    assert told.body.splitlines()[1].startswith("Act now: Barn u3 (u3): Would not start, and ")

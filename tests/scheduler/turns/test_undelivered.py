"""The alert on messages that reach nobody: opened once, told to somebody else, ended by itself."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest
from found import facts_as

from fleet import words
from fleet.defaults import MESSAGE_LATE_S as LATE_S
from fleet.findings.this_service import Undelivered
from fleet.model import EVERYTHING, Contact, DeliveryMethod, Notice, Rota
from fleet.registry import unscoped
from fleet.registry.base.engine import Registry
from fleet.registry.told import outbox
from fleet.registry.told.outbox import GIVE_UP_S, put_notices
from scheduler.alarms import Office
from scheduler.turns import undelivered
from scheduler.turns.undelivered import LATELY_S

pytest_plugins = ["databases"]
NOW = 1_796_040_000
"""Wednesday, noon in UTC."""
OFFICE = Office(
    people=tuple(
        Contact(person=name, name=name.title(), ways=("email",)) for name in ("ann", "bob", "cy")
    ),
    rota=Rota(people=("ann", "bob"), start="2026-01-12", last="cy"),
)


def notice(n: int, person: str = "ann", **over: Any) -> Notice:
    way: DeliveryMethod = "email"
    base = Notice(
        id=f"n{n:031d}",
        cause=f"e{n}",
        step="1",
        person=person,
        way=way,
        kind="alert",
        subject="s",
        body="b",
        made_at=NOW,
        not_before=NOW,
    )
    return msgspec.structs.replace(base, **over)


def fails(reg: Registry, now: int) -> None:
    """Every message that may leave is tried and not delivered."""
    for claimed in outbox.claim(reg, now, "email", 10):
        outbox.record(reg, claimed, [("t", "not_delivered", "nobody there")], now)


def open_now(reg: Registry) -> list[str]:
    return [e.id for e in unscoped.open_episodes(reg, ["service"]) if e.kind == "undelivered"]


def test_messages_on_time_are_no_news(reg: Registry) -> None:
    put_notices(reg, [notice(1)], NOW)
    assert undelivered.look(reg, OFFICE, NOW + LATE_S) == 0
    (claimed,) = outbox.claim(reg, NOW + LATE_S, "email", 1)
    outbox.record(reg, claimed, [("t", "delivered", "")], NOW + LATE_S)
    assert undelivered.look(reg, OFFICE, NOW + GIVE_UP_S) == 0
    assert open_now(reg) == []


def test_a_late_message_opens_one_alert_told_to_somebody_else(reg: Registry) -> None:
    holder = undelivered.beside(OFFICE, set(), NOW).rota.last
    assert holder == "ann"
    put_notices(reg, [notice(1, "ann"), notice(2, "ann")], NOW)
    fails(reg, NOW)
    late = NOW + LATE_S + 1
    assert undelivered.look(reg, OFFICE, late) == 1
    assert undelivered.look(reg, OFFICE, late + 60) == 0, "it is open already"
    (id,) = open_now(reg)
    (told,) = outbox.of_cause(reg, EVERYTHING, id)
    assert (told.person, told.wakes) == ("bob", False)
    (episode,) = [e for e in unscoped.open_episodes(reg, ["service"]) if e.id == id]
    facts = facts_as(episode.finding, Undelivered)
    assert (facts.late, facts.given_up, facts.people) == (2, 0, 1)
    assert facts.late_s == LATE_S
    said = words.sentence(episode.finding, "UTC", late)
    assert said.seen.startswith("2 messages should have left over five minutes ago, to one person")
    assert "send a test" in said.do


def test_its_own_message_keeps_it_open_for_nobody(reg: Registry) -> None:
    """Even where nobody can be reached at all, it is one alert, and it ends."""
    put_notices(reg, [notice(n, person) for n, person in enumerate(("ann", "bob", "cy"))], NOW)
    fails(reg, NOW)
    assert undelivered.look(reg, OFFICE, NOW + LATE_S + 1) == 1
    (id,) = open_now(reg)
    (told,) = outbox.of_cause(reg, EVERYTHING, id)
    assert told.person == "ann", "nobody is reached: the holder is still the best there is"
    for n in range(50):
        fails(reg, NOW + LATE_S + 2 + n * 1800)
    given_up = NOW + GIVE_UP_S + 3600
    assert undelivered.look(reg, OFFICE, given_up) == 0
    assert open_now(reg) == [id]
    assert {one.given_up for one in outbox.unreached(reg, given_up, NOW)} == {True}
    over = NOW + LATELY_S + 1
    assert undelivered.look(reg, OFFICE, over) > 0
    undelivered.look(reg, OFFICE, over + 60)
    assert undelivered.look(reg, OFFICE, over + 120) == 0, "its own message opens no other"


def test_a_test_of_an_address_is_seen_by_who_pressed_it(reg: Registry) -> None:
    put_notices(reg, [notice(1, kind="channel_test", cause="channel_test:t")], NOW)
    fails(reg, NOW)
    assert undelivered.look(reg, OFFICE, NOW + LATE_S + 1) == 0


@pytest.mark.parametrize("missed", [set(), {"ann"}, {"ann", "bob"}])
def test_the_first_in_line_who_can_be_reached(missed: set[str]) -> None:
    line = ["ann", "bob", "cy"]
    wanted = next(p for p in line if p not in missed)
    assert undelivered.beside(OFFICE, missed, NOW).rota.last == wanted
    assert undelivered.beside(OFFICE, set(line), NOW) is OFFICE

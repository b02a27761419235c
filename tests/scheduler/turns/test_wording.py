"""Notices leave in the words of the moment they leave: through registry, outbox and a real mail server."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import msgspec
import outbox_runs
import pytest
from cryptography.fernet import Fernet
from found import finding as made
from posts import MailServer, mail_server
from register_rows import NOW, row, take, write_turn
from service import free_port

from fleet.model import (
    EVERYTHING,
    Contact,
    EngineHours,
    Finding,
    MainsNow,
    Outage,
    Rota,
    UnitSummary,
)
from fleet.registry import people, unscoped
from fleet.registry.base.engine import Registry
from fleet.registry.derived.rows import UnitTurn
from fleet.registry.people import Actor, Person
from fleet.registry.told import alerts, kept_outages
from fleet.registry.told.outbox import PAUSES_S
from scheduler import alarms
from scheduler.alarms import Office
from scheduler.notify import Mail
from scheduler.turns import outages, wording
from scheduler.turns.alerting import Judged, of_unit
from scheduler.turns.outages import Places

pytest_plugins = ["databases"]
KEY = Fernet.generate_key()
BY = Actor("the tests")


@pytest.fixture
def post() -> Iterator[MailServer]:
    with mail_server() as server:
        yield server


@pytest.fixture
def office(reg: Registry) -> Office:
    ids = [
        people.add_person(
            reg, Person(id="", login=f"{name}@example.org", name=name, role="owner"), BY, NOW
        ).id
        for name in ("ann", "bob")
    ]
    contacts = tuple(Contact(person=id, name=id, ways=("email",)) for id in ids)
    rota = Rota(people=tuple(ids), start="2026-11-23", zone="Europe/London")
    return Office(people=contacts, rota=rota)


def by(server: MailServer) -> Mail:
    return Mail(host="127.0.0.1", port=server.port, security="none", sender="duty@example.org")


def failed(mains_v: float) -> Finding:
    facts = {"attempts": 3, "at": NOW, "nominal_v": 230.0, "mains_v": mains_v}
    return made("failed_start", severity="act_now", since=NOW, facts=facts)


def summary(unit: str, now: int, lost: int | None, **changes: Any) -> UnitSummary:
    mains = MainsNow(state="present", since=NOW - 90_000, at=now, last="present")
    if lost is not None:
        mains = MainsNow(state="absent", since=lost, since_earliest=lost - 5, at=lost)
    known: dict[str, Any] = {
        "unit": unit,
        "at": now,
        "condition": "standing_by",
        "condition_since": NOW - 9000,
        "heard_at": now,
        "newest_at": now,
        "silent_limit_s": 1200,
        "hours": EngineHours(hours_h=1.0, source="meter"),
        "mains": mains,
    }
    return UnitSummary(**known | changes)


def look(reg: Registry, office: Office, seen: UnitSummary, now: int) -> None:
    """One look of a unit's turn, written."""
    inputs = unscoped.unit_inputs(reg, seen.unit)
    assert inputs is not None
    told = of_unit(reg, inputs, Judged(seen, seen.findings), now, office)
    turn = UnitTurn(
        unit=seen.unit,
        customer=inputs.customer.id,
        assessment=b"{}",
        look_again_at=now + 60,
        summary=seen,
        facts_seq=inputs.facts_seq,
        alerts=told.changes,
    )
    assert write_turn(reg, [turn], now) == []


def test_every_try_says_what_is_so_by_then(reg: Registry, office: Office, post: MailServer) -> None:
    """The mail server is down for a quarter of an hour, in which the mains comes back; then somebody
    takes it. What was sent is what is kept."""
    take(reg, row("U1", site="Alder House"))
    look(reg, office, summary("U1", NOW, NOW - 60, findings=(failed(0.0),)), NOW)
    nowhere = MailServer(port=free_port())
    assert outbox_runs.send(reg, by(nowhere), KEY, NOW).again == 1
    (episode,) = unscoped.open_episodes(reg, ["unit:U1"])
    (waiting,) = (n for n, _ in alerts.notices(reg, EVERYTHING, episode.id))
    assert "nobody is covered" in waiting.body
    later = NOW + 960
    look(reg, office, summary("U1", later, None, findings=(failed(231.0),)), later)
    assert outbox_runs.send(reg, by(nowhere), KEY, later).again == 1
    step = alarms.acknowledge(episode, "Dee", later + 5)
    assert alerts.add_step(reg, step, BY)
    assert outbox_runs.send(reg, by(post), KEY, later + PAUSES_S[1]).sent == 1
    (got,) = post.got
    text = got.get_content()
    assert "The mains was healthy when last heard (231 V)." in text
    assert "nobody is covered" not in text
    assert "Dee has it since" in text
    ((kept, state),) = alerts.notices(reg, EVERYTHING, episode.id)
    assert state == "sent"
    assert kept.body in text.replace("\r\n", "\n")
    assert kept.id == waiting.id


def test_the_next_in_line_reads_what_is_so_by_then(reg: Registry, office: Office) -> None:
    take(reg, row("U1", site="Alder House"))
    look(reg, office, summary("U1", NOW, NOW - 60, findings=(failed(0.0),)), NOW)
    later = NOW + 960
    look(reg, office, summary("U1", later, None, findings=(failed(231.0),)), later)
    assert outages.escalate(reg, Places(), office, later) == 1
    (episode,) = unscoped.open_episodes(reg, ["unit:U1"])
    (asked,) = (n for n, _ in alerts.notices(reg, EVERYTHING, episode.id) if n.kind == "escalated")
    assert asked.subject == "Nobody has answered: Alder House: Would not start"
    assert "The mains was healthy when last heard (231 V)." in asked.body


def test_an_outage_is_counted_anew(reg: Registry, office: Office) -> None:
    """Three without cover when it was told; the mains is back at two when the next in line is asked."""
    take(reg, *(row(f"U{n}", site=f"Site {n}", area="North") for n in range(4)))
    places = Places()
    for n in range(4):
        seen = summary(f"U{n}", NOW, NOW - 20, findings=(failed(0.0),))
        look(reg, office, seen, NOW)
        inputs = unscoped.unit_inputs(reg, f"U{n}")
        assert inputs is not None
        places.note(inputs, seen)
    outages.look(reg, places, office, NOW)
    (outage,) = kept_outages.outages(reg, EVERYTHING)
    (first,) = (n for n, _ in alerts.notices(reg, EVERYTHING, outage.id))
    same = wording.as_it_stands(reg, [first], NOW + 30)
    assert same == [first]
    members = [
        msgspec.structs.replace(m, cover="mains_back", back_at=NOW + 600) for m in outage.members
    ]
    later = msgspec.structs.replace(outage, members=(*members[:2], *outage.members[2:]))
    written(reg, later)
    (said,) = wording.as_it_stands(reg, [first], NOW + 900)
    assert said.body != first.body
    assert said.id == first.id


def written(reg: Registry, outage: Outage) -> None:
    turn = kept_outages.OutageTurn(outages=(outage,))
    assert kept_outages.write_outages(reg, turn, NOW + 600)


def test_words_that_fail_hold_up_no_message(
    reg: Registry, office: Office, post: MailServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    take(reg, row("U1", site="Alder House"))
    look(reg, office, summary("U1", NOW, NOW - 60, findings=(failed(0.0),)), NOW)

    def broken(*_: Any) -> None:
        raise ValueError("a rule's fault")

    monkeypatch.setattr(alarms, "worded", broken)
    assert outbox_runs.send(reg, by(post), KEY, NOW).sent == 1
    assert "Did not start" in post.got[0].get_content()

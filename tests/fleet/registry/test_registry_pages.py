"""Reads for pages: another customer's rows never come, and lists are in the promised order."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest
from register_rows import NOW, TODAY, row, take, write_turn
from written_turns import FAILED, day, due, episode, raised, summary, turn

from fleet.model import (
    EVERYTHING,
    DeviceEvent,
    Episode,
    Finding,
    Pulse,
    Quarantined,
    Record,
    Scope,
)
from fleet.registry import lists, unscoped
from fleet.registry.base.engine import Registry
from fleet.registry.facts.records import add_record
from fleet.registry.facts.rows import InboxMark, PulseBatch

pytest_plugins = ["databases"]

ANNA, BO, NOBODY = Scope(frozenset({"anna"})), Scope(frozenset({"bo"})), Scope(frozenset())


def event(device: str, at: int) -> DeviceEvent:
    return DeviceEvent(device=device, at=at, event="failed_to_start", received_at=at)


def junk(device: str, at: int) -> Quarantined:
    return Quarantined(device=device, topic="t", received_at=at, reason=f"r{at}", payload=b"x")


@pytest.fixture
def two(reg: Registry) -> Registry:
    """Two customers with everything a page can show; device MOVED went from Anna to Bo at NOW - 100."""
    take(
        reg,
        row("A1", customer="Anna", site="A", device="MOVED"),
        row("B1", customer="Bo", site="B"),
    )
    for unit in ("A1", "B1"):
        made = turn(
            reg,
            unit,
            days=[day(unit, TODAY)],
            due=[due(unit)],
            assessment=unit.encode(),
            summary=summary(unit, findings=(FAILED,)),
            opened=[episode(f"e-{unit}", unit, raised(f"e-{unit}"))],
        )
        assert write_turn(reg, [made], NOW) == []
        note = Record(id=f"n-{unit}", at=NOW, by="x", unit=unit, kind="note", facts={"text": "t"})
        add_record(reg, note, NOW)
    moved = Record(
        id="f1", at=NOW - 100, by="x", unit="B1", kind="fitting", facts={"device": "MOVED"}
    )
    add_record(reg, moved, NOW)
    batch = PulseBatch(
        now=NOW,
        pulses=[Pulse(device="MOVED", heard_at=NOW), Pulse(device="STRANGER", heard_at=NOW)],
        events=[event("MOVED", NOW - 200), event("MOVED", NOW - 50), event("STRANGER", NOW - 50)],
        quarantined=[junk("MOVED", NOW - 200), junk("MOVED", NOW - 50), junk("STRANGER", NOW)],
    )
    unscoped.pulse(reg, batch)
    return reg


def test_another_customers_rows_never_come(two: Registry) -> None:
    reg = two
    for scope, mine, other in ((ANNA, "A1", "B1"), (BO, "B1", "A1")):
        assert [u.unit.id for u in lists.units(reg, scope)] == [mine]
        assert lists.units(reg, scope, search=other) == []
        found = lists.unit(reg, scope, mine)
        assert found is not None
        assert found.customer.id in (scope.customers or ())
        assert lists.counts(reg, scope).units == 1
        assert [item.unit for item, *_ in lists.due(reg, scope)] == [mine]
        for open_only in (True, False):
            assert [e.id for e in lists.episodes(reg, scope, open_only)] == [f"e-{mine}"]
        assert {unit for _, _, unit in lists.changes_since(reg, scope, 0)} == {mine}
        assert lists.assessment(reg, scope, mine) == mine.encode()
        assert lists.days(reg, scope, mine, 0, TODAY + 1) == [day(mine, TODAY)]
        assert lists.records(reg, scope, mine)
        assert lists.inputs(reg, scope, mine) is not None

        assert lists.unit(reg, scope, other) is None
        assert lists.due(reg, scope, unit=other) == []
        assert lists.episodes(reg, scope, unit=other) == []
        assert lists.episodes(reg, scope, open_only=False, cursor=f"e-{other}") in (
            [],
            lists.episodes(reg, scope, False),
        )
        assert lists.assessment(reg, scope, other) is None
        assert lists.days(reg, scope, other, 0, TODAY + 1) == []
        assert lists.records(reg, scope, other) == []
        assert lists.inputs(reg, scope, other) is None
        assert lists.events(reg, scope, other, 0, NOW) == []


def test_a_moved_device_speaks_to_each_customer_of_its_own_time(two: Registry) -> None:
    """docs/engineering/calibration.md#whose-it-is: a lent or moved set; what it said before belongs
    to the unit of that time.
    """
    assert [e.at for e in lists.events(two, ANNA, "A1", 0, NOW)] == [NOW - 200]
    assert [e.at for e in lists.events(two, BO, "B1", 0, NOW)] == [NOW - 50]
    assert [q.item.received_at for q in lists.quarantine(two, ANNA)] == [NOW - 200]
    assert [q.item.received_at for q in lists.quarantine(two, BO, "MOVED")] == [NOW - 50]
    assert [d.device for d, _ in lists.devices(two, BO)] == ["MOVED"]
    assert lists.devices(two, ANNA) == []


def test_everything_sees_strangers_too(two: Registry) -> None:
    assert [d.device for d, _ in lists.devices(two, EVERYTHING)] == ["B1", "MOVED", "STRANGER"]
    assert {q.item.device for q in lists.quarantine(two, EVERYTHING)} == {"MOVED", "STRANGER"}
    assert {c.device for c in lists.quarantine_counts(two, EVERYTHING)} == {"MOVED", "STRANGER"}
    assert {c.device for c in lists.quarantine_counts(two, ANNA)} <= {"MOVED"}


def test_an_empty_scope_sees_nothing(two: Registry) -> None:
    assert lists.units(two, NOBODY) == []
    assert lists.counts(two, NOBODY).units == 0
    assert lists.due(two, NOBODY) == []
    assert lists.episodes(two, NOBODY) == []
    assert lists.devices(two, NOBODY) == []
    assert lists.quarantine(two, NOBODY) == []
    assert lists.changes_since(two, NOBODY, 0) == []
    assert lists.inputs(two, NOBODY, "A1") is None


def test_an_episode_about_no_unit_is_for_everything_only(reg: Registry) -> None:
    take(reg, row("A1", customer="Anna"))
    service = Episode(
        id="s",
        subject="service",
        kind="failed_start",
        part="",
        severity="note",
        opened_at=NOW,
        finding=FAILED,
        steps=(raised("s"),),
    )
    write_turn(reg, [turn(reg, "A1", opened=[service])], NOW)
    assert [e.id for e in lists.episodes(reg, EVERYTHING)] == ["s"]
    assert lists.episodes(reg, NOBODY) == []


def test_search_and_filters(reg: Registry) -> None:
    take(
        reg,
        row("A1", customer="Anna Berg", address="Mill Lane 3", area="north", device="BOARD-9"),
        row("A2", customer="Anna Berg", site="Barn", serial="50%_x"),
        row("B1", customer="Bo Dahl", site="Clinic", area="north", phone="0151"),
    )
    write_turn(
        reg,
        [
            turn(reg, "A1", summary=summary("A1", condition="running")),
            turn(reg, "B1", summary=summary("B1", findings=(FAILED,))),
        ],
        NOW,
    )

    def ids(**asked: Any) -> list[str]:
        return [u.unit.id for u in lists.units(reg, EVERYTHING, **asked)]

    assert ids(search="anna") == ["A1", "A2"]
    assert ids(search="BERG barn") == ["A2"]
    assert ids(search="mill lane") == ["A1"]
    assert ids(search="board-9") == ["A1"]
    assert ids(search="0151") == ["B1"]
    assert ids(search="%") == ["A2"]
    assert ids(search="5_%") == []
    assert ids(area="north") == ["A1", "B1"]
    assert ids(condition="running") == ["A1"]
    assert ids(severity="act_now") == ["B1"]
    assert ids(severity="") == ["A1"]
    assert ids(limit=2) == ["A1", "A2"]
    assert ids(limit=2, cursor="A2") == ["B1"]
    counts = lists.counts(reg, EVERYTHING)
    assert (counts.units, counts.not_assessed) == (3, 1)
    assert counts.by_condition == {"running": 1, "standing_by": 1}
    assert counts.by_severity == {"": 1, "act_now": 1}


def test_due_work_by_date_and_state(reg: Registry) -> None:
    take(reg, row())
    items = [
        due("U1", "a", state="later", share=0.2, due_on="2027-03-01"),
        due("U1", "b", state="soon", share=0.95, due_on="2026-12-20", likely_on="2026-12-01"),
        due("U1", "c", state="late", share=1.1, due_on="2026-11-01"),
        due("U1", "d", state="due", share=1.0),
        due("U1", "e", state="unknown", share=0.0),
    ]
    write_turn(reg, [turn(reg, "U1", due=items)], NOW)

    def tasks(**asked: Any) -> list[str]:
        return [item.task for item, *_ in lists.due(reg, EVERYTHING, **asked)]

    assert tasks() == ["c", "d", "b", "a", "e"]
    assert tasks(until="2026-12-05") == ["c", "d", "b"]
    assert tasks(until="2026-11-30") == ["c", "d"]
    assert tasks(states=["late", "soon"]) == ["c", "b"]
    assert tasks(unit="U2") == []


def test_episodes_come_gravest_first_and_page_by_page(reg: Registry) -> None:
    take(reg, *(row(f"U{n}") for n in range(6)))
    grave: list[Any] = ["note", "act_now", "same_day", "act_now", "no_word", "next_visit"]
    for n, severity in enumerate(grave):
        found: Finding = msgspec.structs.replace(FAILED, severity=severity)
        made = msgspec.structs.replace(
            episode(f"e{n}", f"U{n}", raised(f"e{n}", finding=found)),
            severity=severity,
            opened_at=NOW - n,
            finding=found,
        )
        write_turn(reg, [turn(reg, f"U{n}", opened=[made])], NOW)
    whole = [e.id for e in lists.episodes(reg, EVERYTHING)]
    assert whole == ["e3", "e1", "e2", "e5", "e4", "e0"]
    paged: list[str] = []
    while part := lists.episodes(reg, EVERYTHING, limit=2, cursor=paged[-1] if paged else None):
        paged += [e.id for e in part]
    assert paged == whole
    newest = lists.episodes(reg, EVERYTHING, open_only=False, limit=3)
    assert [e.id for e in newest] == ["e0", "e1", "e2"]
    rest = lists.episodes(reg, EVERYTHING, open_only=False, cursor="e2")
    assert [e.id for e in rest] == ["e3", "e4", "e5"]
    assert lists.episodes(reg, EVERYTHING, cursor="nowhere") == []


def test_quarantine_pages_backwards(reg: Registry) -> None:
    unscoped.pulse(reg, PulseBatch(now=NOW, quarantined=[junk("D", NOW - n) for n in range(5)]))
    first = lists.quarantine(reg, EVERYTHING, limit=3)
    rest = lists.quarantine(reg, EVERYTHING, limit=3, cursor=first[-1].id)
    assert [q.item.received_at for q in (*first, *rest)] == [NOW - n for n in (4, 3, 2, 1, 0)]


def test_health_says_what_waits(reg: Registry) -> None:
    take(reg, row("A1"), row("B1"))
    unscoped.heartbeat(reg, "ingest", NOW, {"state": "ok"})
    mark = InboxMark(file="2026.jsonl", offset=5, lines=1, size=10)
    batch = PulseBatch(
        now=NOW,
        pulses=[Pulse(device="X", heard_at=NOW)],
        touched={"X": {TODAY}, "A1": {TODAY}},
        quarantined=[junk("X", NOW)],
        inbox=mark,
    )
    unscoped.pulse(reg, batch)
    write_turn(reg, [turn(reg, "A1", opened=[episode("e", "A1", raised("e"))])], NOW)
    health = lists.health(reg, EVERYTHING)
    assert health.heartbeats == {"ingest": (NOW, {"state": "ok"})}
    assert health.inbox == (mark,)
    assert (health.units, health.devices, health.unregistered) == (2, 3, 1)
    assert (health.touches_device, health.touches_unit, health.oldest_touch_at) == (2, 2, NOW)
    assert (health.newest_heard_at, health.open_episodes) == (NOW, 1)
    assert (health.quarantined, health.quarantined_over) == (1, 0)

"""The end of a turn of watch: what is written, refused, cleared and told."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest
from register_rows import NOW, TODAY, row, take

from fleet.model import (
    EVERYTHING,
    DueItem,
    EngineHours,
    Episode,
    Finding,
    Record,
    Step,
    UnitSummary,
)
from fleet.registry import pages, work
from fleet.registry.engine import Registry
from fleet.registry.records import add_record
from fleet.registry.types import DayRow, DaysMark, UnitTurn

pytest_plugins = ["databases"]

FAILED = Finding(kind="failed_start", severity="act_now", since=NOW, facts={"attempts": 3})


def summary(unit: str, **changes: Any) -> UnitSummary:
    known: dict[str, Any] = {
        "unit": unit,
        "at": NOW,
        "condition": "standing_by",
        "condition_since": NOW,
        "heard_at": NOW,
        "newest_at": NOW,
        "hours": EngineHours(hours_h=1.0, source="meter"),
    }
    return UnitSummary(**known | changes)


def turn(reg: Registry, unit: str, **changes: Any) -> UnitTurn:
    inputs = work.unit_inputs(reg, unit)
    assert inputs is not None
    known: dict[str, Any] = {
        "unit": unit,
        "customer": inputs.customer.id,
        "assessment": b"{}",
        "look_again_at": NOW + 60,
        "summary": summary(unit),
        "facts_seq": inputs.facts_seq,
    }
    return UnitTurn(**known | changes)


def due(unit: str, task: str = "oil_filter", **changes: Any) -> DueItem:
    known: dict[str, Any] = {
        "unit": unit,
        "task": task,
        "name": "Oil and filter",
        "state": "soon",
        "binds": "hours",
        "share": 0.9,
    }
    return DueItem(**known | changes)


def day(unit: str, number: int, doc: bytes = b"d", fingerprint: str = "f") -> DayRow:
    return DayRow(unit=unit, day=number, fingerprint=fingerprint, carry_in="c", doc=doc)


def raised(episode: str, n: int = 1, **changes: Any) -> Step:
    known: dict[str, Any] = {
        "episode": episode,
        "n": n,
        "at": NOW,
        "kind": "raised",
        "finding": FAILED,
    }
    return Step(**known | changes)


def episode(id: str, unit: str, *steps: Step) -> Episode:
    return Episode(
        id=id,
        subject=f"unit:{unit}",
        kind="failed_start",
        part="",
        severity="act_now",
        opened_at=NOW,
        finding=FAILED,
        steps=steps,
    )


def test_everything_of_a_turn_comes_back(reg: Registry) -> None:
    take(reg, row())
    item, alert = due("U1"), episode("e1", "U1", raised("e1"))
    made = turn(
        reg,
        "U1",
        days=[day("U1", 5), day("U1", 6)],
        due=[item],
        opened=[alert],
        assessment=b'{"a":1}',
        summary=summary("U1", findings=(FAILED,)),
    )
    assert work.write_turn(reg, [made], NOW) == []
    assert work.days(reg, "U1", 5, 7) == [day("U1", 5), day("U1", 6)]
    assert work.days(reg, "U1", 6, 7) == [day("U1", 6)]
    assert work.day_before(reg, "U1", 6) == day("U1", 5)
    assert work.day_before(reg, "U1", 5) is None
    assert work.open_episodes(reg, ["unit:U1"]) == [alert]
    assert work.open_episodes(reg, ["unit:U2"]) == []
    assert pages.assessment(reg, EVERYTHING, "U1") == b'{"a":1}'
    found = pages.unit(reg, EVERYTHING, "U1")
    assert found is not None
    assert found.summary == made.summary
    assert [x[0] for x in pages.due(reg, EVERYTHING)] == [item]


def test_days_are_replaced_and_dropped_one_by_one(reg: Registry) -> None:
    take(reg, row())
    work.write_turn(reg, [turn(reg, "U1", days=[day("U1", n) for n in (5, 6, 7)])], NOW)
    again = turn(reg, "U1", days=[day("U1", 6, b"new", "g")], drop_days=[7])
    work.write_turn(reg, [again], NOW)
    assert work.days(reg, "U1", 0, 99) == [day("U1", 5), day("U1", 6, b"new", "g")]


def test_due_items_are_replaced_whole(reg: Registry) -> None:
    take(reg, row(), row("U2"))
    both = [due("U1"), due("U1", "air_filter")]
    work.write_turn(reg, [turn(reg, "U1", due=both), turn(reg, "U2", due=[due("U2")])], NOW)
    work.write_turn(reg, [turn(reg, "U1", due=[due("U1", "air_filter", share=1.2)])], NOW)
    assert [(i.unit, i.task, i.share) for i, *_ in pages.due(reg, EVERYTHING)] == [
        ("U1", "air_filter", 1.2),
        ("U2", "oil_filter", 0.9),
    ]


def test_facts_changed_meanwhile_refuse_that_unit_only(reg: Registry) -> None:
    take(reg, row(), row("U2"))
    stale, good = turn(reg, "U1", days=[day("U1", 5)]), turn(reg, "U2", days=[day("U2", 5)])
    note = Record(id="n1", at=NOW, by="me", unit="U1", kind="note", facts={"text": "x"})
    add_record(reg, note, NOW)
    touched = work.touched_units(reg, 9)
    assert work.write_turn(reg, [stale, good], NOW) == ["U1"]
    assert work.days(reg, "U1", 0, 99) == []
    assert work.days(reg, "U2", 0, 99) == [day("U2", 5)]
    assert work.touched_units(reg, 9) == touched


def test_an_unknown_unit_is_refused(reg: Registry) -> None:
    take(reg, row())
    made = turn(reg, "U1")
    gone = msgspec.structs.replace(made, unit="GONE")
    assert work.write_turn(reg, [gone, made], NOW) == ["GONE"]


def test_a_step_another_program_wrote_refuses_the_unit(reg: Registry) -> None:
    """docs/engineering/ingest.md#touches: a clash on n makes watch read again."""
    take(reg, row())
    work.write_turn(reg, [turn(reg, "U1", opened=[episode("e1", "U1", raised("e1"))])], NOW)
    acknowledged = raised("e1", 2, kind="acknowledged", by="anna", finding=None, at=NOW + 5)
    assert work.write_turn(reg, [turn(reg, "U1", steps=[acknowledged])], NOW) == []
    cleared = raised("e1", 2, kind="cleared", finding=None, at=NOW + 9)
    assert work.write_turn(reg, [turn(reg, "U1", steps=[cleared])], NOW) == ["U1"]
    (open_now,) = work.open_episodes(reg, ["unit:U1"])
    assert open_now.acknowledged_at == NOW + 5
    again = msgspec.structs.replace(cleared, n=3)
    assert work.write_turn(reg, [turn(reg, "U1", steps=[again])], NOW) == []
    assert work.open_episodes(reg, ["unit:U1"]) == []
    (closed,) = pages.episodes(reg, EVERYTHING, open_only=False)
    assert (closed.closed_at, [s.kind for s in closed.steps]) == (
        NOW + 9,
        ["raised", "acknowledged", "cleared"],
    )


def test_a_second_open_alert_of_one_kind_is_refused(reg: Registry) -> None:
    take(reg, row())
    assert (
        work.write_turn(reg, [turn(reg, "U1", opened=[episode("e1", "U1", raised("e1"))])], NOW)
        == []
    )
    second = turn(reg, "U1", opened=[episode("e2", "U1", raised("e2"))])
    assert work.write_turn(reg, [second], NOW) == ["U1"]
    closing = turn(
        reg,
        "U1",
        opened=[episode("e2", "U1", raised("e2"))],
        steps=[raised("e1", 2, kind="cleared", finding=None)],
    )
    assert work.write_turn(reg, [closing], NOW) == []
    assert [e.id for e in work.open_episodes(reg, ["unit:U1"])] == ["e2"]


def test_steps_given_beside_an_opened_episode_count_once(reg: Registry) -> None:
    take(reg, row())
    step = raised("e1")
    made = turn(reg, "U1", opened=[episode("e1", "U1", step)], steps=[step])
    assert work.write_turn(reg, [made], NOW) == []
    assert work.open_episodes(reg, ["unit:U1"])[0].steps == (step,)


def test_a_step_of_an_episode_nobody_opened_is_refused(reg: Registry) -> None:
    take(reg, row())
    assert work.write_turn(reg, [turn(reg, "U1", steps=[raised("nowhere", 2)])], NOW) == ["U1"]


def test_a_changed_finding_changes_the_episode(reg: Registry) -> None:
    take(reg, row())
    work.write_turn(reg, [turn(reg, "U1", opened=[episode("e1", "U1", raised("e1"))])], NOW)
    milder = msgspec.structs.replace(FAILED, severity="same_day", facts={"attempts": 4})
    work.write_turn(
        reg, [turn(reg, "U1", steps=[raised("e1", 2, kind="changed", finding=milder)])], NOW
    )
    (now_open,) = work.open_episodes(reg, ["unit:U1"])
    assert (now_open.severity, now_open.finding) == ("same_day", milder)
    assert [s.n for s in now_open.steps] == [1, 2]


def test_a_change_row_only_where_something_looks_different(reg: Registry) -> None:
    take(reg, row())
    work.write_turn(reg, [turn(reg, "U1")], NOW)
    seen = pages.latest_change(reg, EVERYTHING)
    later = summary("U1", at=NOW + 60)
    assert work.write_turn(reg, [turn(reg, "U1", summary=later)], NOW + 60) == []
    assert pages.latest_change(reg, EVERYTHING) == seen
    found = pages.unit(reg, EVERYTHING, "U1")
    assert found is not None
    assert found.summary == later
    work.write_turn(reg, [turn(reg, "U1", summary=summary("U1", condition="running"))], NOW + 61)
    assert pages.changes_since(reg, EVERYTHING, seen) == [(seen + 1, NOW + 61, "U1")]
    work.write_turn(
        reg, [turn(reg, "U1", summary=summary("U1", condition="running"), due=[due("U1")])], NOW
    )
    assert pages.latest_change(reg, EVERYTHING) == seen + 2


def test_an_empty_turn_writes_nothing(reg: Registry) -> None:
    assert work.write_turn(reg, [], NOW) == []


@pytest.mark.parametrize("kind", ["clash", "facts"])
def test_a_refused_unit_changes_no_page(reg: Registry, kind: str) -> None:
    take(reg, row())
    work.write_turn(reg, [turn(reg, "U1", opened=[episode("e1", "U1", raised("e1"))])], NOW)
    seen = pages.latest_change(reg, EVERYTHING)
    bad = turn(
        reg,
        "U1",
        summary=summary("U1", condition="running"),
        due=[due("U1")],
        days=[day("U1", TODAY)],
        drop_days=[1],
    )
    if kind == "clash":
        bad = msgspec.structs.replace(bad, steps=[raised("e1", 1)])
    else:
        bad = msgspec.structs.replace(bad, facts_seq=bad.facts_seq - 1)
    assert work.write_turn(reg, [bad], NOW) == ["U1"]
    assert pages.latest_change(reg, EVERYTHING) == seen
    assert work.days(reg, "U1", 0, 99_999) == []
    assert pages.due(reg, EVERYTHING) == []


def test_days_that_another_wrote_meanwhile_refuse_what_was_made_of_them(reg: Registry) -> None:
    take(reg, row())
    mine, theirs = (DaysMark(n=work.days_mark(reg)) for _ in range(2))
    assert mine == theirs
    assert work.write_turn(reg, [turn(reg, "U1")], NOW, mine) == []
    assert mine == theirs, "no day was written: all that is kept still holds"
    assert work.write_turn(reg, [turn(reg, "U1", days=[day("U1", 5)])], NOW, mine) == []
    assert mine.n == work.days_mark(reg) != theirs.n
    late = turn(reg, "U1", days=[day("U1", 5, doc=b"of old days")])
    assert work.write_turn(reg, [late], NOW, theirs) == ["U1"]
    assert theirs.n is None
    assert [r.doc for r in work.days(reg, "U1", 0, 9)] == [b"d"]
    again = DaysMark(n=work.days_mark(reg))
    assert work.write_turn(reg, [turn(reg, "U1", drop_days=[5])], NOW, again) == []
    assert work.days(reg, "U1", 0, 9) == []
    assert again.n == work.days_mark(reg) != mine.n

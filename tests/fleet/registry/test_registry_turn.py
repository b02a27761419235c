"""The end of a turn of watch: what is written, refused, cleared and told."""

from __future__ import annotations

import msgspec
import pytest
from found import finding
from register_rows import NOW, TODAY, row, take, write_turn
from written_turns import FAILED, day, due, episode, raised, summary, turn

from fleet.model import (
    EVERYTHING,
    Record,
)
from fleet.registry import lists, unscoped
from fleet.registry.base.engine import Registry
from fleet.registry.facts.records import add_record
from fleet.registry.told.rows import AlertChanges

pytest_plugins = ["databases"]


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
    assert write_turn(reg, [made], NOW) == []
    assert unscoped.days(reg, "U1", 5, 7) == [day("U1", 5), day("U1", 6)]
    assert unscoped.days(reg, "U1", 6, 7) == [day("U1", 6)]
    assert unscoped.day_before(reg, "U1", 6) == day("U1", 5)
    assert unscoped.day_before(reg, "U1", 5) is None
    assert unscoped.open_episodes(reg, ["unit:U1"]) == [alert]
    assert unscoped.open_episodes(reg, ["unit:U2"]) == []
    assert lists.assessment(reg, EVERYTHING, "U1") == b'{"a":1}'
    found = lists.unit(reg, EVERYTHING, "U1")
    assert found is not None
    assert found.summary == made.summary
    assert [x[0] for x in lists.due(reg, EVERYTHING)] == [item]


def test_days_are_replaced_and_dropped_one_by_one(reg: Registry) -> None:
    take(reg, row())
    write_turn(reg, [turn(reg, "U1", days=[day("U1", n) for n in (5, 6, 7)])], NOW)
    again = turn(reg, "U1", days=[day("U1", 6, b"new", "g")], drop_days=[7])
    write_turn(reg, [again], NOW)
    assert unscoped.days(reg, "U1", 0, 99) == [day("U1", 5), day("U1", 6, b"new", "g")]


def test_due_items_are_replaced_whole(reg: Registry) -> None:
    take(reg, row(), row("U2"))
    both = [due("U1"), due("U1", "air_filter")]
    write_turn(reg, [turn(reg, "U1", due=both), turn(reg, "U2", due=[due("U2")])], NOW)
    write_turn(reg, [turn(reg, "U1", due=[due("U1", "air_filter", share=1.2)])], NOW)
    assert [(i.unit, i.task, i.share) for i, *_ in lists.due(reg, EVERYTHING)] == [
        ("U1", "air_filter", 1.2),
        ("U2", "oil_filter", 0.9),
    ]


def test_facts_changed_meanwhile_refuse_that_unit_only(reg: Registry) -> None:
    take(reg, row(), row("U2"))
    stale, good = turn(reg, "U1", days=[day("U1", 5)]), turn(reg, "U2", days=[day("U2", 5)])
    note = Record(id="n1", at=NOW, by="me", unit="U1", kind="note", facts={"text": "x"})
    add_record(reg, note, NOW)
    touched = unscoped.touched_units(reg, 9)
    assert write_turn(reg, [stale, good], NOW) == ["U1"]
    assert unscoped.days(reg, "U1", 0, 99) == []
    assert unscoped.days(reg, "U2", 0, 99) == [day("U2", 5)]
    assert unscoped.touched_units(reg, 9) == touched


def test_an_unknown_unit_is_refused(reg: Registry) -> None:
    take(reg, row())
    made = turn(reg, "U1")
    gone = msgspec.structs.replace(made, unit="GONE")
    assert write_turn(reg, [gone, made], NOW) == ["GONE"]


def test_a_step_another_program_wrote_refuses_the_unit(reg: Registry) -> None:
    """docs/engineering/ingest.md#touches: a clash on n makes watch read again."""
    take(reg, row())
    write_turn(reg, [turn(reg, "U1", opened=[episode("e1", "U1", raised("e1"))])], NOW)
    acknowledged = raised("e1", 2, kind="acknowledged", by="anna", finding=None, at=NOW + 5)
    assert write_turn(reg, [turn(reg, "U1", steps=[acknowledged])], NOW) == []
    cleared = raised("e1", 2, kind="cleared", finding=None, at=NOW + 9)
    assert write_turn(reg, [turn(reg, "U1", steps=[cleared])], NOW) == ["U1"]
    (open_now,) = unscoped.open_episodes(reg, ["unit:U1"])
    assert open_now.acknowledged_at == NOW + 5
    again = msgspec.structs.replace(cleared, n=3)
    assert write_turn(reg, [turn(reg, "U1", steps=[again])], NOW) == []
    assert unscoped.open_episodes(reg, ["unit:U1"]) == []
    (closed,) = lists.episodes(reg, EVERYTHING, open_only=False)
    assert (closed.closed_at, [s.kind for s in closed.steps]) == (
        NOW + 9,
        ["raised", "acknowledged", "cleared"],
    )


def test_a_second_open_alert_of_one_kind_is_refused(reg: Registry) -> None:
    take(reg, row())
    assert write_turn(reg, [turn(reg, "U1", opened=[episode("e1", "U1", raised("e1"))])], NOW) == []
    second = turn(reg, "U1", opened=[episode("e2", "U1", raised("e2"))])
    assert write_turn(reg, [second], NOW) == ["U1"]
    closing = turn(
        reg,
        "U1",
        opened=[episode("e2", "U1", raised("e2"))],
        steps=[raised("e1", 2, kind="cleared", finding=None)],
    )
    assert write_turn(reg, [closing], NOW) == []
    assert [e.id for e in unscoped.open_episodes(reg, ["unit:U1"])] == ["e2"]


def test_steps_given_beside_an_opened_episode_count_once(reg: Registry) -> None:
    take(reg, row())
    step = raised("e1")
    made = turn(reg, "U1", opened=[episode("e1", "U1", step)], steps=[step])
    assert write_turn(reg, [made], NOW) == []
    assert unscoped.open_episodes(reg, ["unit:U1"])[0].steps == (step,)


def test_a_step_of_an_episode_nobody_opened_is_refused(reg: Registry) -> None:
    take(reg, row())
    assert write_turn(reg, [turn(reg, "U1", steps=[raised("nowhere", 2)])], NOW) == ["U1"]


def test_a_changed_finding_changes_the_episode(reg: Registry) -> None:
    take(reg, row())
    write_turn(reg, [turn(reg, "U1", opened=[episode("e1", "U1", raised("e1"))])], NOW)
    milder = finding("failed_start", severity="same_day", since=NOW, facts={"attempts": 4})
    write_turn(reg, [turn(reg, "U1", steps=[raised("e1", 2, kind="changed", finding=milder)])], NOW)
    (now_open,) = unscoped.open_episodes(reg, ["unit:U1"])
    assert (now_open.severity, now_open.finding) == ("same_day", milder)
    assert [s.n for s in now_open.steps] == [1, 2]


def test_a_change_row_only_where_something_looks_different(reg: Registry) -> None:
    take(reg, row())
    write_turn(reg, [turn(reg, "U1")], NOW)
    seen = lists.latest_change(reg, EVERYTHING)
    later = summary("U1", at=NOW + 60)
    assert write_turn(reg, [turn(reg, "U1", summary=later)], NOW + 60) == []
    assert lists.latest_change(reg, EVERYTHING) == seen
    found = lists.unit(reg, EVERYTHING, "U1")
    assert found is not None
    assert found.summary == later
    write_turn(reg, [turn(reg, "U1", summary=summary("U1", condition="running"))], NOW + 61)
    assert lists.changes_since(reg, EVERYTHING, seen) == [(seen + 1, NOW + 61, "U1")]
    write_turn(
        reg, [turn(reg, "U1", summary=summary("U1", condition="running"), due=[due("U1")])], NOW
    )
    assert lists.latest_change(reg, EVERYTHING) == seen + 2


def test_an_empty_turn_writes_nothing(reg: Registry) -> None:
    assert write_turn(reg, [], NOW) == []


@pytest.mark.parametrize("kind", ["clash", "facts"])
def test_a_refused_unit_changes_no_page(reg: Registry, kind: str) -> None:
    take(reg, row())
    write_turn(reg, [turn(reg, "U1", opened=[episode("e1", "U1", raised("e1"))])], NOW)
    seen = lists.latest_change(reg, EVERYTHING)
    bad = turn(
        reg,
        "U1",
        summary=summary("U1", condition="running"),
        due=[due("U1")],
        days=[day("U1", TODAY)],
        drop_days=[1],
    )
    if kind == "clash":
        bad = msgspec.structs.replace(bad, alerts=AlertChanges(steps=[raised("e1", 1)]))
    else:
        bad = msgspec.structs.replace(bad, facts_seq=bad.facts_seq - 1)
    assert write_turn(reg, [bad], NOW) == ["U1"]
    assert lists.latest_change(reg, EVERYTHING) == seen
    assert unscoped.days(reg, "U1", 0, 99_999) == []
    assert lists.due(reg, EVERYTHING) == []


def test_days_that_another_wrote_meanwhile_refuse_what_was_made_of_them(reg: Registry) -> None:
    take(reg, row())
    (n,) = one = {unscoped.shard_of("U1")}
    mine = unscoped.take_shards(reg, one)
    theirs = dict(mine)  # the same writer, before a copy of the registry was put back
    assert unscoped.write_turn(reg, [turn(reg, "U1")], NOW, mine) == []
    assert mine == theirs, "no day was written: all that is kept still holds"
    assert unscoped.write_turn(reg, [turn(reg, "U1", days=[day("U1", 5)])], NOW, mine) == []
    assert mine == unscoped.standing(reg, one) != theirs
    assert mine[n].fence == theirs[n].fence
    late = turn(reg, "U1", days=[day("U1", 5, doc=b"of old days")])
    assert unscoped.write_turn(reg, [late], NOW, theirs) == ["U1"]
    assert theirs == {}
    assert [r.doc for r in unscoped.days(reg, "U1", 0, 9)] == [b"d"]
    again = unscoped.take_shards(reg, one)
    assert again[n].fence == mine[n].fence + 1
    assert unscoped.write_turn(reg, [turn(reg, "U1", drop_days=[5])], NOW, again) == []
    assert unscoped.days(reg, "U1", 0, 9) == []
    assert unscoped.write_turn(reg, [turn(reg, "U1")], NOW, mine) == ["U1"], (
        "an older fencing number"
    )
    assert mine == {}

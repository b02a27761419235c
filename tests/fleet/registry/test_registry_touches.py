"""Touches: from devices to units, urgent first, never lost."""

from __future__ import annotations

from register_rows import NOW, TODAY, row, take, write_turn
from touches import clear, days_of
from written_turns import turn

from fleet.model import DeviceEvent, Record
from fleet.registry import unscoped
from fleet.registry.base.engine import Registry
from fleet.registry.facts.records import add_record
from fleet.registry.facts.rows import PulseBatch

pytest_plugins = ["databases"]


def test_a_new_unit_is_computed_from_the_beginning(reg: Registry) -> None:
    take(reg, row(), row("U2"))
    assert days_of(unscoped.touched_units(reg, 9)) == {"U1": [(0, True)], "U2": [(0, True)]}


def test_device_touches_become_touches_of_the_unit_fitted_that_day(reg: Registry) -> None:
    take(reg, row(device="D1"), row("U2", device="D2"))
    noon = TODAY * 86_400 - 43_200  # D1 moves to U2 at noon yesterday
    add_record(
        reg,
        Record(id="r1", at=noon, by="me", unit="U2", kind="fitting", facts={"device": "D1"}),
        NOW,
    )
    clear(reg)
    unscoped.pulse(
        reg, PulseBatch(now=NOW, touched={"D1": {TODAY - 2, TODAY - 1, TODAY}, "D9": {TODAY}})
    )
    assert unscoped.spread_touches(reg) == 4
    assert days_of(unscoped.touched_units(reg, 9)) == {
        "U1": [(TODAY - 2, False), (TODAY - 1, False)],
        "U2": [(TODAY - 1, False), (TODAY, False)],
    }
    assert unscoped.spread_touches(reg) == 0


def test_spreading_goes_in_parts_urgent_ones_first(reg: Registry) -> None:
    take(reg, *(row(f"U{n}") for n in range(5)))
    clear(reg)
    unscoped.pulse(reg, PulseBatch(now=NOW, touched={f"U{n}": {TODAY} for n in range(4)}))
    event = DeviceEvent(device="U4", at=NOW + 5, event="failed_to_start", received_at=NOW + 5)
    unscoped.pulse(reg, PulseBatch(now=NOW + 5, events=[event]))
    assert unscoped.spread_touches(reg, limit=2) == 2
    first = unscoped.touched_units(reg, 9)
    assert [(x.unit, x.priority) for x in first] == [("U4", True), ("U0", False)]
    assert unscoped.spread_touches(reg, limit=9) == 3
    assert [x.unit for x in unscoped.touched_units(reg, 3)] == ["U4", "U0", "U1"]


def test_a_chatty_unit_does_not_starve_the_others(reg: Registry) -> None:
    take(reg, row("A"), row("B"))
    clear(reg)
    unscoped.pulse(reg, PulseBatch(now=NOW, touched={"A": {TODAY}}))
    unscoped.pulse(reg, PulseBatch(now=NOW + 1, touched={"B": {TODAY}}))
    unscoped.spread_touches(reg)
    for n in range(3):
        assert [x.unit for x in unscoped.touched_units(reg, 1)] == ["A"], n
        unscoped.pulse(reg, PulseBatch(now=NOW + 2 + n, touched={"B": {TODAY}}))
        unscoped.spread_touches(reg)
    touch = unscoped.touched_units(reg, 1)[0]
    assert write_turn(reg, [turn(reg, "A", touches=touch.days)], NOW) == []
    unscoped.pulse(reg, PulseBatch(now=NOW + 9, touched={"A": {TODAY}}))
    unscoped.spread_touches(reg)
    assert [x.unit for x in unscoped.touched_units(reg, 1)] == ["B"]


def test_what_is_touched_meanwhile_is_not_cleared(reg: Registry) -> None:
    """docs/engineering/ingest.md#touches: clears each unit's touch if its seq is unchanged."""
    take(reg, row())
    clear(reg)
    unscoped.pulse(reg, PulseBatch(now=NOW, touched={"U1": {TODAY - 1, TODAY}}))
    unscoped.spread_touches(reg)
    read = unscoped.touched_units(reg, 9)[0]
    unscoped.pulse(reg, PulseBatch(now=NOW + 1, touched={"U1": {TODAY}}))
    unscoped.spread_touches(reg)
    assert write_turn(reg, [turn(reg, "U1", touches=read.days)], NOW) == []
    assert days_of(unscoped.touched_units(reg, 9)) == {"U1": [(TODAY, False)]}


def test_a_touch_cleared_and_made_again_is_not_the_old_one(reg: Registry) -> None:
    take(reg, row())
    clear(reg)
    unscoped.pulse(reg, PulseBatch(now=NOW, touched={"U1": {TODAY}}))
    unscoped.spread_touches(reg)
    slow = unscoped.touched_units(reg, 9)[0]
    clear(reg)
    unscoped.pulse(reg, PulseBatch(now=NOW, touched={"U1": {TODAY}}))
    unscoped.spread_touches(reg)
    write_turn(reg, [turn(reg, "U1", touches=slow.days)], NOW)
    assert days_of(unscoped.touched_units(reg, 9)) == {"U1": [(TODAY, False)]}


def test_a_late_fitting_touches_from_its_start(reg: Registry) -> None:
    """A device heard before it is fitted: its kept data comes in when the fitting does."""
    take(reg, row(device="D1"))
    clear(reg)
    unscoped.pulse(reg, PulseBatch(now=NOW, touched={"D7": {TODAY - 3}}))
    unscoped.spread_touches(reg)
    assert unscoped.touched_units(reg, 9) == []
    from_at = (TODAY - 5) * 86_400 + 7
    record = Record(
        id="r1", at=NOW, by="me", unit="U1", kind="fitting", facts={"device": "D7", "from": from_at}
    )
    add_record(reg, record, NOW)
    assert days_of(unscoped.touched_units(reg, 9)) == {"U1": [(TODAY - 5, True)]}


def test_looks_come_due_oldest_first(reg: Registry) -> None:
    take(reg, row("A"), row("B"), row("C"))
    turns = [
        turn(reg, u, look_again_at=at) for u, at in (("A", NOW + 5), ("B", NOW), ("C", NOW + 9))
    ]
    assert write_turn(reg, turns, NOW) == []
    assert unscoped.due_looks(reg, NOW + 5, 9) == ["B", "A"]
    assert unscoped.due_looks(reg, NOW + 5, 1) == ["B"]
    assert unscoped.due_looks(reg, NOW - 1, 9) == []

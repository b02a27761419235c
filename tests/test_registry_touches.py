"""Touches: from devices to units, urgent first, never lost."""

from __future__ import annotations

import sqlalchemy as sa
from register_rows import NOW, TODAY, row, take
from test_registry_turn import turn

from fleet.model import DeviceEvent, Record
from fleet.registry import tables as t
from fleet.registry import work
from fleet.registry.engine import Registry
from fleet.registry.records import add_record
from fleet.registry.types import PulseBatch, UnitTouch

pytest_plugins = ["databases"]


def clear(reg: Registry) -> None:
    with reg.write() as connection:
        connection.execute(sa.delete(t.touch))


def days_of(touches: list[UnitTouch]) -> dict[str, list[tuple[int, bool]]]:
    return {x.unit: [(day, onward) for day, onward, _ in x.days] for x in touches}


def test_a_new_unit_is_computed_from_the_beginning(reg: Registry) -> None:
    take(reg, row(), row("U2"))
    assert days_of(work.touched_units(reg, 9)) == {"U1": [(0, True)], "U2": [(0, True)]}


def test_device_touches_become_touches_of_the_unit_fitted_that_day(reg: Registry) -> None:
    take(reg, row(device="D1"), row("U2", device="D2"))
    noon = TODAY * 86_400 - 43_200  # D1 moves to U2 at noon yesterday
    add_record(
        reg,
        Record(id="r1", at=noon, by="me", unit="U2", kind="fitting", facts={"device": "D1"}),
        NOW,
    )
    clear(reg)
    work.pulse(
        reg, PulseBatch(now=NOW, touched={"D1": {TODAY - 2, TODAY - 1, TODAY}, "D9": {TODAY}})
    )
    assert work.spread_touches(reg) == 4
    assert days_of(work.touched_units(reg, 9)) == {
        "U1": [(TODAY - 2, False), (TODAY - 1, False)],
        "U2": [(TODAY - 1, False), (TODAY, False)],
    }
    assert work.spread_touches(reg) == 0


def test_spreading_goes_in_parts_urgent_ones_first(reg: Registry) -> None:
    take(reg, *(row(f"U{n}") for n in range(5)))
    clear(reg)
    work.pulse(reg, PulseBatch(now=NOW, touched={f"U{n}": {TODAY} for n in range(4)}))
    event = DeviceEvent(device="U4", at=NOW + 5, event="failed_to_start", received_at=NOW + 5)
    work.pulse(reg, PulseBatch(now=NOW + 5, events=[event]))
    assert work.spread_touches(reg, limit=2) == 2
    first = work.touched_units(reg, 9)
    assert [(x.unit, x.priority) for x in first] == [("U4", True), ("U0", False)]
    assert work.spread_touches(reg, limit=9) == 3
    assert [x.unit for x in work.touched_units(reg, 3)] == ["U4", "U0", "U1"]


def test_a_chatty_unit_does_not_starve_the_others(reg: Registry) -> None:
    take(reg, row("A"), row("B"))
    clear(reg)
    work.pulse(reg, PulseBatch(now=NOW, touched={"A": {TODAY}}))
    work.pulse(reg, PulseBatch(now=NOW + 1, touched={"B": {TODAY}}))
    work.spread_touches(reg)
    for n in range(3):
        assert [x.unit for x in work.touched_units(reg, 1)] == ["A"], n
        work.pulse(reg, PulseBatch(now=NOW + 2 + n, touched={"B": {TODAY}}))
        work.spread_touches(reg)
    touch = work.touched_units(reg, 1)[0]
    assert work.write_turn(reg, [turn(reg, "A", touches=touch.days)], NOW) == []
    work.pulse(reg, PulseBatch(now=NOW + 9, touched={"A": {TODAY}}))
    work.spread_touches(reg)
    assert [x.unit for x in work.touched_units(reg, 1)] == ["B"]


def test_what_is_touched_meanwhile_is_not_cleared(reg: Registry) -> None:
    """docs/engineering/ingest.md#touches: clears each unit's touch if its seq is unchanged."""
    take(reg, row())
    clear(reg)
    work.pulse(reg, PulseBatch(now=NOW, touched={"U1": {TODAY - 1, TODAY}}))
    work.spread_touches(reg)
    read = work.touched_units(reg, 9)[0]
    work.pulse(reg, PulseBatch(now=NOW + 1, touched={"U1": {TODAY}}))
    work.spread_touches(reg)
    assert work.write_turn(reg, [turn(reg, "U1", touches=read.days)], NOW) == []
    assert days_of(work.touched_units(reg, 9)) == {"U1": [(TODAY, False)]}


def test_a_touch_cleared_and_made_again_is_not_the_old_one(reg: Registry) -> None:
    take(reg, row())
    clear(reg)
    work.pulse(reg, PulseBatch(now=NOW, touched={"U1": {TODAY}}))
    work.spread_touches(reg)
    slow = work.touched_units(reg, 9)[0]
    clear(reg)
    work.pulse(reg, PulseBatch(now=NOW, touched={"U1": {TODAY}}))
    work.spread_touches(reg)
    work.write_turn(reg, [turn(reg, "U1", touches=slow.days)], NOW)
    assert days_of(work.touched_units(reg, 9)) == {"U1": [(TODAY, False)]}


def test_a_late_fitting_touches_from_its_start(reg: Registry) -> None:
    """A device heard before it is fitted: its kept data comes in when the fitting does."""
    take(reg, row(device="D1"))
    clear(reg)
    work.pulse(reg, PulseBatch(now=NOW, touched={"D7": {TODAY - 3}}))
    work.spread_touches(reg)
    assert work.touched_units(reg, 9) == []
    from_at = (TODAY - 5) * 86_400 + 7
    record = Record(
        id="r1", at=NOW, by="me", unit="U1", kind="fitting", facts={"device": "D7", "from": from_at}
    )
    add_record(reg, record, NOW)
    assert days_of(work.touched_units(reg, 9)) == {"U1": [(TODAY - 5, True)]}


def test_looks_come_due_oldest_first(reg: Registry) -> None:
    take(reg, row("A"), row("B"), row("C"))
    turns = [
        turn(reg, u, look_again_at=at) for u, at in (("A", NOW + 5), ("B", NOW), ("C", NOW + 9))
    ]
    assert work.write_turn(reg, turns, NOW) == []
    assert work.due_looks(reg, NOW + 5, 9) == ["B", "A"]
    assert work.due_looks(reg, NOW + 5, 1) == ["B"]
    assert work.due_looks(reg, NOW - 1, 9) == []

"""A waking table that was agreed before failed starts without mains sensing had a row of their own."""

from __future__ import annotations

import msgspec
import pytest

from fleet.model import Criticality, Waking, WakingRow
from fleet.model.duty import Wake, WakingMains
from fleet.registry.base.engine import Registry
from fleet.registry.office import agreed, duty_rota
from fleet.registry.people import Actor
from scheduler.alarms.waking import table

pytest_plugins = ["databases"]
BY = Actor("the tests")


def row(concern: str, criticality: Criticality, mains: WakingMains, wake: Wake) -> WakingRow:
    return WakingRow(concern=concern, criticality=criticality, mains=mains, wake=wake)


OLD = Waking(
    rows=(
        row("no_cover", "home", "on", "wake"),
        row("no_cover", "life", "on", "morning"),
        row("no_cover", "home", "off", "morning"),
        row("silent", "life", "on", "morning"),
    )
)


def woken(held: Waking) -> dict[str, bool]:
    return {c: wakes for concern, c, _, wakes, _ in table(held) if concern == "start_failed"}


def test_what_the_owner_said_of_healthy_mains_holds_on(reg: Registry) -> None:
    agreed.append(reg, "waking", msgspec.json.encode(OLD), 0, BY, 1)
    held, n = duty_rota.waking(reg)
    assert n == 1
    assert held.rows[:4] == OLD.rows
    assert woken(held) == {"home": True, "business": True, "life": False}


@pytest.mark.parametrize("rows", [OLD.rows, ()])
def test_a_table_of_today_is_read_as_it_was_written(
    reg: Registry, rows: tuple[WakingRow, ...]
) -> None:
    duty_rota.agree_waking(reg, Waking(rows=rows), 0, BY, 1)
    held, _ = duty_rota.waking(reg)
    assert held == Waking(rows=rows)
    assert all(woken(held).values())


def test_before_anything_was_agreed_the_default_holds(reg: Registry) -> None:
    assert duty_rota.waking(reg) == (Waking(), 0)

"""What the office fills in is read by somebody: a rule, a plan of rounds, a page; never only kept."""

from __future__ import annotations

import ast
import re
from functools import cache

import msgspec
import pytest
from places import ROOT

from fleet.model import Contract, Kit, Site, SiteCard, Task, Technician, Unit
from fleet.registry.office.technicians import COLUMNS as TECHNICIAN_COLUMNS
from fleet.registry.register.columns import BY_NAME
from fleet.registry.register.service_plans import READ as PLAN_COLUMNS

KEEPS = ("fleet/registry/", "fleet/model/")
"""Rooms that take, keep and give back: being named there is not being used."""
OTHERWISE = {
    "unit": "id",
    "group": "group",
    "running_signal": "running",
    "running_on": "running",
    "running_off": "running",
    "running_signal_2": "running",
    "running_on_2": "running",
    "running_off_2": "running",
    "running_join": "join",
    "running_hold_s": "hold_off_s",
    "every_hours": "every_h",
    "first_hours": "first_h",
    "plan": "service_plan",
    "plan_name": "name",
    "task": "id",
    "customer": "customer",
    "site": "site",
}
"""Columns whose field has another name."""


@cache
def read_names() -> frozenset[str]:
    """Every attribute that some program reads, outside the rooms that only keep."""
    found: set[str] = set()
    for room in ("fleet", "scheduler", "dashboard", "ingest"):
        for path in (ROOT / room).rglob("*.py"):
            where = path.relative_to(ROOT).as_posix()
            if where.startswith(KEEPS) or "/bench/" in where:
                continue
            for node in ast.walk(ast.parse(path.read_text())):
                if isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Load):
                    found.add(node.attr)
    return frozenset(found)


def used(field: str) -> bool:
    return field in read_names()


@pytest.mark.parametrize("column", BY_NAME)
def test_every_column_of_the_register_is_used(column: str) -> None:
    assert used(OTHERWISE.get(column, column))


@pytest.mark.parametrize("column", PLAN_COLUMNS)
def test_every_column_of_a_plan_is_used(column: str) -> None:
    assert used(OTHERWISE.get(column, column))


@pytest.mark.parametrize("column", TECHNICIAN_COLUMNS)
def test_every_column_of_a_technician_is_used(column: str) -> None:
    assert used(column)


@pytest.mark.parametrize("kind", [Unit, Site, Task, Kit, Technician, Contract, SiteCard])
def test_every_field_that_is_kept_is_used(kind: type[msgspec.Struct]) -> None:
    assert [f for f in kind.__struct_fields__ if not used(f) and not shown(f)] == []


def shown(field: str) -> bool:
    """Whether a page says it: in a template, where it is not the value of the form that asks."""
    text = "".join(p.read_text() for p in (ROOT / "dashboard/templates").rglob("*.html"))
    asked = re.sub(r"<(input|textarea|select)[^>]*>", "", text)
    return re.search(rf"\.{field}\b", asked) is not None

"""Service plans as a table: one row a task. Shipped plans are kept as they are; copies differ."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from typing import Any, get_args

import sqlalchemy as sa

from fleet.calendar import DAY_S
from fleet.model import Fuel, Kit, ServicePlan, Task
from fleet.registry.base import cells, documents, tables
from fleet.registry.base.cells import CellFault, Row, Source
from fleet.registry.base.engine import Registry
from fleet.registry.base.reports import ImportReport, RowProblem
from fleet.registry.base.statements import one_at_a_time, upsert
from fleet.registry.facts.records import units_changed
from fleet.registry.register.plans import BY_ID, SHIPPED


def _parts(value: Any) -> dict[str, float]:
    """'oil_filter:1; oil_l:2.5', or a mapping."""
    if isinstance(value, Mapping):
        pairs = [(str(name), amount) for name, amount in value.items()]
    else:
        pieces = [piece for piece in re.split(r"[;\n]", str(value)) if piece.strip()]
        pairs = [(name, amount or "1") for name, _, amount in (p.partition(":") for p in pieces)]
    return {cells.text(name): cells.number(amount, 0, 100_000) for name, amount in pairs}


def _names(value: Any) -> tuple[str, ...]:
    given = value if isinstance(value, list | tuple) else re.split(r"[;\s]+", str(value).strip())
    return tuple(cells.identifier(name) for name in given)


def _fuels(value: Any) -> tuple[str, ...]:
    given = value if isinstance(value, list | tuple) else re.split(r"[;\s]+", str(value).strip())
    return tuple(cells.word(name, get_args(Fuel)) for name in given)


def _share(value: Any) -> float:
    plain = str(value).strip()
    if plain.endswith("%"):
        return cells.number(plain[:-1], 0, 100) / 100
    return cells.number(plain, 0, 1)


READ: dict[str, Callable[[Any], Any]] = {
    "plan": cells.identifier,
    "plan_name": cells.text,
    "task": cells.identifier,
    "name": cells.text,
    "every_hours": lambda value: cells.number(value, 0.1, 1_000_000),
    "every_months": lambda value: cells.whole(value, 1, 1_200),
    "first_hours": lambda value: cells.number(value, 0.1, 1_000_000),
    "tolerance": _share,
    "tolerance_days": lambda value: cells.whole(value, 0, 3_650),
    "anchor": lambda value: cells.word(value, ("floating", "fixed")),
    "minutes": lambda value: cells.whole(value, 0, 10_000),
    "parts": _parts,
    "resets": _names,
    "skill": cells.text,
    "source": cells.text,
    "severity": lambda value: cells.number(value, 0.1, 10),
    "fuels": _fuels,
    "make": cells.text,
    "model": cells.text,
}
"""Columns of a plan. tolerance: a share (0.1) or per cent (10 %). Required: plan, task, and
every_hours or every_months. A row with a model is a kit: the parts and minutes of that task for
sets of that model (and make, where given); it needs parts or minutes and no interval."""
SAME = (
    "every_months",
    "tolerance",
    "tolerance_days",
    "anchor",
    "minutes",
    "parts",
    "resets",
    "skill",
    "source",
    "severity",
    "fuels",
)
"""Columns that are a field of Task of the same name and value."""
KEY = ("plan", "task", "make", "model")
KIT_COLUMNS = frozenset({"plan", "plan_name", "task", "name", "make", "model", "parts", "minutes"})


def import_plans(
    reg: Registry, source: Source, now: int, by: str, partial: bool = False
) -> ImportReport:
    """Take service plans; a plan that exists has the tasks of the file afterwards, and its units
    are computed again. Of a task (or kit) that was there, an empty cell or a column left out keeps
    what it said, and (none) empties.

    All or nothing, unless `partial` (then plans with a wrong row are left out whole). Raises
    RegistryFault where the file cannot be read, RegistryDown.
    """
    rows = cells.rows_of(source)
    problems: list[RowProblem] = []
    counted: Counter[str] = Counter()
    with reg.write() as connection:
        one_at_a_time(connection)
        there = [
            documents.plan(doc)
            for doc in connection.execute(sa.select(tables.plan.c.doc)).scalars()
        ]
        held, names = _held(there), {plan.id: plan.name for plan in there}
        read = [(n, _read(n, row, held, problems)) for n, row in enumerate(rows, 1)]
        plans = _plans(read, names, problems)
        written = partial or not problems
        if written:
            for plan in plans:
                counted[put_plan(connection, plan, now)] += 1
    return ImportReport(
        rows=len(rows),
        problems=tuple(problems),
        refused=len({p.row for p in problems}),
        written=written,
        added=counted["added"],
        changed=counted["changed"],
        unchanged=counted["unchanged"],
    )


def put_plan(connection: sa.Connection, plan: ServicePlan, now: int) -> str:
    """Write a plan; returns added, changed or unchanged. A change touches the plan's units."""
    c = tables.plan.c
    doc = documents.encode(plan)
    old = connection.execute(sa.select(c.doc).where(c.id == plan.id)).scalar()
    if old == doc:
        return "unchanged"
    connection.execute(upsert(connection.dialect.name, tables.plan), {"id": plan.id, "doc": doc})
    units = connection.execute(
        sa.select(tables.unit.c.id).where(tables.unit.c.plan == plan.id)
    ).scalars()
    touched = dict.fromkeys(units, now // DAY_S)
    if touched:
        units_changed(connection, touched, now)
    return "added" if old is None else "changed"


def put_shipped(connection: sa.Connection, now: int) -> None:
    """Write the plans that ship with the program, as this version has them."""
    for plan in SHIPPED:
        put_plan(connection, plan, now)


def _held(plans: Iterable[ServicePlan]) -> dict[tuple[str, ...], Row]:
    """The rows of plans that are there, by what makes a row the same."""
    held: dict[tuple[str, ...], Row] = {}
    for plan in plans:
        for task in plan.tasks:
            row = {name: getattr(task, name) for name in SAME}
            row |= {"name": task.name, "every_hours": task.every_h, "first_hours": task.first_h}
            held[_key({"plan": plan.id, "task": task.id})] = row
        for kit in plan.kits:
            named = {"plan": plan.id, "task": kit.task, "make": kit.make, "model": kit.model}
            held[_key(named)] = {"parts": kit.parts, "minutes": kit.minutes}
    return held


def _key(row: Mapping[str, Any]) -> tuple[str, ...]:
    return tuple(str(row.get(name) or "").strip().casefold() for name in KEY)


def _read(
    n: int, given: Row, held: Mapping[tuple[str, ...], Row], problems: list[RowProblem]
) -> dict[str, Any]:
    """The row's cells over those held, read; {} where one is wrong."""
    row = cells.overlaid(held.get(_key(given), {}), given)
    found: dict[str, Any] = {}
    wrong = len(problems)

    def problem(column: str, value: object, message: str) -> None:
        text = f"{column} {message}"
        problems.append(RowProblem(row=n, column=column, value=str(value)[:200], message=text))

    for name in given:
        if name not in READ:
            problem(name, given[name], f"is no column of plans.{cells.nearest(name, READ)}")
    for name, value in row.items():
        if name in READ and cells.present(value):
            try:
                found[name] = READ[name](value)
            except CellFault as fault:
                problem(name, value, str(fault))
    if cells.wiped(given.get("plan_name")) and "plan" in found:
        found["plan_name"] = found["plan"]
    for name in ("plan", "task"):
        if not cells.present(row.get(name)):
            problem(name, "", "is missing: every row needs it.")
    if cells.present(row.get("model")):
        _check_kit(given, row, problem)
    elif cells.present(row.get("make")):
        problem("make", row["make"], "stands without a model: a kit is of a model.")
    elif not any(cells.present(row.get(name)) for name in ("every_hours", "every_months")):
        problem("every_hours", "", "is missing, and every_months too: a task needs one of them.")
    if found.get("plan") in BY_ID:
        problem("plan", found["plan"], "is a shipped plan: give your copy another id.")
    return found if len(problems) == wrong else {"plan": found.get("plan"), "wrong": True}


def _check_kit(given: Row, row: Row, problem: Callable[[str, object, str], None]) -> None:
    """A row with a model says parts or minutes, and nothing that belongs to the task."""
    for name, value in given.items():
        if name in READ and name not in KIT_COLUMNS and cells.present(value):
            problem(name, value, "belongs to the task's own row, not to the kit of a model.")
    if not any(cells.present(row.get(name)) for name in ("parts", "minutes")):
        problem("parts", "", "is missing, and minutes too: a kit needs one of them.")


def _plans(
    read: list[tuple[int, dict[str, Any]]], names: Mapping[str, str], problems: list[RowProblem]
) -> list[ServicePlan]:
    """Plans whose every row is right. names: of the plans that are there."""
    rows: dict[Any, list[dict[str, Any]]] = {}
    for n, row in read:
        mates = rows.setdefault(row.get("plan"), [])
        if "task" in row and any(_which(mate) == _which(row) for mate in mates):
            message = "is there twice in its plan."
            problems.append(RowProblem(row=n, column="task", value=row["task"], message=message))
            row["wrong"] = True
        mates.append(row)
    for n, row in read:
        tasks = {r.get("task") for r in rows[row.get("plan")] if "model" not in r}
        if "model" in row and row["task"] not in tasks:
            message = "is no task of its plan: a kit belongs to a task of the same file."
            problems.append(RowProblem(row=n, column="task", value=row["task"], message=message))
            row["wrong"] = True
    return [
        ServicePlan(
            id=plan,
            name=next((r["plan_name"] for r in of if "plan_name" in r), names.get(plan, plan)),
            tasks=tuple(_task(row) for row in of if "model" not in row),
            source="",
            kits=tuple(_kit(row) for row in of if "model" in row),
        )
        for plan, of in rows.items()
        if not any("wrong" in row for row in of)
    ]


def _which(row: dict[str, Any]) -> tuple[Any, ...]:
    """What makes a row of a plan the same as another: its task, and a kit's make and model."""
    return (row.get("task"), *(str(row.get(name, "")).casefold() for name in ("make", "model")))


def _kit(row: dict[str, Any]) -> Kit:
    return Kit(
        task=row["task"],
        model=row["model"],
        make=row.get("make", ""),
        parts=row.get("parts", {}),
        minutes=row.get("minutes"),
    )


def _task(row: dict[str, Any]) -> Task:
    given: dict[str, Any] = {"every_h": row.get("every_hours"), "first_h": row.get("first_hours")}
    given |= {name: row[name] for name in SAME if name in row}
    return Task(id=row["task"], name=row.get("name", row["task"]), **given)

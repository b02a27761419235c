"""Kits, severity, one fuel's tasks, oil in a long run, how an engine was used, field case 29."""

from __future__ import annotations

from datetime import date, time
from typing import Any

import msgspec
import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import given
from hypothesis import strategies as st

from fleet.calendar import add_months, instant
from fleet.model import DueItem, Kit, Record, Run, ServicePlan, Task
from fleet.registry.base import documents, tables
from fleet.registry.base.engine import Registry
from fleet.registry.register import import_plans
from fleet.registry.register.plans import BY_ID
from scheduler.rules.service import Situation, due_items, duty_of, oil_check

pytest_plugins = ["databases"]

NOW = 1_764_054_000
H = 3600
OIL = Task(id="oil", name="Oil", every_h=100, every_months=12, parts={"oil_l": 1.5}, minutes=30)


def at(day: str) -> int:
    return instant(date.fromisoformat(day), time(12), "UTC")


def items(
    plan: ServicePlan, today: str = "2026-01-01", hours: float = 50.0, **of: Any
) -> dict[str, DueItem]:
    situation = Situation(
        unit="u",
        zone="UTC",
        now=at(today),
        hours_now_h=hours,
        hours_at=lambda _: None,
        begun_on=date(2025, 6, 1),
        begun_h=0.0,
        **of,
    )
    return {item.task: item for item in due_items(plan, [], situation)}


def plan(*tasks: Task, kits: tuple[Kit, ...] = ()) -> ServicePlan:
    return ServicePlan(id="p", name="P", tasks=tasks, kits=kits)


KITS = (
    Kit(task="oil", model="17 S", parts={"oil_l": 2.1, "filter_a": 1}),
    Kit(task="oil", model="17 S", make="Fell", parts={"oil_l": 2.4}, minutes=40),
)


@pytest.mark.parametrize(
    ("make", "model", "parts", "minutes"),
    [
        ("", "", {"oil_l": 1.5}, 30),
        ("Other", "17 s", {"oil_l": 2.1, "filter_a": 1}, 30),
        ("fell", "17 S", {"oil_l": 2.4}, 40),
        ("Fell", "20", {"oil_l": 1.5}, 30),
    ],
)
def test_a_models_kit_gives_parts_and_minutes(
    make: str, model: str, parts: dict[str, float], minutes: int
) -> None:
    item = items(plan(OIL, kits=KITS), make=make, model=model)["oil"]
    assert (item.parts, item.minutes) == (parts, minutes)


def test_severity_shortens_the_intervals() -> None:
    harsh = Task(id="oil", name="Oil", every_h=100, every_months=12, severity=0.5)
    item = items(plan(harsh), hours=49.0)["oil"]
    assert (item.due_at_hours_h, item.due_on) == (50.0, "2025-12-01")
    assert (item.every_h, item.every_months) == (50.0, 6)


@pytest.mark.parametrize(("fuel", "there"), [("petrol", True), ("lpg", False), (None, False)])
def test_fresh_fuel_is_for_petrol_by_the_calendar(fuel: str | None, there: bool) -> None:
    for engine in ("air_spark", "liquid_spark"):
        found = items(BY_ID[engine], fuel=fuel)
        assert ("fresh_fuel" in found) == there
        if there:
            assert found["fresh_fuel"].due_on == "2025-12-01"
            assert found["fresh_fuel"].due_at_hours_h is None


def visit(day_at: int, kind: str = "visit") -> Record:
    return Record(id=f"r{day_at}", at=day_at, by="a", unit="u", kind=kind)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("ran_h", "records", "number", "is_open", "next_h"),
    [
        (7.99, [], 0, False, 8),
        (8, [], 1, True, 32),
        (31.9, [], 1, True, 32),
        (32, [], 2, True, 56),
        (11, [6.5], 1, False, 32),
        (11, [5.5], 1, True, 32),
        (33, [20], 2, True, 56),
        (33, [32.5], 2, False, 56),
    ],
)
def test_oil_after_8_h_then_every_24(
    ran_h: float, records: list[float], number: int, is_open: bool, next_h: float
) -> None:
    begun = NOW - int(ran_h * H)
    found = oil_check(begun, NOW, True, [visit(begun + int(h * H)) for h in records])
    assert found is not None
    assert (found.number, found.open) == (number, is_open)
    assert found.next_at == begun + next_h * H


def test_liquid_cooled_engines_are_not_asked() -> None:
    assert oil_check(NOW - 50 * H, NOW, False, []) is None


def run(begin: int, minutes: float, kw: float | None = None) -> Run:
    end = begin + int(minutes * 60)
    return Run(
        start=begin,
        end=end,
        start_seen="observed",
        end_seen="observed",
        last_on_at=end,
        energy_kwh=None if kw is None else kw * minutes / 60,
    )


def test_short_cold_runs_and_heavy_hours() -> None:
    """Short is under 15 min; cold is after 4 h of standing; heavy is 75 % of the rating."""
    day = 86_400
    runs = [
        run(NOW, 14.9, 1.0),
        run(NOW + 2 * H, 10, 1.0),
        run(NOW + day, 15, 1.0),
        run(NOW + 2 * day, 120, 7.5),
        run(NOW + 3 * day, 60, 7.4),
    ]
    duty = duty_of(runs, NOW, 10.0)
    assert (duty.runs, duty.short_cold, duty.heavy_h) == (5, 1, 2.0)
    assert duty_of(runs, NOW + day, 10.0).runs == 3
    assert duty_of([run(NOW, 120)], NOW, 10.0).heavy_h is None, "no load measured"


PLAN: list[dict[str, Any]] = [
    {
        "plan": "mine",
        "task": "oil",
        "every_hours": 80,
        "severity": 0.5,
        "fuels": "petrol dual",
        "parts": "oil_l:1.2",
        "minutes": 25,
    },
    {"plan": "mine", "task": "oil", "make": "Fell", "model": "17 S", "parts": "oil_l:2.4; seal"},
]


def test_kits_come_in_with_the_plan(lite: Registry) -> None:
    report = import_plans(lite, PLAN, NOW, "office")
    assert (report.problems, report.added) == ((), 1)
    with lite.read() as connection:
        kept = documents.plan(
            connection.execute(tables.plan.select().where(tables.plan.c.id == "mine")).one().doc
        )
    (task,), (kit,) = kept.tasks, kept.kits
    assert (task.severity, task.fuels, task.minutes) == (0.5, ("petrol", "dual"), 25)
    assert kit == Kit(task="oil", make="Fell", model="17 S", parts={"oil_l": 2.4, "seal": 1.0})


def test_an_empty_cell_keeps_what_a_task_and_a_kit_had(lite: Registry) -> None:
    import_plans(lite, [{**PLAN[0], "plan_name": "Our own"}, PLAN[1]], NOW, "office")
    again: list[dict[str, Any]] = [
        {
            "plan": "mine",
            "task": "oil",
            "every_hours": 90,
            "severity": "",
            "fuels": None,
            "minutes": "(none)",
        },
        {
            "plan": "mine",
            "task": "oil",
            "make": "Fell",
            "model": "17 S",
            "parts": "",
            "minutes": 40,
        },
    ]
    assert import_plans(lite, again, NOW, "office").changed == 1
    with lite.read() as connection:
        doc = connection.execute(tables.plan.select().where(tables.plan.c.id == "mine")).one().doc
    kept = msgspec.json.decode(doc, type=ServicePlan)
    (task,), (kit,) = kept.tasks, kept.kits
    assert (task.every_h, task.severity, task.fuels, task.minutes, task.parts) == (
        90.0,
        0.5,
        ("petrol", "dual"),
        30,
        {"oil_l": 1.2},
    )
    assert (kit.parts, kit.minutes) == ({"oil_l": 2.4, "seal": 1.0}, 40)
    assert kept.name == "Our own"
    assert import_plans(lite, again, NOW, "office").unchanged == 1


@pytest.mark.parametrize(
    ("row", "column", "says"),
    [
        ({"plan": "mine", "task": "oil", "model": "17 S"}, "parts", "needs one of them"),
        (
            {"plan": "mine", "task": "oli", "model": "17 S", "parts": "x"},
            "task",
            "no task of its plan",
        ),
        (
            {"plan": "mine", "task": "oil", "model": "17 S", "parts": "x", "every_hours": 5},
            "every_hours",
            "task's own row",
        ),
        (
            {"plan": "mine", "task": "oil", "make": "Fell", "every_hours": 5},
            "make",
            "without a model",
        ),
        ({**PLAN[1], "parts": "y"}, "task", "twice"),
        ({"plan": "mine", "task": "air", "every_hours": 9, "fuels": "coal"}, "fuels", "petrol"),
        ({"plan": "mine", "task": "air", "every_hours": 9, "severity": 0}, "severity", "0.1"),
    ],
)
def test_a_wrong_kit_is_refused(
    lite: Registry, row: dict[str, Any], column: str, says: str
) -> None:
    report = import_plans(lite, [*PLAN, row], NOW, "office")
    assert not report.written
    assert any(p.column == column and says in p.message for p in report.problems), report.problems


def test_field_case_29_an_unrelated_visit_moves_nothing() -> None:
    """Each 1 March; done late on 20 March; an extra visit on 11 November."""

    def due(anchor: str, *records: Record) -> str | None:
        task = Task(id="t", name="T", every_months=12, anchor=anchor)  # type: ignore[arg-type]
        situation = Situation(
            unit="u",
            zone="America/Chicago",
            now=at("2026-12-01"),
            hours_now_h=None,
            hours_at=lambda _: None,
            last_service=date(2025, 3, 1),
        )
        (item,) = due_items(plan(task), records, situation)
        return item.due_on

    late = Record(
        id="a", at=at("2026-03-20"), by="a", unit="u", kind="task_done", facts={"task": "t"}
    )
    extra = visit(at("2026-11-11"))
    other = Record(
        id="b", at=at("2026-11-11"), by="a", unit="u", kind="task_done", facts={"task": "x"}
    )
    assert due("fixed", late) == due("fixed", late, extra, other) == "2027-03-01"
    assert due("floating", late) == due("floating", late, extra, other) == "2027-03-20"


@given(st.dates(date(1995, 1, 1), date(2060, 1, 1)), st.integers(0, 240))
def test_months_are_dateutils(anchor: date, months: int) -> None:
    """31 January and a month is the last of February, then 31 March: from the anchor."""
    assert add_months(anchor, months) == anchor + relativedelta(months=months)


def test_what_a_task_resets_also_ends_a_first_interval() -> None:
    oil = Task(id="oil", name="Oil", every_h=100, first_h=20)
    full = Task(id="full", name="Full", every_h=500, resets=("oil",))
    done = Record(
        id="a",
        at=at("2025-12-01"),
        by="a",
        unit="u",
        kind="task_done",
        facts={"task": "full", "hours_h": 30.0},
    )
    situation = Situation(
        unit="u",
        zone="UTC",
        now=at("2026-01-01"),
        hours_now_h=40.0,
        hours_at=lambda _: None,
        begun_on=date(2025, 6, 1),
        begun_h=0.0,
    )
    before = {i.task: i for i in due_items(plan(oil, full), [], situation)}
    after = {i.task: i for i in due_items(plan(oil, full), [done], situation)}
    assert before["oil"].due_at_hours_h == 20
    assert after["oil"].due_at_hours_h == 130

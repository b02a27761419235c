"""When work falls due: by hours, by the calendar, whichever comes first."""

from collections.abc import Callable
from datetime import UTC, date, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.calendar import instant
from fleet.model import DueItem, Record, RecordKind, ServicePlan, Task
from scheduler.rules.service import Situation, due_items, finding


def at(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp())


def record(
    when: str, task: str, hours: float | None = None, kind: RecordKind = "task_done"
) -> Record:
    facts: dict[str, Any] = {"task": task}
    if hours is not None:
        facts["hours"] = hours
    return Record(
        id=f"{kind}-{task}-{when}",
        at=at(when),
        by="ann",
        unit="u",
        kind=kind,
        facts=facts,
    )


def plan(*tasks: Task) -> ServicePlan:
    return ServicePlan(id="p", name="p", tasks=tasks)


def situation(
    today: str,
    hours: float | None = None,
    hours_at: Callable[[int], float | None] = lambda _: None,
    **other: object,
) -> Situation:
    return Situation(
        unit="u",
        zone="UTC",
        now=at(today),
        hours_now_h=hours,
        hours_at=hours_at,
        **other,  # type: ignore[arg-type]
    )


def only(items: tuple[DueItem, ...]) -> DueItem:
    assert len(items) == 1
    return items[0]


OIL = Task(id="oil", name="Oil", every_h=250, every_months=12, tolerance=0.10, tolerance_days=30)


@pytest.mark.parametrize(
    ("today", "hours", "state", "binds", "why"),
    [
        ("2026-01-12", 900, "later", "hours", "100 of 250 h beats 61 of 365 days"),
        ("2026-10-12", 820, "later", "calendar", "31 days before its date"),
        ("2026-10-13", 820, "soon", "calendar", "30 days before its date"),
        ("2026-11-11", 820, "soon", "calendar", "the day before"),
        ("2026-11-12", 820, "due", "calendar", "12 months to the day"),
        ("2026-11-13", 820, "late", "calendar", "one day late"),
        ("2026-12-12", 820, "late", "calendar", "30 days late is within tolerance"),
        ("2026-12-13", 820, "late_beyond", "calendar", "31 days late is not"),
        ("2026-01-12", 1024.9, "later", "hours", "just under 90 %"),
        ("2026-01-12", 1025, "soon", "hours", "225 of 250 h is 90 %"),
        ("2026-01-12", 1050, "due", "hours", "250 h run"),
        ("2026-01-12", 1051, "late", "hours", "one hour over"),
        ("2026-01-12", 1075, "late", "hours", "10 % over is within tolerance"),
        ("2026-01-12", 1075.1, "late_beyond", "hours", "more is not"),
    ],
)
def test_whichever_comes_first(today: str, hours: float, state: str, binds: str, why: str) -> None:
    items = due_items(plan(OIL), [record("2025-11-12", "oil", 800)], situation(today, hours))
    item = only(items)
    assert (item.state, item.binds) == (state, binds), why
    assert item.due_on == "2026-11-12"
    assert item.due_at_hours_h == 1050
    assert item.last_done_on == "2025-11-12"


@pytest.mark.parametrize(
    ("today", "hours", "state"),
    [
        ("2026-11-12", 820, "due"),
        ("2026-11-13", 820, "late_beyond"),
        ("2026-01-12", 1050, "due"),
        ("2026-01-12", 1050.2, "late_beyond"),
    ],
)
def test_a_set_bound_by_code_or_warranty_has_no_tolerance(
    today: str, hours: float, state: str
) -> None:
    at_set = situation(today, hours, strict=True)
    item = only(due_items(plan(OIL), [record("2025-11-12", "oil", 800)], at_set))
    assert item.state == state


def test_the_reason_in_words() -> None:
    done = [record("2025-11-12", "oil", 800)]
    item = only(due_items(plan(OIL), done, situation("2026-01-12", 1063)))
    assert item.reason == "250 h since 12 Nov 2025; 263 h run"
    assert (item.late_hours_h, item.hours_left_h, item.late_days) == (13, -13, None)
    item = only(due_items(plan(OIL), done, situation("2026-11-25", 820)))
    assert item.reason == "12 months since 12 Nov 2025; 13 days over"
    assert (item.late_days, item.days_left) == (13, -13)


def test_unknown_hours_leave_the_calendar_and_say_so() -> None:
    done = [record("2025-11-12", "oil")]
    item = only(due_items(plan(OIL), done, situation("2026-11-25", None)))
    assert (item.state, item.binds, item.due_at_hours_h) == ("late", "calendar", None)
    assert "engine hours not known" in item.reason
    by_hours = Task(id="plug", name="Plug", every_h=100)
    item = only(due_items(plan(by_hours), [record("2025-11-12", "plug")], situation("2026-11-25")))
    assert (item.state, item.binds) == ("unknown", "neither")
    assert finding(item, at("2026-11-25")) is None


def test_hours_when_done_come_from_the_record_else_from_the_engine() -> None:
    engine = {at("2025-11-12"): 790.0}
    sit = situation("2026-01-12", 1000, engine.get)
    assert only(due_items(plan(OIL), [record("2025-11-12", "oil", 800)], sit)).hours_used_h == 200
    assert only(due_items(plan(OIL), [record("2025-11-12", "oil")], sit)).hours_used_h == 210


@pytest.mark.parametrize(
    ("anchor", "done", "due"),
    [
        # field case 29: each 1 March; done late on 20 March 2026
        ("fixed", ["2025-03-01", "2026-03-20"], "2027-03-01"),
        ("floating", ["2025-03-01", "2026-03-20"], "2027-03-20"),
        # an extra one on 11 November moves only the floating date
        ("fixed", ["2025-03-01", "2025-11-11"], "2026-03-01"),
        ("floating", ["2025-03-01", "2025-11-11"], "2026-11-11"),
        # nine days early counts for the 1 March it precedes
        ("fixed", ["2025-03-01", "2026-02-20"], "2027-03-01"),
        # a year left out: the date that passed stays due
        ("fixed", ["2024-03-01"], "2025-03-01"),
    ],
)
def test_fixed_and_floating(anchor: str, done: list[str], due: str) -> None:
    task = Task(id="yearly", name="Yearly", every_months=12, anchor=anchor)  # type: ignore[arg-type]
    records = [record(day, "yearly") for day in done]
    records += [
        record("2026-04-11", "", kind="visit"),
        record("2026-04-12", "other"),
        record("2026-04-13", "", kind="note"),
    ]
    assert only(due_items(plan(task), records, situation("2026-05-01"))).due_on == due


def test_the_registers_last_service_is_the_anchor_of_a_fixed_task() -> None:
    task = Task(id="yearly", name="Yearly", every_months=12, anchor="fixed")
    sit = situation("2026-05-01", last_service=date(2025, 3, 1))
    assert only(due_items(plan(task), [record("2026-03-20", "yearly")], sit)).due_on == "2027-03-01"
    assert only(due_items(plan(task), [], sit)).due_on == "2026-03-01"


def test_fixed_hours_stay_on_their_multiples() -> None:
    task = Task(id="oil", name="Oil", every_h=250, anchor="fixed")
    records = [record("2024-01-01", "oil", 0), record("2025-01-01", "oil", 262)]
    assert only(due_items(plan(task), records, situation("2025-02-01", 300))).due_at_hours_h == 500
    records[1] = record("2025-01-01", "oil", 240)  # 10 h early, within 10 %
    assert only(due_items(plan(task), records, situation("2025-02-01", 300))).due_at_hours_h == 500
    records[1] = record("2025-01-01", "oil", 120)  # an extra change moves nothing
    assert only(due_items(plan(task), records, situation("2025-02-01", 200))).due_at_hours_h == 250


def test_break_in_then_the_interval() -> None:
    task = Task(id="oil", name="Oil", every_h=100, first_h=20)
    new = situation("2026-01-10", 18.5, begun_on=date(2026, 1, 1), begun_h=0.5)
    item = only(due_items(plan(task), [], new))
    assert (item.due_at_hours_h, item.state, item.hours_left_h) == (20, "soon", 1.5)
    assert item.reason.startswith("first 20 h")
    done = [record("2026-01-11", "oil", 21)]
    assert only(due_items(plan(task), done, situation("2026-02-01", 60))).due_at_hours_h == 121
    adopted = situation("2026-01-10", 830, begun_on=date(2026, 1, 1), begun_h=812)
    assert only(due_items(plan(task), [], adopted)).due_at_hours_h == 912


def test_never_done_counts_from_the_begin_and_nothing_known_is_said() -> None:
    sit = situation("2026-01-10", 20, begun_on=date(2025, 1, 31), begun_h=5)
    item = only(due_items(plan(OIL), [], sit))
    assert (item.due_on, item.due_at_hours_h, item.last_done_on) == ("2026-01-31", 255, None)
    item = only(due_items(plan(OIL), [], situation("2026-01-10", None)))
    assert (item.state, item.binds) == ("unknown", "neither")


def test_a_bigger_task_resets_the_smaller() -> None:
    minor = Task(id="minor", name="Minor", every_months=6)
    major = Task(id="major", name="Major", every_months=24, resets=("minor",))
    items = due_items(plan(minor, major), [record("2025-06-01", "major")], situation("2025-07-01"))
    assert {i.task: i.due_on for i in items} == {"minor": "2025-12-01", "major": "2027-06-01"}
    items = due_items(plan(minor, major), [record("2025-06-01", "minor")], situation("2025-07-01"))
    assert {i.task: i.due_on for i in items} == {"minor": "2025-12-01", "major": None}


def test_months_from_the_anchor_and_local_dates() -> None:
    """31 January + 1 month is 28 February; the date is the one on the wall at the site."""
    monthly = Task(id="m", name="M", every_months=1)
    assert (
        only(due_items(plan(monthly), [record("2025-01-31", "m")], situation("2025-02-01"))).due_on
        == "2025-02-28"
    )
    evening = Record(
        id="r", at=at("2025-06-02T03:00"), by="a", unit="u", kind="task_done", facts={"task": "m"}
    )
    chicago = Situation(
        unit="u",
        zone="America/Chicago",
        now=at("2025-07-01T04:59"),
        hours_now_h=None,
        hours_at=lambda _: None,
    )
    item = only(due_items(plan(monthly), [evening], chicago))
    assert (item.last_done_on, item.due_on, item.days_left) == ("2025-06-01", "2025-07-01", 1)
    item = only(
        due_items(
            plan(monthly),
            [evening],
            Situation(
                unit="u",
                zone="America/Chicago",
                now=at("2025-07-01T05:00"),
                hours_now_h=None,
                hours_at=lambda _: None,
            ),
        )
    )
    assert item.state == "due"


def test_a_monthly_task_is_not_always_soon() -> None:
    monthly = Task(id="m", name="M", every_months=1)
    done = [record("2025-06-01", "m")]
    assert only(due_items(plan(monthly), done, situation("2025-06-02"))).state == "later"
    assert only(due_items(plan(monthly), done, situation("2025-06-25"))).state == "soon"


def test_findings_by_lateness() -> None:
    done = [record("2025-11-12", "oil", 800)]

    def severity(hours: float) -> str | None:
        item = only(due_items(plan(OIL), done, situation("2026-01-12", hours)))
        found = finding(item, at("2026-01-12"))
        return found.severity if found else None

    assert [severity(h) for h in (900, 1030, 1050, 1060, 1080)] == [
        None,
        "next_visit",
        "next_visit",
        "next_visit",
        "same_day",
    ]


def test_zero_tolerance_of_a_code_bound_set() -> None:
    task = Task(id="t", name="T", every_months=12, tolerance=0, tolerance_days=0)
    done = [record("2025-03-01", "t")]
    assert only(due_items(plan(task), done, situation("2026-03-01"))).state == "due"
    assert only(due_items(plan(task), done, situation("2026-03-02"))).state == "late_beyond"


TASKS = st.builds(
    Task,
    id=st.just("t"),
    name=st.just("T"),
    every_h=st.none() | st.floats(10, 1000),
    every_months=st.none() | st.integers(1, 60),
    first_h=st.none() | st.floats(5, 50),
    anchor=st.sampled_from(["floating", "fixed"]),
    tolerance=st.floats(0, 0.2),
    tolerance_days=st.integers(0, 60),
)
RANKS = ["later", "soon", "due", "late", "late_beyond"]


@given(TASKS, st.floats(0, 3000), st.floats(0, 500), st.integers(0, 2000), st.booleans())
def test_less_use_is_never_due_earlier(
    task: Task, hours: float, fewer: float, days: int, done: bool
) -> None:
    """With fewer hours run nothing falls due sooner, by state, share, hours or date."""
    now = instant(date(2024, 1, 1), datetime.min.time(), "UTC") + days * 86_400
    records = [record("2023-06-01", "t", 100)] if done else []

    def item(run: float) -> DueItem:
        return only(
            due_items(
                plan(task),
                records,
                Situation(
                    unit="u",
                    zone="Europe/Berlin",
                    now=now,
                    hours_now_h=run,
                    hours_at=lambda _: None,
                    begun_on=date(2023, 1, 1),
                    begun_h=50.0,
                ),
            )
        )

    more, less = item(hours), item(max(0.0, hours - fewer))
    assert less.share <= more.share
    assert less.due_on == more.due_on
    assert less.due_at_hours_h == more.due_at_hours_h
    if more.state != "unknown":
        assert RANKS.index(less.state) <= RANKS.index(more.state)


@given(
    TASKS, st.lists(st.tuples(st.integers(0, 1500), st.floats(0, 2000)), max_size=5), st.randoms()
)
def test_the_order_records_arrive_in_means_nothing(
    task: Task, done: list[tuple[int, float]], rnd: object
) -> None:
    start = at("2020-01-01")
    records = [
        Record(
            id=f"r{i}",
            at=start + d * 86_400,
            by="a",
            unit="u",
            kind="task_done",
            facts={"task": "t", "hours": h},
        )
        for i, (d, h) in enumerate(done)
    ]
    mixed = list(records)
    rnd.shuffle(mixed)  # type: ignore[attr-defined]
    sit = situation("2025-01-01", 2000.0, begun_on=date(2020, 1, 1), begun_h=0.0)
    assert due_items(plan(task), records, sit) == due_items(plan(task), mixed, sit)

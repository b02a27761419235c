"""What is said of a whole plan is true of it: sets in no round, jobs it does not know, the yardstick."""

from __future__ import annotations

import json
from typing import Any

import pytest
from dispatching import BY, CALL, Office, in_force
from fastapi.testclient import TestClient
from found import finding as made
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace
from roles import Caller, add, app_of, signed_in
from round_cases import QUICK, at, job, planned, request, site, technician
from seeding import FAILED, NOW, unit_id

from dashboard.views import rounds as tell
from fleet.model import EVERYTHING, Episode, Job, Scope
from fleet.model.book import Board, Book
from fleet.model.jobs import JobState, StepKind
from fleet.registry import lists
from fleet.registry.office import kept_jobs as jobs
from fleet.registry.office.kept_rounds import Ask
from fleet.words import plan_sentences
from hourhand import rounds_plan
from hourhand.command_line import main as front_door
from scheduler import dispatch, publishing, work_orders
from scheduler.rounds import Metrics, Round, RoundPlan, Stop
from scheduler.turns import planning

pytest_plugins = ["dispatching"]
MANUAL = unit_id(2)
"""The seeded set that was left out of automatic: Act now, and no job."""
ALL = "Every open job has its day"


def desk(office: Office) -> TestClient:
    return signed_in(office.fleet, add(office.fleet, "dee", "office")).client(app_of(office.fleet))


def told(office: Office) -> RoundPlan:
    return dispatch.decode(in_force(office))


def take(office: Office, unit: str, id: str, **more: Any) -> Job:
    row = lists.unit(office.fleet.registry, EVERYTHING, unit)
    assert row is not None
    fields: dict[str, Any] = {
        "id": id,
        "title": f"Job {id}",
        "unit": unit,
        "site": row.site.id,
        "customer": row.customer.id,
        "due_on": "2026-11-25",
    }
    made = Job(**(fields | more))
    jobs.add_jobs(office.fleet.registry, [work_orders.opened(made, NOW, "Dee")])
    return made


def step(office: Office, id: str, *kinds: StepKind) -> None:
    for kind in kinds:
        one = jobs.job(office.fleet.registry, EVERYTHING, id)
        assert one is not None
        note = "No longer wanted" if kind == "drop" else ""
        jobs.add_steps(
            office.fleet.registry, [work_orders.advance(one, kind, NOW, "Dee", note)], BY
        )


def named(office: Office) -> list[str]:
    """Sets in no round, as the pages, the API and the command name them: the same everywhere."""
    page = desk_page(office)
    api = api_of(office)
    out = publishing.outside(office.fleet.registry, EVERYTHING, told(office), NOW)
    units = [one.unit for one in out.sets]
    assert [row["unit"] for row in api["in_no_round"]] == units
    assert ("in no round." in page) == bool(units)
    assert plan_sentences.in_no_round(len(units)) in page
    left = page[page.index('id="left"') :]
    for unit in units:
        assert f'href="/units/{unit}"' in left
    waits = [j for j in jobs.jobs(office.fleet.registry, EVERYTHING) if j.state == "waiting_yes"]
    none_left = not units and not api["unplanned"] and not api["not_in_plan"]
    assert (ALL in page) == (none_left and not waits)
    assert (plan_sentences.ALL_THAT_CAN in page) == (none_left and bool(waits))
    return units


def desk_page(office: Office) -> str:
    return _reader(office).get("/rounds?see=told").text


def api_of(office: Office) -> dict[str, Any]:
    found: dict[str, Any] = _reader(office).get("/api/rounds").json()
    return found


def _reader(office: Office) -> TestClient:
    from fleet.registry import people

    if people.by_login(office.fleet.registry, "rea") is None:
        add(office.fleet, "rea", "office")
    kept = people.by_login(office.fleet.registry, "rea")
    assert kept is not None
    caller: Caller = signed_in(office.fleet, kept[0])
    return caller.client(app_of(office.fleet))


@pytest.mark.sqlite_only
def test_an_act_now_set_without_a_job_is_named_and_the_sentence_is_not_said(office: Office) -> None:
    assert named(office) == [MANUAL]
    page = desk_page(office)
    assert "1 set has an Act now or Same day alert and is in no round." in page
    assert f'href="/jobs/call?unit={MANUAL}&amp;alert=' in page
    assert "switch to OFF and lock out" in page, "whoever is sent is told the cautions"
    assert "<small>1</small>" in page[page.index('id="left"') :][:200], "it is counted"


@pytest.mark.sqlite_only
def test_a_job_alone_is_no_round_and_a_round_is(office: Office) -> None:
    """Waiting for a yes, or unknown to the plan: still named. In a round or under way: not."""
    take(office, MANUAL, "yes", state="waiting_yes")
    assert named(office) == [MANUAL]
    take(office, MANUAL, "urgent", urgent=True)
    assert named(office) == [MANUAL]
    page = desk_page(office)
    assert 'href="/rounds/insert/urgent"' in page
    assert plan_sentences.NOT_IN_PLAN in page, (
        "a job opened since the plan was made is in no round either"
    )
    assert api_of(office)["not_in_plan"] == ["urgent"]
    one = jobs.job(office.fleet.registry, EVERYTHING, "urgent")
    assert one is not None
    way = publishing.proposals(office.fleet.registry, one, NOW)[0]
    publishing.publish(office.fleet.registry, way.plan, BY, NOW, "urgent")
    assert named(office) == []
    step(office, "yes", "drop")
    assert plan_sentences.ALL_HAVE_A_DAY in desk_page(office)


@pytest.mark.sqlite_only
def test_a_set_whose_job_was_dropped_or_put_off_is_named_again(office: Office) -> None:
    """The failed set is in today's round by its call; nobody goes there once all of it is dropped."""
    failed = unit_id(FAILED)
    assert failed not in named(office)
    mine = [j.id for j in jobs.jobs(office.fleet.registry, EVERYTHING) if j.unit == failed]
    assert CALL in mine
    for id in mine:
        step(office, id, "drop")
    assert set(named(office)) == {failed, MANUAL}


@pytest.mark.sqlite_only
def test_the_command_names_them_too(
    office: Office, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rounds_plan.clock, "now", lambda: NOW)
    data = str(office.fleet.settings.data)
    assert front_door(["rounds", "show", "--data", data]) == 0
    said = capsys.readouterr().out
    assert "1 set has an Act now or Same day alert and is in no round." in said
    assert MANUAL in said
    assert front_door(["rounds", "show", "--json", "--data", data]) == 0
    found = json.loads(capsys.readouterr().out)
    assert [row["unit"] for row in found["in_no_round"]] == [MANUAL]
    take(office, unit_id(7), "new")
    made = planning.plan_rounds(office.fleet.registry, NOW, Ask(iterations=20), "Dee")
    assert "is in no round" in planning.sentence(made, NOW)
    assert "0 jobs left out." in planning.sentence(made, NOW)


@pytest.mark.sqlite_only
def test_a_restricted_reader_is_named_the_own_sets_only(office: Office) -> None:
    row = lists.unit(office.fleet.registry, EVERYTHING, MANUAL)
    other = lists.unit(office.fleet.registry, EVERYTHING, unit_id(FAILED))
    assert row is not None
    assert other is not None
    assert row.customer.id != other.customer.id
    scope = Scope(customers=frozenset({other.customer.id}))
    assert publishing.outside(office.fleet.registry, scope, told(office), NOW).sets == ()


# --- pure ----------------------------------------------------------------------------------------


def alert(unit: str, kind: str, severity: str, closed: int | None = None) -> Episode:
    finding = made(kind, severity=severity, since=NOW, facts={})  # type: ignore[arg-type]
    return Episode(
        id=f"{unit}-{kind}",
        subject=f"unit:{unit}",
        kind=kind,
        part="",
        severity=severity,  # type: ignore[arg-type]
        opened_at=NOW,
        closed_at=closed,
        finding=finding,
    )


def board(*alerts: Episode, jobs: tuple[Job, ...] = ()) -> Board:
    return Board(book=Book(jobs=jobs), alerts=alerts)


def plan_with(job_id: str, day: str) -> RoundPlan:
    stop = Stop(site="S", jobs=(job_id,), arrive=NOW, start=NOW, finish=NOW, starts=(NOW,))
    one = Round(technician="T", day=day, depart=NOW, back=NOW, stops=(stop,))
    return RoundPlan(first_day="2026-11-25", days=14, zone="Europe/London", rounds=(one,))


@pytest.mark.parametrize(
    ("kind", "severity", "closed", "wants"),
    [
        ("failed_start", "act_now", None, True),
        ("failed_start", "act_now", NOW, False),
        ("battery_weak", "same_day", None, True),
        ("battery_weak", "next_visit", None, False),
        ("not_reporting", "no_word", None, False),
        ("service_due", "same_day", None, False),
    ],
)
def test_which_alerts_want_somebody_on_a_round(
    kind: str, severity: str, closed: int | None, wants: bool
) -> None:
    found = dispatch.outside(board(alert("U", kind, severity, closed)), None, NOW)
    assert bool(found.sets) is wants


@pytest.mark.parametrize(
    ("state", "routine", "day", "goes"),
    [
        ("open", False, "2026-11-25", True),
        ("open", False, "2026-12-02", True),
        ("open", True, "2026-12-02", False),
        ("open", True, "2026-11-25", True),
        ("open", False, "2026-11-24", False),
        ("under_way", False, "", True),
        ("waiting_yes", False, "", False),
        ("done", False, "2026-11-25", False),
    ],
)
def test_when_a_round_goes_to_a_set(state: JobState, routine: bool, day: str, goes: bool) -> None:
    """Its own job from today on, or any visit today; yesterday's round goes nowhere any more."""
    one = Job(id="j", title="x", unit="U", site="S", state=state, routine=routine)
    plan = plan_with("j" if day else "other", day or "2026-11-26")
    found = dispatch.outside(board(alert("U", "failed_start", "act_now"), jobs=(one,)), plan, NOW)
    assert (not found.sets) is goes


def test_each_set_once_the_gravest_first() -> None:
    alerts = [
        alert("A", "battery_weak", "same_day"),
        alert("B", "failed_start", "act_now"),
        alert("A", "low_fuel", "act_now"),
    ]
    found = dispatch.outside(board(*alerts), None, NOW)
    assert [(one.unit, one.episode.severity) for one in found.sets] == [
        ("A", "act_now"),
        ("B", "act_now"),
    ]


# --- the yardstick -------------------------------------------------------------------------------

COUNT = st.integers(0, 200)


@given(
    COUNT,
    COUNT,
    COUNT,
    COUNT,
    st.integers(0, 5),
    st.integers(0, 5),
    st.floats(1, 9999),
    st.floats(1, 9999),
)
def test_less_is_never_said_of_a_plan_that_does_less(
    jobs_: int,
    due: int,
    hand_jobs: int,
    hand_due: int,
    open_: int,
    hand_open: int,
    km: float,
    hand_km: float,
) -> None:
    m = Metrics(
        km=km,
        jobs=jobs_,
        due_done=due,
        safety_open=open_,
        by_hand_km=hand_km,
        by_hand_jobs=hand_jobs,
        by_hand_due_done=hand_due,
        by_hand_safety_open=hand_open,
    )
    plan = RoundPlan(first_day="2026-11-25", days=14, zone="UTC", metrics=m)
    for said in (dict(tell.figures(plan))["Against by hand"], rounds_plan.yardstick(plan)):
        assert "saved" not in said
        if jobs_ < hand_jobs or due < hand_due or open_ > hand_open:
            assert "less" not in said
            assert "%" not in said
            assert f"{hand_km:.0f} km for {hand_jobs} job" in said
            assert f"{jobs_} job" in said


def test_of_a_plan_kept_from_before_nothing_is_compared() -> None:
    plan = RoundPlan(
        first_day="2026-11-25", days=14, zone="UTC", metrics=Metrics(km=10, by_hand_km=50.0)
    )
    assert "Against by hand" not in dict(tell.figures(plan))
    assert rounds_plan.yardstick(plan) == ""


def test_the_same_jobs_by_hand_are_the_same_jobs() -> None:
    """Two clusters by turns in the order of their dates: by hand crosses between them."""
    sites = [site(f"S{n}", 40 if n % 2 else -40, n) for n in range(8)]
    work_ = [job(f"J{n}", f"S{n}", due=at(n // 2, 20), duration_s=5400) for n in range(8)]
    asked = request(
        sites, [*work_, job("late", "S0", due=at(200, 9))], [technician(days=5)], limits=QUICK
    )
    made = planned(asked)
    assert {j for r in made.rounds for j in r.jobs} == {j.id for j in work_}
    m = made.metrics
    assert m.does_as_much
    assert m.by_hand_jobs == 8
    assert m.same_by_hand_km == m.by_hand_km
    assert m.km <= m.same_by_hand_km  # type: ignore[operator]
    assert not replace(m, jobs=7).does_as_much

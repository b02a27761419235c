"""A job's way into a plan and onto a day sheet: one way, each room entered once, one view a read."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import Any

import msgspec
import pytest
import sqlalchemy as sa
from as_viewer import OWNER
from dispatching import BY, Office, close, opened
from roles import app_of
from seeding import NOW

from dashboard.pages.rounds import export
from fleet.model import EVERYTHING
from fleet.model.book import Board, DueWork, JobChanges
from fleet.registry.base.engine import Registry
from fleet.registry.office import board, kept_jobs, kept_rounds
from fleet.registry.office.kept_jobs import JobRefused
from fleet.registry.office.kept_rounds import Ask
from scheduler import dispatch, publishing, rounds, work_orders
from scheduler.rounds.request import fingerprint
from scheduler.turns import planning

pytest_plugins = ["dispatching"]
ASK = Ask(iterations=20, fresh=True)
HANDED_IN = ("<lambda>", "<genexpr>", "<listcomp>", "<dictcomp>", "<setcomp>")
"""What one room hands to another to be called there is no way back."""
PLAN = [
    "scheduler.turns",
    "fleet.registry: board.gather",
    "scheduler.work_orders",
    "scheduler.dispatch",
    "scheduler.rounds",
    "fleet.registry: board.save",
]
PUBLISH = [
    "scheduler.publishing",
    "fleet.registry: board.read",
    "scheduler.dispatch",
    "fleet.registry: board.publish",
]
SHEET = ["dashboard", "fleet.registry: board.day_sheet"]
JOBS = [
    "scheduler.turns",
    "fleet.registry: board.due_work",
    "scheduler.work_orders",
    "fleet.registry: board.save",
]


def room_of(module: str) -> str:
    """The room of a module; "" for the ground floor, which is everybody's."""
    if module.startswith("fleet.registry."):
        return "fleet.registry"
    if module.startswith("scheduler."):
        return ".".join(module.split(".")[:2])
    return "dashboard" if module.startswith("dashboard.") else ""


def way(walk: Callable[[], Any]) -> list[str]:
    """The rooms that this entered, in order, each as often as it was entered from another one; of the
    registry with what was asked of it, and once for each question."""
    found: list[str] = []
    stack: list[str] = ["nobody"]

    def look(frame: FrameType, event: str, _: object) -> None:
        if event == "return" and len(stack) > 1:
            stack.pop()
        if event != "call":
            return
        module = frame.f_globals.get("__name__", "")
        room = "" if frame.f_code.co_name in HANDED_IN else room_of(module)
        before = next(one for one in reversed(stack) if one)
        stack.append(room)
        if room == "fleet.registry":
            entry = f"{room}: {module.split('.')[-1]}.{frame.f_code.co_name}"
        else:
            entry = room
        if room and room != before and (not found or found[-1] != entry):
            found.append(entry)

    sys.setprofile(look)
    try:
        walk()
    finally:
        sys.setprofile(None)
    return found


def no_way_back(entered: list[str]) -> None:
    """Fail where a room is entered again, but for the registry: its reads and writes are one each."""
    asked = [one for one in entered if ":" in one]
    assert len(asked) == len(set(asked)) <= 2, f"the registry was asked again: {entered}"
    rooms = [one for one in entered if ":" not in one]
    assert len(rooms) == len(set(rooms)), f"entered again: {entered}"


@contextmanager
def transactions(reg: Registry) -> Iterator[list[str]]:
    """What is begun in the registry meanwhile: reads and writes."""
    begun: list[str] = []

    def begin(connection: sa.Connection) -> None:
        writes = connection.get_execution_options().get("hourhand_writes")
        begun.append("write" if writes else "read")

    sa.event.listen(reg.engine, "begin", begin)
    try:
        yield begun
    finally:
        sa.event.remove(reg.engine, "begin", begin)


@pytest.fixture
def due(tmp_path: Path) -> Iterator[Office]:
    """An office with due work of which nobody made a job yet."""
    made = opened(tmp_path / "data", plan=False, jobs=False)
    yield made
    close(made)


def plan_of(reg: Registry) -> planning.Outcome:
    return planning.plan_rounds(reg, NOW, ASK, "Dee")


def test_the_way_of_a_job_is_one_way(office: Office) -> None:
    reg = office.fleet.registry
    made: list[planning.Outcome] = []
    planned = way(lambda: made.append(plan_of(reg)))
    plan = made[0].plan
    assert plan is not None
    published = way(lambda: publishing.publish(reg, plan, BY, NOW, ""))
    one = plan.rounds[0]
    services = app_of(office.fleet).state.services
    on_paper = way(lambda: export.sheet(services, OWNER, EVERYTHING, one.technician, one.day))
    for entered in (planned, published, on_paper):
        no_way_back(entered)
    assert (planned, published, on_paper) == (PLAN, PUBLISH, SHEET)
    assert way(lambda: planning.sync_jobs(reg, NOW)) == JOBS
    assert way(lambda: publishing.changing(reg, NOW))[:2] == PUBLISH[:2]


def test_each_read_is_one_view_and_each_write_at_the_end(office: Office) -> None:
    reg = office.fleet.registry
    with transactions(reg) as begun:
        made = plan_of(reg)
    assert begun == ["read", "write"], "no new job: the draft alone is written"
    assert made.draft is not None
    with transactions(reg) as begun:
        publishing.publish_draft(reg, made.draft, BY, NOW)
    assert begun == ["read", "write"]
    assert made.plan is not None
    one = made.plan.rounds[0]
    with transactions(reg) as begun:
        assert board.day_sheet(reg, EVERYTHING, one.technician, one.day, NOW) is not None
    assert begun == ["read"]


def test_a_planted_way_back_is_seen(office: Office, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each mistake that a colleague could make: to read again, to ask again, to go back."""
    reg, plain = office.fleet.registry, dispatch.brought_up

    def reads_again(*a: Any) -> Board:
        plain(*a)
        return board.read(reg, NOW, alerts=True)

    with monkeypatch.context() as patch:
        patch.setattr(dispatch, "brought_up", reads_again)
        found = way(lambda: plan_of(reg))
    with pytest.raises(AssertionError, match="asked again"):
        no_way_back(found)

    answer = rounds.answer

    def judges_again(*a: Any) -> rounds.Answer:
        found = answer(*a)
        work_orders.reconcile(DueWork(), NOW, lambda: "")
        return found

    with monkeypatch.context() as patch:
        patch.setattr(rounds, "answer", judges_again)
        found = way(lambda: plan_of(reg))
    with pytest.raises(AssertionError, match="entered again"):
        no_way_back(found)


def test_what_is_planned_is_what_is_kept(due: Office) -> None:
    """The question asked of the board brought up in memory is the one asked of the board read anew."""
    reg = due.fleet.registry
    known = board.gather(reg, NOW)
    changes = work_orders.reconcile(known.due, NOW, planning.new_id)
    assert changes.fresh, "there is due work that is no job yet"
    there = dispatch.brought_up(known, changes, NOW)
    board.save(reg, changes, None, NOW)
    anew = board.read(reg, NOW, alerts=True)
    assert there.book == anew.book
    assert there.visited == anew.visited
    assert dispatch.recorded(there) == dispatch.recorded(anew)
    asked, again = dispatch.question(there, NOW), dispatch.question(anew, NOW)
    assert fingerprint(asked) == fingerprint(again)
    assert asked == again


def test_a_job_closed_on_the_way_is_as_if_read(office: Office) -> None:
    """A job of the plan in force that ends, and one that comes again, in memory as when read anew."""
    reg = office.fleet.registry
    known = board.gather(reg, NOW)
    assert known.board.in_force is not None
    in_plan = [job for job in known.board.book.jobs if job.id in known.board.in_force.jobs]
    done, dropped = in_plan[0], in_plan[-1]
    assert done.id != dropped.id
    steps = (
        work_orders.advance(done, "finish", NOW, "the service plan", "Its record came."),
        work_orders.advance(dropped, "drop", NOW, "the service plan", "No longer in the plan."),
    )
    changes = JobChanges(steps=steps)
    there = dispatch.brought_up(known, changes, NOW)
    board.save(reg, changes, None, NOW)
    anew = board.read(reg, NOW, alerts=True)
    assert there.book == anew.book
    assert there.visited == anew.visited
    assert dispatch.recorded(there) == dispatch.recorded(anew)
    assert dispatch.question(there, NOW) == dispatch.question(anew, NOW)
    back = work_orders.advance(steps[0][0], "reopen", NOW + 1, "Dee")
    known = msgspec.structs.replace(board.gather(reg, NOW), due=DueWork(rows=known.due.rows))
    there = dispatch.brought_up(known, JobChanges(steps=(back,)), NOW)
    board.save(reg, JobChanges(steps=(back,)), None, NOW)
    anew = board.read(reg, NOW, alerts=True)
    assert there.book.jobs == anew.book.jobs
    assert dispatch.recorded(there) == dispatch.recorded(anew)


def test_somebody_changes_a_job_while_it_is_planned(
    due: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The office's own look opened the same jobs meanwhile: planned once more, on those that are kept."""
    reg, answer, looks = due.fleet.registry, rounds.answer, []

    def meanwhile(*a: Any) -> rounds.Answer:
        looks.append(planning.sync_jobs(reg, NOW))
        return answer(*a)

    monkeypatch.setattr(rounds, "answer", meanwhile)
    made = plan_of(reg)
    assert looks[0] > 0, "it opened jobs that the plan has too"
    assert looks[1:] == [0]
    draft = kept_rounds.draft(reg, EVERYTHING)
    assert draft is not None
    assert draft.id == made.draft
    plan = dispatch.decode(draft.doc)
    ids = plan.jobs | {one.job for one in plan.unplanned}
    assert ids == kept_jobs.by_id(reg, EVERYTHING, ids).keys(), "no job of it is a ghost"


def test_no_draft_is_kept_of_jobs_that_change_each_time(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    reg, before = office.fleet.registry, kept_rounds.draft(office.fleet.registry, EVERYTHING)

    def refuse(*_: Any) -> board.Saved:
        raise JobRefused("Somebody changed this job meanwhile.")

    monkeypatch.setattr(board, "save", refuse)
    with pytest.raises(JobRefused):
        plan_of(reg)
    assert kept_rounds.draft(reg, EVERYTHING) == before


def test_an_older_draft_is_not_put_in_force(office: Office) -> None:
    reg = office.fleet.registry
    first, second = plan_of(reg).draft, plan_of(reg).draft
    assert first is not None
    assert second is not None
    with pytest.raises(kept_rounds.RoundsRefused, match="no longer the newest"):
        publishing.publish_draft(reg, first, BY, NOW)
    publishing.publish_draft(reg, second, BY, NOW)
    told = kept_rounds.in_force(reg, EVERYTHING)
    assert told is not None
    assert told.id > second

"""A job that is finished writes what was done, and everything that follows from it follows."""

from __future__ import annotations

import csv
import io
import re
import subprocess
import sys
from datetime import UTC, datetime
from uuid import uuid4

import pytest
from dispatching import CALL, Office
from fastapi.testclient import TestClient
from finishing import due_of, form_of, now_of, open_job, post, records_of, turn, van
from roles import Caller, add, app_of, signed_in
from seeding import FAILED, LATE, NOW, unit_id

from fleet.model import EVERYTHING, OPEN_STATES
from fleet.registry import lists
from fleet.registry.facts.records import add_record
from fleet.registry.office import board, kept_jobs
from scheduler import dispatch
from scheduler.turns import planning

pytest_plugins = ["dispatching", "finishing"]
pytestmark = pytest.mark.sqlite_only
UNIT = unit_id(LATE)


def billed(office: Office) -> dict[str, dict[str, str]]:
    who = signed_in(office.fleet, add(office.fleet, f"o{uuid4().hex[:6]}", "office"))
    text = who.client(app_of(office.fleet)).get("/jobs/billing.csv").text
    return {row["job"]: row for row in csv.DictReader(io.StringIO(text))}


def test_done_moves_the_due_date_the_stock_the_bill_and_the_round(
    desk: tuple[Office, TestClient, Caller],
) -> None:
    office, client, caller = desk
    reg = office.fleet.registry
    job, before = open_job(office, UNIT, "oil_filter"), due_of(office, UNIT)
    assert before["oil_filter"].state == "late_beyond"
    told = dispatch.question(board.read(reg, NOW), NOW)
    assert job.id in {one.id for one in told.jobs}, "the planner would send somebody"
    form = form_of(
        caller,
        job,
        task__oil_filter="done",
        parts__oil_filter="oil_l 8, oil_filter 1",
        words="Oil was black",
        hours="404,5",
        minutes_used="50",
    )
    answer = post(client, job, form)
    assert answer.status_code == 303, answer.text
    assert answer.headers["location"] == f"/jobs/{job.id}?done=finished"
    after = now_of(office, job.id)
    assert (after.state, after.minutes_used) == ("done", 50)
    assert after.parts_used == {"oil_l": 8.0, "oil_filter": 1.0}
    kept = {r.kind: r for r in records_of(office, UNIT) if r.job == job.id}
    assert kept["task_done"].facts == {
        "task": "oil_filter",
        "hours": 404.5,
        "text": "Oil was black",
    }
    assert kept["hour_meter"].facts["hours"] == 404.5
    assert kept["visit"].facts["minutes"] == 50
    assert {r.by for r in kept.values()} == {"Ana"}
    assert van(office).stock == {"oil_l": 12.0}, "20 L less 8; filters were never in the van"
    turn(office)
    now_due = due_of(office, UNIT)
    assert (now_due["oil_filter"].last_done_on, now_due["oil_filter"].state) == (
        "2026-11-25",
        "later",
    )
    same = [task for task in before if task != "oil_filter"]
    assert [now_due[task].last_done_on for task in same] == [
        before[task].last_done_on for task in same
    ]
    late = subprocess.run(
        [
            sys.executable,
            "-m",
            "hourhand",
            "due",
            "--late",
            "--unit",
            UNIT,
            "--json",
            "--data",
            str(office.fleet.settings.data),
        ],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    ).stdout
    assert "oil_filter" not in late
    assert "air_filter" in late, "what was not done stays late"
    open_now = kept_jobs.jobs(reg, EVERYTHING, states=OPEN_STATES, unit=UNIT)
    assert "oil_filter" not in {j.task for j in open_now}, "no new job is made of it"
    told = dispatch.question(board.read(reg, NOW), NOW)
    assert job.id not in {one.id for one in told.jobs}
    line = billed(office)[job.id]
    assert (line["parts"], line["minutes_used"], line["done_on"], line["by"]) == (
        "oil_l 8, oil_filter 1",
        "50",
        "2026-11-25",
        "Ana",
    )
    assert line["done"] == f"{job.title}; Oil was black"


def test_one_visit_does_several_tasks_and_ends_their_jobs(
    desk: tuple[Office, TestClient, Caller],
) -> None:
    office, client, caller = desk
    job, other = open_job(office, UNIT, "oil_filter"), open_job(office, UNIT, "air_filter")
    form = form_of(caller, job, task__oil_filter="done", task__air_filter="done", minutes_used="60")
    assert post(client, job, form).status_code == 303
    both = [now_of(office, job.id), now_of(office, other.id)]
    assert [j.state for j in both] == ["done", "done"]
    assert sum(j.minutes_used or 0 for j in both) == 60, "the minutes of the visit, once"
    assert both[1].parts_used == other.parts
    theirs = [r for r in records_of(office, UNIT) if r.job == other.id]
    assert [(r.kind, r.facts["task"]) for r in theirs] == [("task_done", "air_filter")]


@pytest.mark.parametrize("said", ["not_done", "not_needed"])
def test_what_was_not_done_is_never_silently_done(
    desk: tuple[Office, TestClient, Caller], said: str
) -> None:
    office, client, caller = desk
    job, before = open_job(office, UNIT, "oil_filter"), due_of(office, UNIT)
    refused = post(client, job, form_of(caller, job, task__oil_filter=said))
    assert refused.status_code == 422
    assert "say in a few words why" in refused.text
    assert now_of(office, job.id).n == job.n
    form = form_of(
        caller, job, task__oil_filter=said, why__oil_filter="plug seized =1+1", minutes_used="20"
    )
    assert post(client, job, form).status_code == 303
    after = now_of(office, job.id)
    assert after.state == ("part_done" if said == "not_done" else "done")
    assert van(office).stock == {"oil_l": 20.0}, "nothing was used"
    assert [r.kind for r in records_of(office, UNIT) if r.job == job.id] == ["note"]
    turn(office)
    assert due_of(office, UNIT)["oil_filter"].last_done_on == before["oil_filter"].last_done_on
    assert now_of(office, job.id).state == after.state, "the scheduler leaves it as it was said"
    assert job.id not in billed(office), "nothing was done, nothing is billed"


@pytest.mark.parametrize("kind", ["finish", "part_done"])
def test_a_bare_finish_is_refused_by_every_route(
    desk: tuple[Office, TestClient, Caller], kind: str
) -> None:
    """What an old form, or a button of somebody's own, sends: a step and nothing said."""
    office, client, caller = desk
    for job in (open_job(office, UNIT, "oil_filter"), now_of(office, CALL)):
        for fields in (
            {},
            {"minutes_used": "30"},
            {"note": "done"},
            {"form": str(uuid4())},
            {"form": str(uuid4()), "outcome": "done"},
            {"form": str(uuid4()), "outcome": "nothing"},
            {"form": str(uuid4()), "outcome": "come_back"},
        ):
            bare = {"form_token": caller.form_token, "n": str(job.n), "kind": kind}
            answer = post(client, job, bare | fields)
            assert answer.status_code == 422, fields
            assert now_of(office, job.id).n == job.n


def test_solved_by_phone_needs_its_reason_and_is_not_billed(
    desk: tuple[Office, TestClient, Caller],
) -> None:
    office, client, caller = desk
    job = now_of(office, CALL)
    stock, before = van(office).stock, len(records_of(office, unit_id(FAILED)))
    form = form_of(
        caller, job, outcome="nothing", why="solved by phone, mains switch was off", parts_used=""
    )
    assert post(client, job, form).status_code == 303
    after = now_of(office, CALL)
    assert (after.state, after.nothing) == (
        "done",
        "Nothing was done: solved by phone, mains switch was off",
    )
    assert len(records_of(office, unit_id(FAILED))) == before
    assert van(office).stock == stock
    assert CALL not in billed(office)
    assert "solved by phone" in client.get(f"/jobs/{CALL}").text


def test_a_call_writes_the_visit_the_battery_and_what_else_was_recorded(
    desk: tuple[Office, TestClient, Caller],
) -> None:
    office, client, caller = desk
    unit, job = unit_id(FAILED), now_of(office, CALL)
    standing = lists.unit(office.fleet.registry, EVERYTHING, unit)
    assert standing is not None
    assert standing.summary is not None
    assert "failed_start" in {f.kind for f in standing.summary.findings}
    form = form_of(
        caller,
        job,
        outcome="done",
        words="Battery was flat",
        parts_used="battery 1",
        minutes_used="45",
        refuel__litres="20",
        done_at=datetime.fromtimestamp(NOW - 600, UTC).strftime("%Y-%m-%dT%H:%M"),
    )
    assert post(client, job, form).status_code == 303
    kinds = {r.kind: r.facts for r in records_of(office, unit) if r.job == CALL}
    assert kinds["part_changed"] == {"part": "battery", "date": "2026-11-25"}
    assert kinds["refuel"] == {"litres": 20.0}
    assert kinds["visit"]["text"] == "Battery was flat"
    assert kinds["visit"]["closed"] - kinds["visit"]["opened"] == 45 * 60
    turn(office)
    now_ = lists.unit(office.fleet.registry, EVERYTHING, unit)
    assert now_ is not None
    assert now_.summary is not None
    assert "failed_start" not in {f.kind for f in now_.summary.findings}, "it was answered"
    page = client.get(f"/jobs/{CALL}").text
    assert re.search(r"Would not start: (over since|not seen any more)", page), "since it was made"


def test_a_call_that_is_not_finished_leaves_the_alert_standing(
    desk: tuple[Office, TestClient, Caller],
) -> None:
    office, client, caller = desk
    unit, job = unit_id(FAILED), now_of(office, CALL)
    form = form_of(
        caller,
        job,
        outcome="come_back",
        why="starter motor must be ordered",
        parts_used="battery 1",
        minutes_used="30",
    )
    assert post(client, job, form).status_code == 303
    after = now_of(office, CALL)
    assert (after.state, after.minutes_used, after.parts_used) == ("part_done", 30, None)
    assert [s.kind for s in kept_jobs.steps(office.fleet.registry, EVERYTHING, CALL)][-2:] == [
        "begin",
        "part_done",
    ]
    turn(office)
    row = lists.unit(office.fleet.registry, EVERYTHING, unit)
    assert row is not None
    assert row.summary is not None
    assert "failed_start" in {f.kind for f in row.summary.findings}
    second = form_of(
        caller,
        after,
        outcome="done",
        words="Starter fitted",
        minutes_used="40",
        parts_used="starter 1",
    )
    assert post(client, after, second).status_code == 303
    ended = now_of(office, CALL)
    assert (ended.minutes_used, ended.parts_used) == (70, {"starter": 1.0}), "of both visits"


def test_sent_twice_it_is_written_once(desk: tuple[Office, TestClient, Caller]) -> None:
    office, client, caller = desk
    job = open_job(office, UNIT, "oil_filter")
    form = form_of(caller, job, task__oil_filter="done", parts__oil_filter="oil_l 3", hours="404")
    answers = [post(client, job, form) for _ in range(3)]
    assert [a.status_code for a in answers] == [303, 303, 303]
    assert len([r for r in records_of(office, UNIT) if r.job == job.id]) == 3
    assert van(office).stock == {"oil_l": 17.0}
    assert [s.kind for s in kept_jobs.steps(office.fleet.registry, EVERYTHING, job.id)].count(
        "finish"
    ) == 1
    late = post(client, job, form_of(caller, job, task__oil_filter="done"))
    assert (late.status_code, "meanwhile" in late.text) == (422, True), "another form, an old page"


@pytest.mark.parametrize(
    ("hours", "says"),
    [("380", "engine hours do not fall"), ("4045", "more than the clock allows")],
)
def test_hours_that_cannot_be_are_asked_about_and_can_be_confirmed(
    desk: tuple[Office, TestClient, Caller], hours: str, says: str
) -> None:
    office, client, caller = desk
    job = open_job(office, UNIT, "oil_filter")
    form = form_of(caller, job, task__oil_filter="done", hours=hours, words="Typed with care")
    asked = post(client, job, form)
    assert asked.status_code == 422
    assert says in asked.text
    assert 'name="sure"' in asked.text
    assert f'value="{hours}"' in asked.text, "what was typed is not lost"
    assert ">Typed with care</textarea>" in asked.text
    assert now_of(office, job.id).n == job.n
    assert post(client, job, form | {"sure": "yes"}).status_code == 303
    (meter,) = [r for r in records_of(office, UNIT) if r.kind == "hour_meter" and r.job == job.id]
    assert meter.facts["hours"] == float(hours)
    assert says in meter.facts["text"], "that it was asked about is kept"


def test_opened_again_the_due_date_the_stock_and_the_job_go_back(
    desk: tuple[Office, TestClient, Caller],
) -> None:
    office, client, caller = desk
    job, before = open_job(office, UNIT, "oil_filter"), due_of(office, UNIT)
    post(client, job, form_of(caller, job, task__oil_filter="done", parts__oil_filter="oil_l 5"))
    turn(office)
    done = now_of(office, job.id)
    page = client.get(f"/jobs/{job.id}").text
    assert "While it stands the work counts as done" in page
    written = [r for r in records_of(office, UNIT) if r.job == job.id]
    again = {"form_token": caller.form_token, "n": str(done.n), "kind": "reopen"}
    kept = post(client, done, again | {"note": "wrong set", "back": []})
    assert kept.status_code == 422
    assert "take that record back too" in kept.text
    assert post(client, done, again | {"back": [r.id for r in written]}).status_code == 422, "why?"
    undone = post(
        client,
        done,
        again | {"note": "wrong set", "back": [r.id for r in written], "parts_back": "yes"},
    )
    assert undone.status_code == 303, undone.text
    after = now_of(office, job.id)
    assert (after.state, after.minutes_used, after.parts_used) == ("open", None, None)
    planning.sync_jobs(office.fleet.registry, NOW)
    assert now_of(office, job.id).state == "open", "not done again from a due list that is behind"
    turn(office)
    assert due_of(office, UNIT) == before
    assert now_of(office, job.id).state == "open"
    assert van(office).stock == {"oil_l": 20.0}
    assert len(records_of(office, UNIT, standing=False)) > len(records_of(office, UNIT)), "all kept"


def test_a_record_taken_back_on_the_sets_page_opens_its_job_again(
    desk: tuple[Office, TestClient, Caller],
) -> None:
    from fleet.model import Record

    office, client, caller = desk
    job = open_job(office, UNIT, "oil_filter")
    post(client, job, form_of(caller, job, task__oil_filter="done"))
    turn(office)
    (done,) = [r for r in records_of(office, UNIT) if r.kind == "task_done" and r.job == job.id]
    wrong = Record(
        id="undo-1",
        at=NOW,
        by="Dee",
        unit=UNIT,
        kind="note",
        corrects=done.id,
        facts={"text": "another set"},
    )
    add_record(office.fleet.registry, wrong, NOW)
    planning.sync_jobs(office.fleet.registry, NOW)
    assert now_of(office, job.id).state == "done", "nothing is concluded from a list that is behind"
    turn(office)
    assert now_of(office, job.id).state == "open", "late work is not left without a job"
    turn(office)
    assert now_of(office, job.id).n == job.n + 2, "once"

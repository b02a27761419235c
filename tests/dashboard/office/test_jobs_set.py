"""Where a job is shown, what its set says is shown."""

from __future__ import annotations

import pytest
from dispatching import Office
from fastapi.testclient import TestClient
from roles import Caller
from seeding import FAILED, NOW, unit_id

from fleet.model import EVERYTHING, Job
from fleet.registry import lists
from fleet.registry.office import kept_jobs
from scheduler import work_orders

pytest_plugins = ["dispatching", "finishing"]
pytestmark = pytest.mark.sqlite_only


def test_a_job_at_a_set_that_did_not_start_says_so_first(
    desk: tuple[Office, TestClient, Caller],
) -> None:
    """A battery check of a life site that would not start is no quiet twenty minutes."""
    office, client, _ = desk
    row = lists.unit(office.fleet.registry, EVERYTHING, unit_id(FAILED))
    assert row is not None
    check = Job(
        id="check-1",
        title="Battery check",
        customer=row.customer.id,
        site=row.site.id,
        unit=row.unit.id,
        task="battery_check",
        routine=True,
        minutes=20,
        safety=True,
        due_on="2026-12-20",
    )
    kept_jobs.add_jobs(office.fleet.registry, [work_orders.opened(check, NOW, "the service plan")])
    page = client.get("/jobs/check-1").text
    body = page[page.index("<h1>") :]
    first = body.index("Act now")
    assert "Did not start" in body
    assert first < body.index("What is to be done")
    assert "Standing by" not in body[: body.index("The set now")], "never the headline"
    now_line = body[body.index("The set now") : body.index("Minutes</dt>")]
    assert now_line.index("Would not start") < now_line.index("Standing by")
    board = client.get("/jobs").text
    card = board[: board.index('href="/jobs/check-1"')].rsplit("<li", 1)[1]
    assert "Act now: Would not start" in card


def test_the_day_sheet_names_what_cannot_wait(desk: tuple[Office, TestClient, Caller]) -> None:
    from dashboard.pages.rounds.export import sheet_data
    from dashboard.views import set_findings as sets
    from fleet.registry.office import board

    office, _, _ = desk
    reg = office.fleet.registry
    grave = sets.gravest(reg, EVERYTHING, [unit_id(FAILED), unit_id(0)], NOW)
    assert set(grave) == {unit_id(FAILED)}
    sheet = board.sheet_in_force(reg, EVERYTHING, NOW)
    assert sheet is not None
    days = [
        board.day_sheet(reg, EVERYTHING, one.technician, one.day, NOW) for one in sheet.plan.rounds
    ]
    notes = [
        note
        for day in days
        if day is not None
        for stop in sheet_data("Firm", day).stops
        for note in stop.notes
    ]
    assert any(note.startswith(f"{unit_id(FAILED)}: Act now: Would not start") for note in notes)

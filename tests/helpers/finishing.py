"""A finishing form as a browser sends it, and what came of it, for tests of jobs that end."""

from __future__ import annotations

from typing import Any
from uuid import uuid4

import pytest
from dispatching import Office, belongs
from fastapi.testclient import TestClient
from roles import HERE, Caller, add, app_of, signed_in
from seeding import NOW

from fleet.model import EVERYTHING, OPEN_STATES, DueItem, Job, Record, Technician
from fleet.registry import lists
from fleet.registry.office import kept_jobs, technicians
from scheduler.turns import Memory, planning, work_through


@pytest.fixture
def desk(office: Office) -> tuple[Office, TestClient, Caller]:
    """A technician of that office, whose van it is, signed in."""
    person = add(office.fleet, "ana", "technician")
    belongs(office, "ana", person)
    caller = signed_in(office.fleet, person)
    return office, caller.client(app_of(office.fleet)), caller


def van(office: Office) -> Technician:
    """Ana's van, as it stands."""
    found = technicians.technician(office.fleet.registry, "ana")
    assert found is not None
    return found


def now_of(office: Office, id: str) -> Job:
    found = kept_jobs.job(office.fleet.registry, EVERYTHING, id)
    assert found is not None
    return found


def open_job(office: Office, unit: str, task: str) -> Job:
    """The one open job of this task."""
    found = kept_jobs.jobs(office.fleet.registry, EVERYTHING, states=OPEN_STATES, unit=unit)
    (job,) = [j for j in found if j.task == task]
    return job


def form_of(caller: Caller, job: Job, **fields: str) -> dict[str, str]:
    """A finishing form of this job; a dot in a field's name is written with two underscores."""
    named = {name.replace("__", ".", 1): value for name, value in fields.items()}
    return {
        "form_token": caller.form_token,
        "n": str(job.n),
        "kind": "finish",
        "form": str(uuid4()),
    } | named


def post(client: TestClient, job: Job, form: dict[str, Any]) -> Any:
    return client.post(f"/jobs/{job.id}/step", data=form, headers={"origin": HERE})


def turn(office: Office, now: int = NOW) -> None:
    """The scheduler's own turn, and its look at what is due."""
    work_through(office.fleet.registry, office.fleet.history, now, Memory())
    planning.sync_jobs(office.fleet.registry, now)


def due_of(office: Office, unit: str) -> dict[str, DueItem]:
    found = lists.due(office.fleet.registry, EVERYTHING, unit=unit)
    return {item.task: item for item, _, _, _ in found}


def records_of(office: Office, unit: str, standing: bool = True) -> list[Record]:
    listed = lists.records(office.fleet.registry, EVERYTHING, unit)
    return [r.record for r in listed if not (standing and r.superseded_by)]

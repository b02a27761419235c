"""The seeded fleet with technicians, jobs and a published plan, for tests of the office's pages."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from cryptography.fernet import Fernet
from fastapi.testclient import TestClient
from roles import Caller, add, app_of, signed_in
from seeding import FAILED, NOW, Fleet, seed, unit_id

from fleet.history import History
from fleet.model import EVERYTHING, Job, SiteCard, SiteContact, SkillHeld, Technician
from fleet.registry import lists, people
from fleet.registry.base.engine import open_registry
from fleet.registry.office import kept_jobs, kept_rounds, sitecard, technicians
from fleet.registry.office.kept_rounds import Ask
from fleet.registry.people import Actor
from fleet.settings import Settings
from fleet.store import open_store
from scheduler import publishing, work_orders
from scheduler.turns import planning

BY = Actor("the tests")
CODE = "gate 4711, key under the third pot"
WEEK: dict[int, tuple[tuple[str, str], ...]] = dict.fromkeys(range(5), (("08:00", "17:00"),))
CALL = "11111111-1111-4111-8111-111111111111"
"""The id of a job that was taken by phone."""


@dataclass(frozen=True)
class Office:
    """The fleet, and the sites of its sets by unit."""

    fleet: Fleet
    sites: dict[str, str]
    call: str = CALL


def opened(data: Path, demo: bool = False, plan: bool = True, jobs: bool = True) -> Office:
    """Two technicians, a call, a card with codes, and (where asked) jobs of due work, and a plan that was told."""
    fleet = seed(data, demo=demo)
    reg = fleet.registry
    key = Fernet.generate_key().decode()
    (data / "codes.key").write_text(key)
    for id, name, lat, lon in (("ana", "Ana Moss", 54.45, -1.8), ("ben", "Ben Hale", 54.6, -1.7)):
        made = Technician(
            id=id,
            name=name,
            lat=lat,
            lon=lon,
            time_zone="Europe/London",
            week=WEEK,
            base=f"{name}'s yard",
            skills=(SkillHeld("engine"),),
            stock={"oil_l": 20.0},
        )
        technicians.save_technician(reg, made, NOW, BY)
    sites = {row.unit.id: row.site.id for row in lists.units(reg, EVERYTHING)}
    row = lists.unit(reg, EVERYTHING, unit_id(FAILED))
    assert row is not None
    call = Job(
        id=CALL,
        title="Would not start",
        customer=row.customer.id,
        site=row.site.id,
        unit=row.unit.id,
        found_by="customer",
        symptom='Clicks, then nothing <b>"help"</b> =1+1',
        caller="Mo",
        phone="01632 960999",
        due_on="2026-11-26",
        parts={"battery": 1.0},
    )
    kept_jobs.add_jobs(reg, [work_orders.opened(call, NOW, "Dee")])
    card = SiteCard(
        site=row.site.id,
        contacts=(SiteContact("Night porter", "01632 960777", "nights"),),
        dogs="Two, loud",
        parking="Behind the barn",
    )
    sitecard.save_card(reg, EVERYTHING, card, CODE, key.encode(), NOW, BY)
    if jobs:
        planning.sync_jobs(reg, NOW)
    if plan:
        made_plan = planning.plan_rounds(reg, NOW, Ask(iterations=60), "Dee")
        assert made_plan.plan is not None, made_plan.said
        publishing.publish(reg, made_plan.plan, BY, NOW, "")
    return Office(fleet, sites)


@pytest.fixture(scope="session")
def told_office(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The data folder of an office whose plan is published; to be copied."""
    data = tmp_path_factory.mktemp("office") / "data"
    close(opened(data))
    return data


@pytest.fixture
def office(tmp_path: Path, told_office: Path) -> Iterator[Office]:
    """A copy of it for one test."""
    made = copied(told_office, tmp_path / "data")
    yield made
    close(made)


@pytest.fixture(scope="module")
def module_office(tmp_path_factory: pytest.TempPathFactory, told_office: Path) -> Iterator[Office]:
    """A copy of it for the tests of one module."""
    made = copied(told_office, tmp_path_factory.mktemp("office") / "data")
    yield made
    close(made)


@pytest.fixture(scope="module")
def caller(module_office: Office) -> Caller:
    """Somebody of that office, signed in."""
    return signed_in(module_office.fleet, add(module_office.fleet, "dee", "office"))


@pytest.fixture(scope="module")
def client(module_office: Office, caller: Caller) -> TestClient:
    """Their browser."""
    return caller.client(app_of(module_office.fleet))


def copied(told: Path, data: Path, demo: bool = False) -> Office:
    """Another office that begins as this one stands. SQLite only."""
    shutil.copytree(told, data)
    settings = Settings(data=data, firm="Harrow & Finch", demo=demo)
    registry = open_registry(settings)
    history = History(registry, open_store(settings, writing=False))
    sites = {row.unit.id: row.site.id for row in lists.units(registry, EVERYTHING)}
    return Office(Fleet(settings, registry, history), sites)


def close(office: Office) -> None:
    office.fleet.history.store.close()
    office.fleet.registry.close()


def belongs(office: Office, technician: str, person: people.Person) -> None:
    """Let this person sign in as the technician."""
    from msgspec.structs import replace

    kept = technicians.technician(office.fleet.registry, technician)
    assert kept is not None
    technicians.save_technician(office.fleet.registry, replace(kept, person=person.id), NOW, BY)


def in_force(office: Office) -> bytes:
    told = kept_rounds.in_force(office.fleet.registry, EVERYTHING)
    assert told is not None
    return told.doc

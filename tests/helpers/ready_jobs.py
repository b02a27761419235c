"""A registry with jobs ready to plan."""

from __future__ import annotations

from typing import Any

from register_rows import NOW, row, take

from fleet.model import EVERYTHING, Job, Technician
from fleet.registry import lists
from fleet.registry.base.engine import Registry
from fleet.registry.office import kept_jobs, technicians
from fleet.registry.people import Actor
from scheduler import work_orders

BY = Actor("Dee")


WEEK = dict.fromkeys(range(5), (("08:00", "17:00"),))


def stocked(reg: Registry) -> tuple[str, str]:
    """Two customers with a set each; (site of the first, of the second)."""
    take(
        reg,
        row("U1", lat="54.60", lon="-3.14"),
        row("U2", customer="Quay Ltd", site="Quay", lat="54.70", lon="-3.30"),
    )
    first, second = lists.unit(reg, EVERYTHING, "U1"), lists.unit(reg, EVERYTHING, "U2")
    assert first is not None
    assert second is not None
    return first.site.id, second.site.id


def job_at(reg: Registry, unit: str = "U1", id: str = "j1", **more: Any) -> Job:
    found = lists.unit(reg, EVERYTHING, unit)
    assert found is not None
    fields = {
        "id": id,
        "title": "Oil",
        "unit": unit,
        "site": found.site.id,
        "customer": found.customer.id,
        "due_on": "2026-11-27",
    }
    made = work_orders.opened(Job(**(fields | more)), NOW, "Dee")
    kept_jobs.add_jobs(reg, [made])
    return made[0]


def driver(id: str = "t1", **more: Any) -> Technician:
    fields: dict[str, Any] = {"id": id, "name": "Ana", "lat": 54.6, "lon": -3.2, "week": WEEK}
    return Technician(**(fields | more))


def ready(reg: Registry) -> None:
    stocked(reg)
    technicians.save_technician(reg, driver(), NOW, BY)
    job_at(reg)
    job_at(reg, "U2", "j2", title="Battery")

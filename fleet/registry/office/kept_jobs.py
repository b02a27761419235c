"""Jobs and their steps: appended, and the newest state kept beside them. Reads take a Scope."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import sqlalchemy as sa

from fleet.model import Contract, Job, JobStep, Scope, ServicePlan
from fleet.registry.base import documents, tables
from fleet.registry.base.engine import Registry
from fleet.registry.base.faults import RegistryFault
from fleet.registry.base.scoped import customer_in
from fleet.registry.base.statements import insert, upsert
from fleet.registry.people.audit import note
from fleet.registry.people.model import Actor

_MOST = 5_000


class JobRefused(RegistryFault):
    """A job or step cannot be kept. A sentence: what was wrong and what to do."""


def add_jobs(reg: Registry, made: Iterable[tuple[Job, JobStep]]) -> int:
    """Keep new jobs with their first steps; one whose origin is there already is left out.

    Returns how many were new. Raises JobRefused where a unit, site or customer is unknown.
    """
    added = 0
    with reg.write() as connection:
        for job, step in made:
            added += _add(connection, job, step)
    return added


def _add(connection: sa.Connection, job: Job, step: JobStep) -> int:
    for table, id in (
        (tables.customer, job.customer),
        (tables.site, job.site),
        (tables.unit, job.unit),
    ):
        if id and connection.execute(sa.select(table.c.id).where(table.c.id == id)).first() is None:
            raise JobRefused(f"There is no {table.name} {id[:64]} in the register.")
    statement = insert(connection, tables.job).values(
        id=job.id,
        customer=job.customer or None,
        site=job.site or None,
        unit=job.unit or None,
        origin=job.origin or None,
        state=job.state,
        opened_at=job.opened_at,
        changed_at=step.at,
        n=step.n,
        doc=documents.encode(job),
    )
    new = statement.on_conflict_do_nothing().returning(tables.job.c.id)
    if connection.execute(new).first() is None:
        return 0
    _append(connection, step)
    return 1


def _append(connection: sa.Connection, step: JobStep) -> None:
    connection.execute(
        sa.insert(tables.job_step).values(
            job=step.job, n=step.n, at=step.at, kind=step.kind, doc=documents.encode(step)
        )
    )


def add_steps(reg: Registry, steps: Iterable[tuple[Job, JobStep]], by: Actor | None = None) -> None:
    """Append steps, each with the job as it is after it, all or none.

    by: named in the audit. Raises JobRefused where somebody changed a job meanwhile.
    """
    with reg.write() as connection:
        for job, step in steps:
            _step_of(connection, job, step)
            if by is not None:
                note(connection, step.at, "job_changed", by, job.id, step.kind)


def _step_of(connection: sa.Connection, job: Job, step: JobStep) -> None:
    """Append a step in the caller's transaction. Raises JobRefused where the job changed meanwhile."""
    c = tables.job.c
    done = connection.execute(
        sa.update(tables.job)
        .where(c.id == job.id, c.n == step.n - 1)
        .values(
            state=job.state,
            n=step.n,
            changed_at=step.at,
            origin=job.origin or None,
            doc=documents.encode(job),
        )
    )
    if not done.rowcount:
        raise JobRefused("Somebody changed this job meanwhile. Look at it again, then repeat it.")
    _append(connection, step)


def job(reg: Registry, scope: Scope, id: str) -> Job | None:
    """One job; None where the scope has no such job."""
    query = sa.select(tables.job.c.doc).where(
        tables.job.c.id == id, customer_in(scope, tables.job.c.customer)
    )
    with reg.read() as connection:
        doc = connection.execute(query).scalar()
    return None if doc is None else documents.job(doc)


def jobs(
    reg: Registry,
    scope: Scope,
    states: Iterable[str] | None = None,
    unit: str | None = None,
    site: str | None = None,
    limit: int = _MOST,
) -> list[Job]:
    """Jobs, the oldest first. states: only these."""
    c = tables.job.c
    query = sa.select(c.doc).where(customer_in(scope, c.customer))
    if states is not None:
        query = query.where(c.state.in_(list(states)))
    if unit is not None:
        query = query.where(c.unit == unit)
    if site is not None:
        query = query.where(c.site == site)
    query = query.order_by(c.opened_at, c.id).limit(min(limit, _MOST))
    with reg.read() as connection:
        return [documents.job(doc) for doc in connection.execute(query).scalars()]


def by_id(reg: Registry, scope: Scope, ids: Iterable[str]) -> dict[str, Job]:
    """These jobs, whatever their state; those the scope sees."""
    c, wanted, found = tables.job.c, sorted(set(ids)), {}
    query = sa.select(c.doc).where(customer_in(scope, c.customer))
    with reg.read() as connection:
        for n in range(0, len(wanted), 500):
            part = query.where(c.id.in_(wanted[n : n + 500]))
            for doc in connection.execute(part).scalars():
                job = documents.job(doc)
                found[job.id] = job
    return found


def origins(reg: Registry) -> set[str]:
    """What jobs were made from, of all there ever were."""
    with reg.read() as connection:
        found = connection.execute(
            sa.select(tables.job.c.origin).where(tables.job.c.origin.is_not(None))
        )
        return {str(origin) for origin in found.scalars()}


def steps(reg: Registry, scope: Scope, id: str) -> list[JobStep]:
    """A job's life, in order; empty where the scope has no such job."""
    joined = tables.job_step.join(tables.job, tables.job.c.id == tables.job_step.c.job)
    query = (
        sa.select(tables.job_step.c.doc)
        .select_from(joined)
        .where(tables.job.c.id == id, customer_in(scope, tables.job.c.customer))
        .order_by(tables.job_step.c.n)
    )
    with reg.read() as connection:
        return [documents.job_step(doc) for doc in connection.execute(query).scalars()]


def minutes_used(reg: Registry) -> dict[tuple[str, str], list[int]]:
    """(unit, task) to the minutes each finished job of it took."""
    query = sa.select(tables.job.c.doc).where(tables.job.c.state.in_(("done", "billed")))
    found: dict[tuple[str, str], list[int]] = {}
    with reg.read() as connection:
        for doc in connection.execute(query).scalars():
            job = documents.job(doc)
            if job.minutes_used:
                found.setdefault((job.unit, job.task), []).append(job.minutes_used)
    return found


def service_plans(reg: Registry) -> dict[str, ServicePlan]:
    """Every service plan by id."""
    with reg.read() as connection:
        found = [
            documents.plan(doc)
            for doc in connection.execute(sa.select(tables.plan.c.doc)).scalars()
        ]
    return {plan.id: plan for plan in found}


def changed_at(reg: Registry, states: Iterable[str]) -> dict[str, int]:
    """When each job in these states last changed [s UTC]."""
    c = tables.job.c
    query = sa.select(c.id, c.changed_at).where(c.state.in_(list(states)))
    with reg.read() as connection:
        return {row.id: row.changed_at for row in connection.execute(query)}


def save_contract(reg: Registry, contract: Contract, now: int, by: Actor) -> None:
    """What was agreed with a customer, in place of what stood there. Raises JobRefused."""
    with reg.write() as connection:
        known = sa.select(tables.customer.c.id).where(tables.customer.c.id == contract.customer)
        if connection.execute(known).first() is None:
            raise JobRefused("There is no such customer in the register.")
        row: dict[str, Any] = {
            "customer": contract.customer,
            "doc": documents.encode(contract),
        }
        connection.execute(upsert(reg.dialect, tables.contract), row)
        said = "on stop" if contract.on_stop else "not on stop"
        note(connection, now, "contract_changed", by, contract.customer, said)


def contracts(reg: Registry, scope: Scope) -> dict[str, Contract]:
    """Contracts by customer."""
    query = sa.select(tables.contract.c.doc).where(customer_in(scope, tables.contract.c.customer))
    with reg.read() as connection:
        found = [documents.contract(doc) for doc in connection.execute(query).scalars()]
    return {contract.customer: contract for contract in found}

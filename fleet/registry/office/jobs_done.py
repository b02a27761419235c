"""A job's end with the records of what was done, and taking them back: one transaction each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import msgspec
import sqlalchemy as sa

from fleet.model import Job, JobStep, Record, Scope
from fleet.registry.base import documents, tables
from fleet.registry.base.engine import Registry
from fleet.registry.base.statements import one_at_a_time
from fleet.registry.facts.records import Accepted, RecordRefused, check_records, write_records
from fleet.registry.facts.units import standing_records
from fleet.registry.office.kept_jobs import _step_of
from fleet.registry.people.audit import note
from fleet.registry.people.model import Actor

Steps = Sequence[tuple[Job, JobStep]]


def write_work(
    reg: Registry,
    steps: Steps,
    records: Sequence[Record],
    now: int,
    by: Actor,
    van: str = "",
    parts: Mapping[str, float] | None = None,
) -> dict[str, float]:
    """Append steps and records and move a van's stock, all or nothing.

    van: the technician whose stock the parts come out of (below nothing it does not fall); negative
    amounts go back into it. The first job's last step keeps what moved. Returns what moved. Raises JobRefused
    where somebody changed a job meanwhile, RecordRefused where a record cannot be taken.
    """
    with reg.write() as connection:
        one_at_a_time(connection)
        moved = _move(connection, van, parts or {})
        last = max(n for n, (job, _) in enumerate(steps) if job.id == steps[0][0].id)
        for n, (job, step) in enumerate(steps):
            if moved and n == last:
                step = _with(step, {"van": van, "parts_moved": moved})
            _step_of(connection, job, step)
            note(connection, now, "job_changed", by, job.id, step.kind)
        write_records(connection, _taken(connection, records, now, by), now)
    return moved


def _taken(
    connection: sa.Connection, records: Sequence[Record], now: int, by: Actor
) -> list[Accepted]:
    """The records, each accepted. Raises RecordRefused on the first that is not."""
    taken: list[Accepted] = []
    for outcome in check_records(connection, records, now):
        if isinstance(outcome, RecordRefused):
            raise outcome
        taken.append(outcome)
        if outcome.new:
            said = f"{outcome.record.kind} {outcome.record.id}"
            note(connection, now, "record_added", by, outcome.record.unit, said)
    return taken


def _with(step: JobStep, more: dict[str, Any]) -> JobStep:
    return msgspec.structs.replace(step, facts=step.facts | more)


def _move(connection: sa.Connection, van: str, parts: Mapping[str, float]) -> dict[str, float]:
    """Take parts out of a van's stock (negative: put back); what the van never held stays away."""
    c = tables.technician.c
    query = sa.select(c.doc).where(c.id == van).with_for_update()
    doc = connection.execute(query).scalar() if van and parts else None
    if doc is None:
        return {}
    who = documents.technician(doc)
    stock, moved = dict(who.stock), {}
    for part, amount in parts.items():
        took = min(amount, stock.get(part, 0.0))
        if took:
            stock[part] = round(stock.get(part, 0.0) - took, 6)
            moved[part] = took
    if moved:
        after = msgspec.structs.replace(who, stock=stock)
        connection.execute(
            sa.update(tables.technician).where(c.id == van).values(doc=documents.encode(after))
        )
    return moved


def records_of(reg: Registry, scope: Scope, job: Job) -> list[Record]:
    """The records that stand and were written for a job, and those of its task since it was opened."""
    if not job.unit or not scope.sees(job.customer):
        return []
    with reg.read() as connection:
        standing = standing_records(connection, job.unit)
    return [
        r
        for r in standing
        if r.job == job.id
        or (
            job.task
            and not r.job
            and r.kind == "task_done"
            and r.facts.get("task") == job.task
            and r.made_at >= job.opened_at
        )
    ]


def unread(reg: Registry) -> set[str]:
    """Units of which somebody wrote a record that the scheduler has not looked at yet.

    Their due work says how things stood before.
    """
    c = tables.record.c
    joined = tables.record.join(tables.assessment, tables.assessment.c.unit == c.unit).join(
        tables.touch, sa.and_(tables.touch.c.whose == "unit", tables.touch.c.id == c.unit)
    )
    query = sa.select(c.unit).distinct().select_from(joined)
    query = query.where(c.made_at >= tables.assessment.c.at)
    with reg.read() as connection:
        return set(connection.execute(query).scalars())

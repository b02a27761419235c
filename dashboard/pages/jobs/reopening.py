"""A finished job opened again: which records it wrote, and taking them back by new ones."""

from __future__ import annotations

from dataclasses import dataclass
from uuid import NAMESPACE_URL, uuid5

from dashboard.authors import said
from dashboard.pages import forms
from dashboard.posted import Posted
from dashboard.request_context import Services
from dashboard.viewers import Viewer
from fleet import words
from fleet.model import Job, JobStep, Record, Scope
from fleet.registry.office import jobs_done, kept_jobs
from scheduler import work_orders
from scheduler.work_orders import NotPossible


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenRecord:
    """A record that was written for a job. must: the job would be done again at once while it
    stands; by: who did it and who typed it in."""

    id: str
    name: str
    at: str
    facts: str
    must: bool
    by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReopenForm:
    """What the form shows. parts: (part, amount) that go back into a van."""

    records: tuple[WrittenRecord, ...]
    parts: tuple[tuple[str, float], ...]


def may(job: Job) -> bool:
    """Whether this job can be opened again."""
    return "reopen" in work_orders.STEPS[job.state]


def form(services: Services, scope: Scope, job: Job, zone: str, now: int) -> ReopenForm:
    """The records that would be taken back, and the parts that go back into a van."""
    last = _finish(services, scope, job)
    moved = last.facts.get("parts_moved", {}) if last else {}
    return ReopenForm(
        records=tuple(
            WrittenRecord(
                id=r.id,
                name=forms.KINDS[r.kind].name,
                at=words.moment(r.at, zone, now),
                facts=forms.facts_words(r, zone, now),
                must=_must(job, r),
                by=said(r.by, r.entered_by, r.via, r.named),
            )
            for r in jobs_done.records_of(services.registry, scope, job)
        ),
        parts=tuple(moved.items()),
    )


def _must(job: Job, record: Record) -> bool:
    """Whether the job would be done again at once while this record stands."""
    return bool(job.task) and record.kind == "task_done" and record.facts.get("task") == job.task


def _finish(services: Services, scope: Scope, job: Job) -> JobStep | None:
    life = kept_jobs.steps(services.registry, scope, job.id)
    last = next((s for s in reversed(life) if s.kind in ("finish", "reopen")), None)
    return last if last is not None and last.kind == "finish" else None


def write(services: Services, viewer: Viewer, job: Job, posted: Posted) -> str:
    """Open the job again and take back the records that were chosen, in one transaction.

    Raises NotPossible, JobRefused, RecordRefused.
    """
    now, why = services.clock(), posted.text("note", 500)
    chosen = set(posted.every("back"))
    standing = jobs_done.records_of(services.registry, viewer.scope, job)
    if not may(job):
        raise NotPossible(f"A job that is {job.state} cannot be opened again.")
    if standing and not why:
        raise NotPossible("Say in a few words why it is opened again.")
    for record in standing:
        if _must(job, record) and record.id not in chosen:
            raise NotPossible(
                "A record says that this work was done, so the job would be done again at once: "
                "take that record back too, or write a correction on the set's page."
            )
    back = [
        Record(
            id=str(uuid5(NAMESPACE_URL, f"taken back {record.id}")),
            at=now,
            by=viewer.name,
            unit=record.unit,
            kind="note",
            corrects=record.id,
            job=job.id,
            facts={"text": f"Taken back: {why}"},
        )
        for record in standing
        if record.id in chosen
    ]
    last = _finish(services, viewer.scope, job)
    moved = dict(last.facts.get("parts_moved", {})) if last and posted.text("parts_back") else {}
    made = work_orders.advance(
        job,
        "reopen",
        now,
        viewer.name,
        why,
        facts={"taken_back": [r.corrects for r in back]} if back else None,
    )
    jobs_done.write_work(
        services.registry,
        [made],
        back,
        now,
        viewer.actor,
        str(last.facts.get("van", "")) if last else "",
        {part: -float(amount) for part, amount in moved.items()},
    )
    return "again"

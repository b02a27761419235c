"""Finishing a job: the form that asks what was done, and writing down what it says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from uuid import UUID, uuid4

from dashboard.authors import Author, colleagues
from dashboard.pages import forms
from dashboard.pages.device_says import DeviceSays, device_says
from dashboard.pages.jobs.call import CallFault
from dashboard.pages.jobs.finish_form import MORE, Doubted, may, other_jobs, read, tasks_due
from dashboard.posted import Posted
from dashboard.request_context import Services
from dashboard.viewers import Viewer
from dashboard.views import due
from fleet import calendar
from fleet.model import DUE_NOW, DueItem, Job, RecordKind, Scope
from fleet.registry import lists
from fleet.registry.office import jobs_done, kept_jobs, technicians
from fleet.registry.office.kept_jobs import JobRefused
from fleet.registry.office.technicians import say_parts
from scheduler import work_orders
from scheduler.work_orders.finishing import Outcome, Said

FIELDS_AT_MOST = 400
"""Fields of a form. A bound of ours."""
OUTCOMES: tuple[tuple[Outcome, str], ...] = (
    ("done", "It is done"),
    ("come_back", "Not finished, come back"),
    ("nothing", "Nothing was done, such as solved by phone"),
)
SAID: tuple[tuple[Said, str], ...] = (
    ("done", "Done"),
    ("not_done", "Not done, come back"),
    ("not_needed", "Not needed"),
)
FINISHING = ("finish", "part_done")


@dataclass(frozen=True, slots=True, kw_only=True)
class TaskLine:
    """A task that may have been done. when, severity: how pressing; parts: what it takes, in words;
    job: the open job of it, '' where there is none; pressing: it stands at once, not folded."""

    id: str
    name: str
    when: str
    severity: str
    parts: str
    job: str
    pressing: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class MoreRecords:
    """Another kind of record that may be written of the same visit. open: some of it is typed; says:
    what the device says of it now."""

    kind: RecordKind
    form: forms.Form
    fields: tuple[forms.Field, ...]
    open: bool
    says: tuple[DeviceSays, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FinishForm:
    """What the form shows. sent: its fields as typed, by name; own: the job's own task; doubt: hours
    that must be confirmed; colleagues: whose work the office may enter."""

    sent: Mapping[str, str]
    own: TaskLine | None
    pressing: tuple[TaskLine, ...]
    others: tuple[TaskLine, ...]
    outcomes: tuple[tuple[Outcome, str], ...]
    said: tuple[tuple[Said, str], ...]
    doubt: str
    colleagues: tuple[str, ...]
    more: tuple[MoreRecords, ...]


def form(
    services: Services,
    viewer: Viewer,
    job: Job,
    sent: Mapping[str, str],
    zone: str,
    now: int,
    doubt: str,
) -> FinishForm:
    """What the form shows: every task of the set's plan, the job's own first."""
    wall = calendar.local(now, zone).strftime("%Y-%m-%dT%H:%M")
    blank = {
        "form": str(uuid4()),
        "done_at": wall,
        "by": viewer.name,
        "parts_used": "" if job.task else say_parts(job.parts),
    }
    rows = tasks_due(services, viewer.scope, job)
    tasks = [_task(item, other, zone, now) for item, other in rows]
    inputs = lists.inputs(services.registry, viewer.scope, job.unit) if job.unit else None
    plan = inputs.plan if inputs else None
    filled = {name for kind in MORE for name in sent if name.startswith(f"{kind}.") and sent[name]}
    more = [
        MoreRecords(
            kind=kind,
            form=forms.KINDS[kind],
            fields=forms.fields_of(kind, plan),
            open=any(name.startswith(f"{kind}.") for name in filled),
            says=device_says(inputs, kind, zone, now) if inputs else (),
        )
        for kind in MORE
    ]
    return FinishForm(
        sent=blank | dict(sent),
        own=next((t for t in tasks if t.id == job.task), None) or _unlisted(job),
        pressing=tuple(t for t in tasks if t.id != job.task and t.pressing),
        others=tuple(t for t in tasks if t.id != job.task and not t.pressing),
        outcomes=OUTCOMES,
        said=SAID,
        doubt=doubt,
        colleagues=colleagues(services.registry, viewer),
        more=tuple(more) if job.unit else (),
    )


def _task(item: DueItem, other: Job | None, zone: str, now: int) -> TaskLine:
    return TaskLine(
        id=item.task,
        name=item.name,
        when=due.when(item, calendar.local_date(now, zone)),
        severity=due.severity(item) or "",
        parts=say_parts(item.parts),
        job=other.id if other else "",
        pressing=item.state in DUE_NOW or item.state == "soon" or other is not None,
    )


def _unlisted(job: Job) -> TaskLine | None:
    if not job.task:
        return None
    return TaskLine(
        id=job.task,
        name=job.title,
        when="",
        severity="",
        parts=say_parts(job.parts),
        job="",
        pressing=True,
    )


def write(services: Services, viewer: Viewer, job: Job, posted: Posted) -> str:
    """Write down what a sent form says was done; returns what to say. Sent twice it writes once.

    Raises CallFault, NotPossible, NotYourName, JobRefused, RecordRefused, TechnicianRefused.
    """
    form_id = _form_id(posted)
    if _known(services, viewer.scope, job, form_id):
        return "finished"
    if posted.text("n") != str(job.n):
        raise JobRefused("Somebody changed this job meanwhile. Look at it, then repeat it.")
    told, who = read(services, viewer, job, posted, form_id)
    made = work_orders.finished(
        job, other_jobs(services, viewer.scope, job), told, services.clock()
    )
    try:
        jobs_done.write_work(
            services.registry,
            made.steps,
            made.records,
            services.clock(),
            viewer.actor,
            van_of(services, viewer, who),
            made.parts,
        )
    except JobRefused:
        if not _known(services, viewer.scope, job, form_id):
            raise
    return "finished"


def _form_id(posted: Posted) -> str:
    try:
        return str(UUID(posted.text("form")))
    except ValueError:
        raise CallFault(
            "Say what was done: fill in the form on the job's page and send it from there."
        ) from None


def _known(services: Services, scope: Scope, job: Job, form_id: str) -> bool:
    life = kept_jobs.steps(services.registry, scope, job.id)
    return any(step.facts.get("form") == form_id for step in life)


def van_of(services: Services, viewer: Viewer, who: Author) -> str:
    """The technician out of whose van the parts come; "" : nobody's."""
    if not who.entered_by:
        mine = technicians.of_person(services.registry, viewer.actor.person)
        if mine is not None:
            return mine.id
    named = [one.id for one in technicians.technicians(services.registry) if one.name == who.by]
    return named[0] if len(named) == 1 else ""


__all__ = ["FIELDS_AT_MOST", "FINISHING", "Doubted", "form", "may", "write"]

"""The form that adds a record to a unit: a page of its own, so that it works without scripts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated
from uuid import NAMESPACE_URL, UUID, uuid4, uuid5

from fastapi import APIRouter, Query, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboard import frames
from dashboard.authors import NotYourName, author, colleagues
from dashboard.pages import forms
from dashboard.pages.device_says import DeviceSays, device_says
from dashboard.pages.typed_hours import CONFIRMED, ONCE_MORE, doubtful_hours
from dashboard.posted import read_form
from dashboard.problems import Problem
from dashboard.request_context import CurrentViewer, Services, TheServices, find_unit, require
from dashboard.viewers import Viewer
from dashboard.views.named import SetName, set_name
from fleet import calendar
from fleet.model import Record, RecordKind, Scope
from fleet.registry import lists
from fleet.registry.facts.records import RecordRefused, add_record

router = APIRouter(
    include_in_schema=False, dependencies=[require("technician", right=None, person=True)]
)

FIELDS_AT_MOST = 40
"""Fields of a form. A bound of ours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordScreen:
    """The form of one kind of record of a set.

    fields: what it asks for; sent: what stands in them, by name; wrong: why it was not taken; old:
    the record it corrects, in words; colleagues: whose work may be entered. zone: of the site. says:
    what the device says of it now.
    """

    set: SetName
    kind: RecordKind
    form: forms.Form
    fields: tuple[forms.Field, ...]
    sent: dict[str, str]
    wrong: str
    zone: str
    old: str
    colleagues: tuple[str, ...]
    says: tuple[DeviceSays, ...]


@router.get("/units/{unit}/record/{kind}", response_class=HTMLResponse)
def blank(
    request: Request,
    services: TheServices,
    viewer: CurrentViewer,
    unit: str,
    kind: RecordKind,
    corrects: Annotated[str, Query(max_length=64)] = "",
) -> Response:
    """The empty form; of a correction of the same kind, as the old record would have filled it in.

    Fields named in the address begin with what it says: the link of a question knows them.
    """
    zone = find_unit(services, viewer.scope, unit)[1].time_zone
    sent = {
        "at": calendar.local(services.clock(), zone).strftime("%Y-%m-%dT%H:%M"),
        "by": viewer.name,
    }
    named = {field.name for field in forms.KINDS[kind].fields}
    sent |= {n: v[:40] for n, v in request.query_params.items() if n in named}
    old = _old(services, viewer.scope, unit, corrects)
    if old is not None and old.kind == kind:
        sent |= forms.sent_of(old, zone)
        if old.by not in colleagues(services.registry, viewer):
            sent["by"] = viewer.name
    return _form(
        request, services, viewer, unit, kind, sent | {"id": str(uuid4()), "corrects": corrects}, ""
    )


def _old(services: Services, scope: Scope, unit: str, id: str) -> Record | None:
    """The record of this unit that is to be corrected; None where none is. Raises Problem 404."""
    if not id:
        return None
    for listed in lists.records(services.registry, scope, unit):
        if listed.record.id == id:
            return listed.record
    raise Problem(404, "There is no such record of this set.")


@router.post("/units/{unit}/record/{kind}", response_class=HTMLResponse)
async def send(
    request: Request, services: TheServices, viewer: CurrentViewer, unit: str, kind: RecordKind
) -> Response:
    sent = (await read_form(request, viewer, FIELDS_AT_MOST)).flat()
    return await run_in_threadpool(_keep, request, services, viewer, unit, kind, sent)


def _keep(
    request: Request,
    services: Services,
    viewer: Viewer,
    unit: str,
    kind: RecordKind,
    sent: dict[str, str],
) -> Response:
    scope = viewer.scope
    _, site, _, _ = find_unit(services, scope, unit)
    old = _old(services, scope, unit, sent.get("corrects", "")[:64])
    inputs = lists.inputs(services.registry, scope, unit)
    fields = forms.fields_of(kind, inputs.plan if inputs else None)
    try:
        facts = forms.facts_from(fields, sent, site.time_zone)
        by = sent.get("by", viewer.name).strip()[:100]
        if not by:
            raise forms.FormFault("Your name: please fill this in.")
        who = author(services.registry, viewer, by)
        now = services.clock()
        at = forms.moment(sent.get("at", ""), site.time_zone)
        instead = old.id if old else ""
        why = doubtful_hours(services, scope, unit, at, facts.get("hours"), instead)
        if why and not sent.get("sure"):
            sent = sent | {"doubt": why}
            raise forms.FormFault(f"{why} {ONCE_MORE}")
        if sent.get("sure"):
            facts["text"] = f"{facts.get('text', '')} {CONFIRMED}".strip()
        record = Record(
            id=str(UUID(sent.get("id", ""))),
            at=at,
            by=who.by,
            entered_by=who.entered_by,
            unit=unit,
            kind=kind,
            facts=facts,
            corrects=old.id if old else None,
            job=old.job if old else "",
            made_at=now,
        )
        add_record(services.registry, record, now, viewer.actor)
    except (forms.FormFault, NotYourName, RecordRefused, ValueError) as refusal:
        return _form(request, services, viewer, unit, kind, sent, str(refusal), status=422)
    return RedirectResponse(f"/units/{unit}?done={kind}&record={record.id}#done", 303)


@router.post("/units/{unit}/undo", response_class=HTMLResponse)
async def undo(
    request: Request, services: TheServices, viewer: CurrentViewer, unit: str
) -> Response:
    """Take back what was just written down: a note that names it, so that it counts no more."""
    sent = (await read_form(request, viewer, FIELDS_AT_MOST)).flat()
    return await run_in_threadpool(_take_back, services, viewer, unit, sent)


def _take_back(
    services: Services, viewer: Viewer, unit: str, sent: dict[str, str]
) -> RedirectResponse:
    find_unit(services, viewer.scope, unit)
    old = _old(services, viewer.scope, unit, sent.get("record", "")[:64])
    if old is None:
        raise Problem(404, "There is no such record of this set.")
    who, now = author(services.registry, viewer, viewer.name), services.clock()
    note = Record(
        id=str(uuid5(NAMESPACE_URL, f"undo {old.id}")),
        at=now,
        by=who.by,
        entered_by=who.entered_by,
        unit=unit,
        kind="note",
        facts={"text": f"Undone at once: {forms.KINDS[old.kind].name.lower()}."},
        corrects=old.id,
        job=old.job,
        made_at=now,
    )
    standing = {r.record.id for r in lists.records(services.registry, viewer.scope, unit)}
    if note.id not in standing:
        try:
            add_record(services.registry, note, now, viewer.actor)
        except RecordRefused as refusal:
            raise Problem(409, str(refusal)) from refusal
    return RedirectResponse(f"/units/{unit}?done=undone#done", 303)


def _form(
    request: Request,
    services: Services,
    viewer: Viewer,
    unit: str,
    kind: RecordKind,
    sent: dict[str, str],
    wrong: str,
    status: int = 200,
) -> HTMLResponse:
    scope = viewer.scope
    found, site, customer, _ = find_unit(services, scope, unit)
    inputs = lists.inputs(services.registry, scope, unit)
    old = _old(services, scope, unit, sent.get("corrects", "")[:64])
    if inputs is None:
        raise Problem(404, "There is no unit of that id here.")
    view = RecordScreen(
        set=set_name(found, site, customer),
        kind=kind,
        form=forms.KINDS[kind],
        fields=forms.fields_of(kind, inputs.plan),
        sent=sent,
        wrong=wrong,
        zone=site.time_zone,
        old=forms.old_words(old, site.time_zone, services.clock()) if old else "",
        colleagues=colleagues(services.registry, viewer),
        says=device_says(inputs, kind, site.time_zone, services.clock()),
    )
    return frames.render(request, scope, "record.html", "units", view, status)

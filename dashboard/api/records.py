"""GET and POST /api/units/{unit}/records: what people did."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID, uuid4

from fastapi import APIRouter
from pydantic import BaseModel, ConfigDict, Field, model_validator

from dashboard.api.times import seconds
from dashboard.authors import NotYourName, author
from dashboard.problems import Problem, ProblemDocument
from dashboard.request_context import CurrentScope, CurrentViewer, TheServices, find_unit, require
from dashboard.views.register import RecordPage, RecordView, record_view
from fleet.bounds import fit
from fleet.model import Record, RecordKind
from fleet.model.telemetry import Facts
from fleet.registry import lists
from fleet.registry.facts.records import RecordRefused, add_record


class Sent(BaseModel):
    """A body: no value in it, at any depth, that could be neither kept nor computed with."""

    @model_validator(mode="before")
    @classmethod
    def _fit(cls, sent: Any) -> Any:
        fit(sent)
        return sent


router = APIRouter(
    prefix="/api/units", tags=["records"], responses={404: {"model": ProblemDocument}}
)


class RecordIn(Sent):
    """A record as its writer sends it. What the kind needs goes into facts, or beside them."""

    model_config = ConfigDict(extra="allow")

    id: UUID | None = Field(default=None, description="made by the writer; sent again: no double")
    at: datetime
    by: str | None = Field(
        default=None,
        min_length=1,
        max_length=100,
        description="who did it; leave it out for who is signed in. The office may name a colleague; "
        "a token writes as itself and keeps the name beside",
    )
    kind: RecordKind
    facts: Facts = Field(default_factory=dict)
    corrects: str | None = None


@router.get("/{unit}/records", dependencies=[require("reader")])
def listed(services: TheServices, scope: CurrentScope, unit: str) -> RecordPage:
    """Records of a unit, newest first; corrected ones name the record that did so."""
    find_unit(services, scope, unit)
    rows = lists.records(services.registry, scope, unit)
    items = tuple(record_view(r.record, r.superseded_by, scope) for r in rows)
    return RecordPage(items=items, next=None)


@router.post(
    "/{unit}/records",
    status_code=201,
    responses={422: {"model": ProblemDocument}},
    dependencies=[require("technician", right="record")],
)
def add(services: TheServices, viewer: CurrentViewer, unit: str, sent: RecordIn) -> RecordView:
    """Write down what was done, as who is signed in. The same id again changes nothing.

    A token of some customers may not record a fitting: it could move another's device to them.
    """
    find_unit(services, viewer.scope, unit)
    if sent.kind == "fitting" and not viewer.scope.everything:
        raise Problem(403, "A token of some customers may not record which device is fitted.")
    if sent.corrects and not viewer.scope.everything:
        mine = {r.record.id for r in lists.records(services.registry, viewer.scope, unit)}
        if sent.corrects not in mine:
            raise Problem(422, "corrects names no record of this set.")
    now = services.clock()
    try:
        who = author(services.registry, viewer, sent.by or "")
    except NotYourName as refusal:
        raise Problem(403, str(refusal)) from refusal
    record = Record(
        id=str(sent.id or uuid4()),
        at=seconds(sent.at, "at"),
        by=who.by,
        unit=unit,
        kind=sent.kind,
        facts=sent.facts | (sent.model_extra or {}),
        corrects=sent.corrects,
        made_at=now,
        entered_by=who.entered_by,
        via=who.via,
        named=who.named,
    )
    try:
        kept = add_record(services.registry, record, now, viewer.actor)
    except RecordRefused as refusal:
        raise Problem(422, str(refusal)) from refusal
    return record_view(kept, None, viewer.scope)

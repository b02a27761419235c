"""GET and POST /api/units/{unit}/records: what people did."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID, uuid4

from fastapi import APIRouter
from pydantic import ConfigDict, Field

from dashboard.api import shapes, telling
from dashboard.api.sent import Sent
from dashboard.api.times import seconds
from dashboard.deps import AtDesk, Looking, Reader, require
from dashboard.one_unit import find
from dashboard.problems import Problem
from fleet.model import Record, RecordKind
from fleet.registry import pages
from fleet.registry.records import RecordRefused, add_record

router = APIRouter(prefix="/api/units", tags=["records"],
                   responses={404: {"model": shapes.ProblemOut}})  # fmt: skip


class RecordIn(Sent):
    """A record as its writer sends it. What the kind needs goes into facts, or beside them."""

    model_config = ConfigDict(extra="allow")

    id: UUID | None = Field(default=None, description="made by the writer; sent again: no double")
    at: datetime
    by: str = Field(min_length=1, max_length=100)
    kind: RecordKind
    facts: dict[str, Any] = Field(default_factory=dict)
    corrects: str | None = None


@router.get("/{unit}/records", response_model=shapes.RecordPage, dependencies=[require("reader")])
def listed(desk: AtDesk, scope: Reader, unit: str) -> Any:
    """Records of a unit, newest first; corrected ones name the record that did so."""
    find(desk, scope, unit)
    rows = pages.records(desk.registry, scope, unit)
    return shapes.RecordPage(
        items=[telling.record_out(r.record, r.superseded_by, scope) for r in rows]
    )


@router.post("/{unit}/records", response_model=shapes.RecordOut, status_code=201,
             responses={422: {"model": shapes.ProblemOut}},
             dependencies=[require("technician", right="record")])  # fmt: skip
def add(desk: AtDesk, viewer: Looking, unit: str, sent: RecordIn) -> Any:
    """Write down what was done. The same id again changes nothing.

    A token of some customers may not record a fitting: it could move another's device to them.
    """
    find(desk, viewer.scope, unit)
    if sent.kind == "fitting" and not viewer.scope.everything:
        raise Problem(403, "A token of some customers may not record which device is fitted.")
    now = desk.clock()
    record = Record(
        id=str(sent.id or uuid4()),
        at=seconds(sent.at, "at"),
        by=sent.by,
        unit=unit,
        kind=sent.kind,
        facts=sent.facts | (sent.model_extra or {}),
        corrects=sent.corrects,
        made_at=now,
    )
    try:
        kept = add_record(desk.registry, record, now, viewer.actor)
    except RecordRefused as refusal:
        raise Problem(422, str(refusal)) from refusal
    return telling.record_out(kept, None, viewer.scope)

"""GET /api/units, /api/units/{unit} and what was worked out about one unit."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Annotated, Any, TypeVar

import msgspec
from fastapi import APIRouter, Query

from dashboard import logbook
from dashboard.api import shapes, telling
from dashboard.api.times import From, To, span
from dashboard.bounds import RowNumber
from dashboard.deps import AtDesk, Reader, require
from dashboard.one_unit import find
from dashboard.viewers import staff_name
from fleet.channels import CHANNELS
from fleet.model import Condition, Readiness, Severity
from fleet.registry import pages
from scheduler import assess

router = APIRouter(
    prefix="/api/units",
    tags=["units"],
    dependencies=[require("reader")],
    responses={404: {"model": shapes.ProblemOut}},
)

T = TypeVar("T")
Limit = Annotated[int, Query(ge=1, le=500)]
Cursor = Annotated[str | None, Query(max_length=80)]


@router.get("", response_model=shapes.UnitPage)
def units(
    desk: AtDesk,
    scope: Reader,
    search: Annotated[str, Query(max_length=100)] = "",
    area: Annotated[str | None, Query(max_length=100)] = None,
    condition: Condition | None = None,
    severity: Severity | None = None,
    readiness: Readiness | None = None,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Any:
    """Units by id: condition, readiness, mains, findings with facts and sentence, engine hours, next due."""
    rows = pages.units(
        desk.registry,
        scope,
        search,
        area,
        limit + 1,
        cursor,
        condition=condition,
        severity=severity,
        readiness=readiness,
    )
    now = desk.clock()
    items = [shapes.UnitOut.model_validate(telling.unit_facts(*row, now)) for row in rows[:limit]]
    return shapes.UnitPage(items=items, next=items[-1].unit if len(rows) > limit else None)


@router.get("/{unit}", response_model=shapes.UnitFullOut)
def one(desk: AtDesk, scope: Reader, unit: str) -> Any:
    """One unit: what the list says, and its last readings, due work, habit and blind spots."""
    found = find(desk, scope, unit)
    now = desk.clock()
    inputs = pages.inputs(desk.registry, scope, unit)
    doc = pages.assessment(desk.registry, scope, unit)
    verdict = assess.read(doc)
    readings = logbook.readings_now(inputs, now) if inputs else []
    facts = telling.unit_facts(*found, now)
    return shapes.UnitFullOut.model_validate(
        facts
        | {
            "devices": [pulse.device for pulse in inputs.pulses] if inputs else [],
            "register_facts": msgspec.to_builtins(found[0])
            | {"technician": staff_name(scope, found[0].technician)},
            "readings": [
                {
                    "channel": r.channel,
                    "unit": CHANNELS[r.channel].unit if r.channel in CHANNELS else "",
                    "value": r.value,
                    "at": r.at,
                    "calibrated": r.calibrated,
                }
                for r in readings
            ],
            "due": [telling.due_out(item, found[0]) for item in verdict.due] if verdict else [],
            "habit": msgspec.structs.asdict(verdict.habit) if verdict else None,
            "gap_s": verdict.gap_s if verdict else None,
            "silent_limit_s": verdict.silent_limit_s if verdict else None,
            "blind_spots": list(verdict.blind) if verdict else [],
            "fuel": msgspec.structs.asdict(verdict.fuel) if verdict else None,
            "battery": msgspec.to_builtins(verdict.battery) if verdict else None,
            **telling.use_out(
                verdict, pages.start_counts(desk.registry, scope, found[0].make, found[0].model)
            ),
        }
    )


@router.get("/{unit}/runs", response_model=shapes.RunPage)
def runs(
    desk: AtDesk,
    scope: Reader,
    unit: str,
    from_: From = None,
    to: To = None,
    limit: Limit = 100,
    cursor: RowNumber | None = None,
) -> Any:
    """Runs newest first. Without `from`: the last 365 days."""
    summary = find(desk, scope, unit)[3]
    start, end = span(from_, to, desk.clock(), days=365)
    days = logbook.days_of(desk.registry, scope, unit, start, end + 86_400)
    doc = pages.assessment(desk.registry, scope, unit)
    verdict = assess.read(doc)
    reasons = verdict.reasons if verdict else ()
    itself = {reason.start: reason for reason in reasons}
    found = logbook.runs_of(days, summary, start, end, reasons)[::-1]
    held, following = _before(found, lambda run: run.start, cursor, limit)
    return shapes.RunPage(
        items=[telling.run_out(run, itself.get(run.start)) for run in held], next=following
    )


@router.get("/{unit}/starts", response_model=shapes.StartPage)
def starts(
    desk: AtDesk,
    scope: Reader,
    unit: str,
    from_: From = None,
    to: To = None,
    limit: Limit = 100,
    cursor: RowNumber | None = None,
) -> Any:
    """Start demands newest first. Without `from`: the last 365 days."""
    summary = find(desk, scope, unit)[3]
    start, end = span(from_, to, desk.clock(), days=365)
    days = logbook.days_of(desk.registry, scope, unit, start, end + 86_400)
    found = logbook.starts_of(days, summary, start, end)[::-1]
    held, following = _before(found, lambda demand: demand.at, cursor, limit)
    return shapes.StartPage(items=[telling.start_out(s) for s in held], next=following)


def _before(
    found: Sequence[T], moment: Callable[[T], int], cursor: int | None, limit: int
) -> tuple[Sequence[T], str | None]:
    """A page of what is before the cursor, newest first, and the cursor of the next page."""
    held = [one for one in found if cursor is None or moment(one) < cursor]
    return held[:limit], str(moment(held[limit - 1])) if len(held) > limit else None


@router.get("/{unit}/due", response_model=shapes.DuePage)
def due(desk: AtDesk, scope: Reader, unit: str) -> Any:
    """Due work of one unit, most pressing first."""
    find(desk, scope, unit)
    rows = pages.due(desk.registry, scope, unit)
    return shapes.DuePage(items=[telling.due_out(item, of) for item, of, _, _ in rows])

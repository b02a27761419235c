"""Lines to bill, as CSV: work that is done and not billed yet."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter
from starlette.responses import Response

from dashboard.deps import AtDesk, Desk, Reader, require
from dashboard.exports.sheets import csv_of
from fleet.calendar import local_date
from fleet.model import Job, JobStep, Scope
from fleet.registry import jobs as kept
from fleet.registry import pages
from fleet.registry.technicians import say_parts

router = APIRouter(include_in_schema=False)


@router.get("/jobs/billing.csv", dependencies=[require("office", right=None)])
def billing(desk: AtDesk, scope: Reader) -> Response:
    """Lines to bill: work that is done and not billed yet; where nothing was done there is no line."""
    done = kept.jobs(desk.registry, scope, states=["done"])
    rows = [line(desk, scope, job) for job in done if not job.nothing]
    text = csv_of(BILLING, rows)
    return Response(
        text,
        media_type="text/csv; charset=utf-8",
        headers={"content-disposition": 'attachment; filename="billing.csv"'},
    )


BILLING = (
    "job",
    "done_on",
    "customer",
    "site",
    "unit",
    "work",
    "minutes_planned",
    "minutes_used",
    "parts",
    "under_warranty",
    "done",
    "by",
)


def line(desk: Desk, scope: Scope, job: Job) -> tuple[Any, ...]:
    """One line of the bill: what was done and used, not what was planned, where somebody said so."""
    row = pages.unit(desk.registry, scope, job.unit) if job.unit else None
    last = next(
        (s for s in kept.steps(desk.registry, scope, job.id)[::-1] if s.kind == "finish"), None
    )
    zone = row.site.time_zone if row else "UTC"
    on = local_date(last.facts.get("done_at", last.at), zone).isoformat() if last else ""
    parts = job.parts if job.parts_used is None else job.parts_used
    contract = kept.contracts(desk.registry, scope).get(job.customer)
    until = contract.warranty.get(job.unit, "") if contract else ""
    return (
        job.id,
        on,
        row.customer.name if row else "",
        row.site.name if row else "",
        job.unit,
        job.title,
        job.minutes,
        job.minutes_used if job.minutes_used is not None else "",
        say_parts(parts),
        "yes" if until and on and on <= until else "no",
        *_said(last),
    )


def _said(last: JobStep | None) -> tuple[str, str]:
    """What was done, and by whom."""
    if last is None:
        return "", ""
    done = [*map(str, last.facts.get("done", ())), str(last.facts.get("words", ""))]
    return "; ".join(filter(None, done)) or last.note, str(last.facts.get("for", last.by))

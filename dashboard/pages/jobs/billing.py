"""Lines to bill, as CSV: work that is done and not billed yet."""

from __future__ import annotations

from dataclasses import astuple, dataclass, fields

from fastapi import APIRouter
from starlette.responses import Response

from dashboard.exports.sheets import csv_of
from dashboard.request_context import CurrentScope, Services, TheServices, require
from fleet.calendar import local_date
from fleet.model import Job, JobStep, Scope
from fleet.registry import lists
from fleet.registry.office import kept_jobs
from fleet.registry.office.technicians import say_parts

router = APIRouter(include_in_schema=False)


@router.get("/jobs/billing.csv", dependencies=[require("office", right=None)])
def billing(services: TheServices, scope: CurrentScope) -> Response:
    """Lines to bill: work that is done and not billed yet; where nothing was done there is no line."""
    done = kept_jobs.jobs(services.registry, scope, states=["done"])
    rows = [line(services, scope, job) for job in done if not job.nothing]
    text = csv_of([column.name for column in fields(BillLine)], [astuple(row) for row in rows])
    return Response(
        text,
        media_type="text/csv; charset=utf-8",
        headers={"content-disposition": 'attachment; filename="billing.csv"'},
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class BillLine:
    """One line to bill; its fields are the columns, in their order. minutes_used '': nobody said."""

    job: str
    done_on: str
    customer: str
    site: str
    unit: str
    work: str
    minutes_planned: int
    minutes_used: int | str
    parts: str
    under_warranty: str
    done: str
    by: str


def line(services: Services, scope: Scope, job: Job) -> BillLine:
    """One line of the bill: what was done and used, not what was planned, where somebody said so."""
    row = lists.unit(services.registry, scope, job.unit) if job.unit else None
    last = next(
        (s for s in kept_jobs.steps(services.registry, scope, job.id)[::-1] if s.kind == "finish"),
        None,
    )
    zone = row.site.time_zone if row else "UTC"
    on = local_date(last.facts.get("done_at", last.at), zone).isoformat() if last else ""
    parts = job.parts if job.parts_used is None else job.parts_used
    contract = kept_jobs.contracts(services.registry, scope).get(job.customer)
    until = contract.warranty.get(job.unit, "") if contract else ""
    done, by = _said(last)
    return BillLine(
        job=job.id,
        done_on=on,
        customer=row.customer.name if row else "",
        site=row.site.name if row else "",
        unit=job.unit,
        work=job.title,
        minutes_planned=job.minutes,
        minutes_used=job.minutes_used if job.minutes_used is not None else "",
        parts=say_parts(parts),
        under_warranty="yes" if until and on and on <= until else "no",
        done=done,
        by=by,
    )


def _said(last: JobStep | None) -> tuple[str, str]:
    """What was done, and by whom."""
    if last is None:
        return "", ""
    done = [*map(str, last.facts.get("done", ())), str(last.facts.get("words", ""))]
    return "; ".join(filter(None, done)) or last.note, str(last.facts.get("for", last.by))

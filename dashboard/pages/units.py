"""Units: find a set in three seconds, by surname, street, area or id."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboard import frames, phrases
from dashboard.deps import LIVE, AtDesk, Reader
from fleet import words
from fleet.model import SEVERITIES, Customer, Site, Unit, UnitSummary
from fleet.registry import pages

router = APIRouter(include_in_schema=False, dependencies=LIVE)

A_PAGE = 100


@router.get("/units", response_class=HTMLResponse)
def units(
    request: Request,
    desk: AtDesk,
    scope: Reader,
    q: Annotated[str, Query(max_length=100)] = "",
    condition: str = "",
    severity: str = "",
    after: Annotated[str, Query(max_length=64)] = "",
) -> Response:
    condition = condition if condition in frames.GLYPHS else ""
    severity = severity if severity in (*SEVERITIES, "none") else ""
    rows = pages.units(
        desk.registry, scope, q, None, A_PAGE + 1, after or None,
        condition=condition or None, severity={"": None, "none": ""}.get(severity, severity),
    )  # fmt: skip
    if q and len(rows) == 1 and rows[0][0].id.lower() == q.strip().lower():
        return RedirectResponse(f"/units/{rows[0][0].id}", 303)
    now = desk.clock()
    return frames.page(
        request,
        scope,
        "units.html",
        "units",
        now=now,
        q=q,
        condition=condition,
        severity=severity,
        conditions=list(frames.GLYPHS),
        severities=SEVERITIES,
        rows=[line(*row, now) for row in rows[:A_PAGE]],
        following=rows[A_PAGE - 1][0].id if len(rows) > A_PAGE else "",
        filtered=bool(q or condition or severity),
        total=pages.counts(desk.registry, scope).units,
        first=not after,
    )


def line(
    unit: Unit, site: Site, customer: Customer, summary: UnitSummary | None, now: int
) -> dict[str, Any]:
    """One row of the list."""
    row: dict[str, Any] = {
        **frames.named(unit, site, customer),
        "phone": unit.phone or site.phone or customer.phone,
        "condition": summary.condition if summary else None,
        "heard": "never",
        "hours": "",
        "findings": [],
        "more": 0,
    }
    if summary is None:
        return row
    grave = [f for f in summary.findings if f.severity != "note"]
    grave.sort(key=lambda f: (SEVERITIES.index(f.severity), f.since))
    if summary.heard_at is not None:
        row["heard"] = phrases.fresh(summary.heard_at, site.time_zone, now)
    if summary.hours.hours_h is not None:
        row["hours"] = words.hours(summary.hours.hours_h)
    row["findings"] = [
        {"severity": f.severity, "title": words.sentence(f, site.time_zone, now).title}
        for f in grave[:2]
    ]
    row["more"] = max(0, len(grave) - 2)
    return row

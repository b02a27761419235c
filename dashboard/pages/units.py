"""Units: find a set in three seconds, by surname, street, area or id."""

from __future__ import annotations

from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboard import frames, phrases
from dashboard.deps import LIVE, AtDesk, Reader
from fleet import words
from fleet.model import SEVERITIES, Customer, Site, Unit, UnitSummary
from fleet.registry import pages
from fleet.words.readiness import READINESS
from fleet.words.readiness import readiness as ready_words

router = APIRouter(include_in_schema=False, dependencies=LIVE)

A_PAGE = 100
READINESS_LISTS: dict[str, str] = {
    **{str(word): name for word, name in READINESS.items()},
    "silent": "Unknown: silent",
    "too_new": "Unknown: too new",
}
"""What a list may be narrowed to: the five words, and the unknown told apart."""


@router.get("/units", response_class=HTMLResponse)
def units(
    request: Request,
    desk: AtDesk,
    scope: Reader,
    q: Annotated[str, Query(max_length=100)] = "",
    condition: str = "",
    severity: str = "",
    readiness: str = "",
    area: Annotated[str, Query(max_length=100)] = "",
    after: Annotated[str, Query(max_length=64)] = "",
) -> Response:
    condition = condition if condition in frames.GLYPHS else ""
    severity = severity if severity in (*SEVERITIES, "none") else ""
    readiness = readiness if readiness in READINESS_LISTS else ""
    rows = pages.units(
        desk.registry,
        scope,
        q,
        area or None,
        A_PAGE + 1,
        after or None,
        condition=condition or None,
        severity={"": None, "none": ""}.get(severity, severity),
        readiness=readiness or None,
    )
    wanted = {
        "q": q,
        "condition": condition,
        "severity": severity,
        "readiness": readiness,
        "area": area,
    }
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
        readiness=readiness,
        readiness_lists=READINESS_LISTS,
        area=area,
        areas=pages.areas(desk.registry, scope),
        conditions=list(frames.GLYPHS),
        severities=SEVERITIES,
        rows=[line(*row, now) for row in rows[:A_PAGE]],
        following=rows[A_PAGE - 1][0].id if len(rows) > A_PAGE else "",
        filtered=any(wanted.values()),
        kept=urlencode({name: value for name, value in wanted.items() if value}),
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
        "ready": summary.readiness.state if summary and summary.readiness else "unknown",
        "why": _why(summary, site.time_zone, now),
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


def _why(summary: UnitSummary | None, zone: str, now: int) -> str:
    """The reason or proof of its readiness, without the word that stands beside it."""
    said = ready_words(summary.readiness if summary else None, zone, now).partition(": ")[2]
    return said[:1].upper() + said[1:]

"""What was done: sign-ins, changes of people, tokens and links, records. For the owner."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse

from dashboard import frames
from dashboard.bounds import RowNumber
from dashboard.deps import AtDesk, Looking, require
from dashboard.people.words import AUDIT_WORDS, when
from fleet.registry import people
from fleet.registry.people import AuditRow

router = APIRouter(
    include_in_schema=False, dependencies=[require("owner", right=None, person=True)]
)
A_PAGE = 100


@router.get("/people/done", response_class=HTMLResponse)
def done(
    request: Request,
    desk: AtDesk,
    viewer: Looking,
    kind: str = "",
    before: RowNumber | None = None,
) -> HTMLResponse:
    kind = kind if kind in AUDIT_WORDS else ""
    found = people.audit(desk.registry, A_PAGE + 1, before, kind or None)
    now = desk.clock()
    return frames.page(
        request,
        viewer.scope,
        "people/done.html",
        "people",
        now=now,
        kind=kind,
        kinds=AUDIT_WORDS,
        rows=[_line(row, now) for row in found[:A_PAGE]],
        first=before is None,
        following=found[A_PAGE - 1].id if len(found) > A_PAGE else None,
    )


def _line(row: AuditRow, now: int) -> dict[str, Any]:
    about = ", ".join(filter(None, (row.subject, row.detail)))
    return {
        "when": when(row.at, now),
        "what": AUDIT_WORDS.get(row.kind, row.kind),
        "who": row.who,
        "about": about,
        "address": row.address,
    }

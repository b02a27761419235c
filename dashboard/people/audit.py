"""What was done: sign-ins, changes of people, tokens and links, records. For the owner."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse

from dashboard import frames
from dashboard.people.labels import AUDIT_WORDS, when
from dashboard.request_context import CurrentViewer, RowNumber, TheServices, require
from fleet.registry import people
from fleet.registry.people import AuditKind, AuditRow

router = APIRouter(
    include_in_schema=False, dependencies=[require("owner", right=None, person=True)]
)
A_PAGE = 100
"""Rows. A page's length."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditLine:
    """One line of what was done, in words."""

    when: str
    what: str
    who: str
    about: str
    address: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditPage:
    """What was done. kind: the only one shown, '' for all; kinds: to choose from, in words;
    following: the number before which the next page begins, None on the last."""

    kind: str
    kinds: dict[AuditKind, str]
    rows: tuple[AuditLine, ...]
    first: bool
    following: int | None


@router.get("/people/done", response_class=HTMLResponse)
def audit(
    request: Request,
    services: TheServices,
    viewer: CurrentViewer,
    kind: str = "",
    before: RowNumber | None = None,
) -> HTMLResponse:
    kind = kind if kind in AUDIT_WORDS else ""
    found = people.audit(services.registry, A_PAGE + 1, before, kind or None)
    now = services.clock()
    view = AuditPage(
        kind=kind,
        kinds=AUDIT_WORDS,
        rows=tuple(_line(row, now) for row in found[:A_PAGE]),
        first=before is None,
        following=found[A_PAGE - 1].id if len(found) > A_PAGE else None,
    )
    return frames.render(request, viewer.scope, "people/audit.html", "people", view)


def _line(row: AuditRow, now: int) -> AuditLine:
    return AuditLine(
        when=when(row.at, now),
        what=AUDIT_WORDS.get(row.kind, row.kind),
        who=row.who,
        about=", ".join(filter(None, (row.subject, row.detail))),
        address=row.address,
    )

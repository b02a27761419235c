"""Units: find a set in three seconds, by surname, street, area or id."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboard import frames
from dashboard.request_context import LIVE, CurrentScope, TheServices
from dashboard.views.units import UnitLine, unit_line
from fleet.model import SEVERITIES
from fleet.registry import lists
from fleet.words.readiness_sentences import READINESS

router = APIRouter(include_in_schema=False, dependencies=LIVE)

A_PAGE = 100
"""Sets of a page. A page's length."""
READINESS_LISTS: dict[str, str] = {
    **{str(word): name for word, name in READINESS.items()},
    "silent": "Unknown: silent",
    "too_new": "Unknown: too new",
}
"""What a list may be narrowed to: the five words, and the unknown told apart."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What a list of sets is narrowed to; empty: not. q: words that must occur in its facts."""

    q: str = ""
    condition: str = ""
    severity: str = ""
    readiness: str = ""
    area: str = ""

    @property
    def pairs(self) -> dict[str, str]:
        """What is asked for, as an address carries it."""
        asked = {
            "q": self.q,
            "condition": self.condition,
            "severity": self.severity,
            "readiness": self.readiness,
            "area": self.area,
        }
        return {name: value for name, value in asked.items() if value}


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitsScreen:
    """The list of sets, and what it can be narrowed to.

    following: the id after which the next page begins; first: whether this is the first one; total:
    sets in the register. now: UTC seconds.
    """

    now: int
    wanted: Wanted
    readiness_lists: dict[str, str]
    areas: list[str]
    conditions: list[str]
    severities: tuple[str, ...]
    rows: list[UnitLine]
    following: str
    total: int
    first: bool

    @property
    def kept(self) -> str:
        """What is asked for, as the query of an address."""
        return urlencode(self.wanted.pairs)


@router.get("/units", response_class=HTMLResponse)
def units(
    request: Request,
    services: TheServices,
    scope: CurrentScope,
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
    rows = lists.units(
        services.registry,
        scope,
        q,
        area or None,
        A_PAGE + 1,
        after or None,
        condition=condition or None,
        severity={"": None, "none": ""}.get(severity, severity),
        readiness=readiness or None,
    )
    if q and len(rows) == 1 and rows[0][0].id.lower() == q.strip().lower():
        return RedirectResponse(f"/units/{rows[0][0].id}", 303)
    now = services.clock()
    view = UnitsScreen(
        now=now,
        wanted=Wanted(q=q, condition=condition, severity=severity, readiness=readiness, area=area),
        readiness_lists=READINESS_LISTS,
        areas=lists.areas(services.registry, scope),
        conditions=list(frames.GLYPHS),
        severities=SEVERITIES,
        rows=[unit_line(*row, now, scope) for row in rows[:A_PAGE]],
        following=rows[A_PAGE - 1][0].id if len(rows) > A_PAGE else "",
        total=lists.counts(services.registry, scope).units,
        first=not after,
    )
    return frames.render(request, scope, "units.html", "units", view)

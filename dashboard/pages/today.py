"""Today: what happened, who needs me, and every set by area."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse

from dashboard import frames
from dashboard.request_context import LIVE, CurrentScope, TheServices
from dashboard.views.audience import sentence_for
from dashboard.views.readiness import ReadinessCountView, readiness_count
from dashboard.views.today import Area, Need, Row, areas, needs, off_tolerance, tails
from fleet.model import SEVERITIES, Scope, Severity
from fleet.registry import lists
from fleet.registry.base.engine import Registry

router = APIRouter(include_in_schema=False, dependencies=LIVE)

FOLD_AT = 150
"""From this many sets on, areas without anything to do are folded. A page's length."""
ONLY_GRAVE_ABOVE = 600
"""Above this many sets only what is not normal is shown. A page's length."""
NEEDS_AT_MOST = 60
TILES_AT_MOST = 600
"""A wall of more tiles tells nobody anything; the lists behind the counts hold them all. A page's
length."""

GRAVE = SEVERITIES[:-1]


@dataclass(frozen=True, slots=True, kw_only=True)
class TodayScreen:
    """The Today page: the sentence with its parts, who needs somebody, every set by area.

    severities: (severity, sets whose gravest finding it is); needs_more and tiles_more: left out;
    tails: id to its end, for sets of one site. only_grave: a large fleet, where only what is not
    normal is shown. now: UTC seconds.
    """

    now: int
    ready: ReadinessCountView
    severities: list[tuple[Severity, int]]
    needs: list[Need]
    needs_more: int
    areas: list[Area]
    tiles_more: int
    tails: dict[str, str]
    off_tolerance: int
    only_grave: bool

    @property
    def needing(self) -> int:
        """Sets with something to act on."""
        return sum(number for _, number in self.severities)


@router.get("/", response_class=HTMLResponse)
def today(request: Request, services: TheServices, scope: CurrentScope) -> HTMLResponse:
    counts = lists.counts(services.registry, scope)
    now, say = services.clock(), sentence_for(scope)
    rows = list(_rows(services.registry, scope, counts.units))
    urgent = needs(rows, now, say)
    shown = rows[:TILES_AT_MOST]
    view = TodayScreen(
        now=now,
        ready=readiness_count(counts),
        severities=[(s, counts.by_severity.get(s, 0)) for s in GRAVE],
        needs=urgent[:NEEDS_AT_MOST],
        needs_more=max(0, len(urgent) - NEEDS_AT_MOST),
        areas=areas(shown, now, fold=counts.units >= FOLD_AT, say=say),
        tiles_more=len(rows) - len(shown),
        tails=tails(rows),
        off_tolerance=off_tolerance(rows),
        only_grave=counts.units > ONLY_GRAVE_ABOVE,
    )
    return frames.render(request, scope, "today.html", "today", view)


def _rows(registry: Registry, scope: Scope, units: int) -> Iterable[Row]:
    """Every unit; on a large fleet those with a finding to act on, the gravest first, and those
    that are not ready."""
    if units <= ONLY_GRAVE_ABOVE:
        yield from _all(registry, scope, {})
        return
    seen: set[str] = set()
    kinds: list[dict[str, str]] = [{"severity": severity} for severity in GRAVE]
    for wanted in [*kinds, {"readiness": "not_ready"}]:
        for row in _all(registry, scope, wanted):
            if row[0].id not in seen:
                seen.add(row[0].id)
                yield row


def _all(registry: Registry, scope: Scope, wanted: dict[str, str]) -> Iterable[Row]:
    """Every unit of one kind, a thousand at a time."""
    cursor = None
    while True:
        rows = lists.units(registry, scope, limit=1000, cursor=cursor, **wanted)
        yield from rows
        if len(rows) < 1000:
            return
        cursor = rows[-1][0].id

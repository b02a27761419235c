"""Out of tolerance: every set whose volts or hertz are out or on their way out, worst first."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, get_args

from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse

from dashboard import frames, phrases
from dashboard.deps import LIVE, AtDesk, Reader
from fleet import words
from fleet.findings import supply
from fleet.model import SEVERITIES, Customer, Finding, Scope, Site, Unit, UnitSummary
from fleet.registry import pages
from fleet.registry.engine import Registry

router = APIRouter(include_in_schema=False, dependencies=LIVE)

Row = tuple[Unit, Site, Customer, UnitSummary | None]
GROUPS: tuple[supply.Group, ...] = get_args(supply.Group)
ROWS_AT_MOST = 400


@router.get("/tolerance", response_class=HTMLResponse)
def tolerance(request: Request, desk: AtDesk, scope: Reader) -> HTMLResponse:
    now = desk.clock()
    found = [line for row in rows(desk.registry, scope) for line in lines(row, now)]
    found.sort(key=lambda line: line["order"])
    shown = found[:ROWS_AT_MOST]
    return frames.page(
        request,
        scope,
        "tolerance.html",
        "more",
        now=now,
        groups=[
            {"name": name, "rows": inside}
            for name in GROUPS
            if (inside := [line for line in shown if line["group"] == name])
        ],
        sets=len({line["id"] for line in found}),
        cut=len(found) - len(shown),
        units=pages.counts(desk.registry, scope).units,
    )


def rows(registry: Registry, scope: Scope) -> Iterable[Row]:
    """Every unit the reader may see."""
    cursor = None
    while True:
        found = pages.units(registry, scope, limit=1000, cursor=cursor)
        yield from found
        if len(found) < 1000:
            return
        cursor = found[-1][0].id


def lines(row: Row, now: int) -> list[dict[str, Any]]:
    """What is said of one set: a line a finding of volts and hertz."""
    unit, site, customer, summary = row
    return [
        frames.named(unit, site, customer) | line(finding, site.time_zone, now)
        for finding in (summary.findings if summary else ())
        if isinstance(finding.facts, supply.OfSupply)
    ]


def line(finding: Finding, zone: str, now: int) -> dict[str, Any]:
    """One finding in words. share: how far, as a part of the way to its limit."""
    said = words.sentence(finding, zone, now)
    facts = finding.facts
    assert isinstance(facts, supply.OfSupply)
    name, share = supply.group(facts), supply.share_of(facts)
    return {
        "group": name,
        "severity": finding.severity,
        "said": said.title,
        "seen": said.seen,
        "do": said.do,
        "share": f"{share:.0%} of the way" if share is not None else "",
        "since": phrases.since(finding.since, zone, now),
        "order": (
            GROUPS.index(name),
            SEVERITIES.index(finding.severity),
            -share if share is not None else 0.0,
            finding.since,
            finding.kind,
        ),
    }

"""GET /api/outages: outages and how each set of the caller's scope fares in them."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query

from dashboard.api import shapes
from dashboard.api.units import Cursor
from dashboard.deps import AtDesk, Reader, require
from fleet import words
from fleet.model import Outage
from fleet.registry import outages as kept
from scheduler.outage import call_list, finding

router = APIRouter(prefix="/api", tags=["fleet"], dependencies=[require("reader")])


@router.get("/outages", response_model=shapes.OutagePage)
def outages(
    desk: AtDesk,
    scope: Reader,
    limit: Annotated[int, Query(ge=1, le=100)] = 20,
    cursor: Cursor = None,
) -> Any:
    """Outages, open ones first, then the newest. Sets in the order in which they are to be called:
    without cover, not heard, with little fuel, covered; seconds of cover once the mains is back."""
    found = kept.outages(desk.registry, scope, limit + 1, cursor or "")
    now = desk.clock()
    items = [outage_out(outage, now) for outage in found[:limit]]
    return shapes.OutagePage(items=items, next=found[limit - 1].id if len(found) > limit else None)


def outage_out(outage: Outage, now: int) -> shapes.OutageOut:
    said = words.sentence(finding(outage), outage.zone, now)
    return shapes.OutageOut.model_validate(
        {
            "id": outage.id,
            "subject": outage.subject,
            "area": outage.area,
            "one_site": outage.alone,
            "part_of": outage.into or None,
            "began_at": outage.began_at,
            "began_earliest_at": outage.began_earliest,
            "ended_at": outage.ended_at,
            "severity": finding(outage).severity,
            "sentence": said.text,
            "cautions": list(said.cautions),
            "units": [
                {
                    "unit": m.unit,
                    "site": m.site,
                    "customer": m.customer,
                    "criticality": m.criticality,
                    "cover": m.cover,
                    "since": m.since,
                    "lost_at": m.lost_at,
                    "lost_earliest_at": m.lost_earliest,
                    "lost_seen_here": m.here,
                    "back_at": m.back_at,
                    "heard_at": m.heard_at,
                    "covered_s": m.covered_s,
                    "uncovered_s": m.uncovered_s,
                    "unproven_s": m.unproven_s,
                }
                for m in call_list(outage.members)
            ],
        }
    )

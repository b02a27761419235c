"""GET /api/quarantine: what could not be taken, with its reason."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query

from dashboard.api import shapes
from dashboard.api.units import Limit
from dashboard.bounds import RowNumber
from dashboard.deps import AtDesk, Reader, require
from fleet.registry import pages

router = APIRouter(prefix="/api", tags=["service"], dependencies=[require("reader", whole=True)])


@router.get("/quarantine", response_model=shapes.QuarantinePage)
def quarantine(
    desk: AtDesk,
    scope: Reader,
    device: Annotated[str | None, Query(max_length=64)] = None,
    limit: Limit = 100,
    cursor: RowNumber | None = None,
) -> Any:
    """Messages set aside, newest first."""
    rows = pages.quarantine(desk.registry, scope, device, limit + 1, cursor)
    items = [
        shapes.QuarantineOut(
            id=row.id,
            device=row.item.device,
            topic=row.item.topic,
            received_at=row.item.received_at,  # type: ignore[arg-type]  # UTC seconds
            reason=row.item.reason,
            fault_of="ours" if row.item.ours else "device",
            size_bytes=row.size,
            payload=row.item.payload.decode("utf-8", "replace"),
        )
        for row in rows[:limit]
    ]
    return shapes.QuarantinePage(items=items, next=str(items[-1].id) if len(rows) > limit else None)

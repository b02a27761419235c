"""/events: which units changed, as server-sent events filtered by the reader's Scope."""

from __future__ import annotations

import logging
from collections.abc import AsyncIterable
from typing import Annotated

from fastapi import APIRouter, Depends, Header, Request
from fastapi.sse import EventSourceResponse, ServerSentEvent
from starlette.concurrency import run_in_threadpool

from dashboard.door import neighbourhood
from dashboard.events import Rests
from dashboard.problems import Problem
from dashboard.request_context import (
    CurrentScope,
    CurrentViewer,
    RowNumber,
    TheServices,
    address_of,
    require,
)
from dashboard.viewers import still
from fleet.bounds import ROW_MOST, whole
from fleet.registry.base.faults import RegistryFault

RESTS_MS = 60_000
"""How long the oldest of too many pages rests before it listens again. A pace of ours."""
log = logging.getLogger(__name__)


def room(request: Request, services: TheServices) -> str:
    """The address a page listens from. Raises Problem 429 where too many listen from there."""
    place = neighbourhood(address_of(request))
    if services.feed.full(place):
        raise Problem(
            429,
            "Too many pages keep themselves fresh from your address. This one can be read, "
            "and looks again in a minute.",
            retry_after_s=RESTS_MS // 1000,
        )
    return place


router = APIRouter(include_in_schema=False, dependencies=[require("reader")])


@router.get("/events", response_class=EventSourceResponse)
async def events(
    services: TheServices,
    viewer: CurrentViewer,
    scope: CurrentScope,
    place: Annotated[str, Depends(room)],
    after: RowNumber | None = None,
    last_event_id: Annotated[str | None, Header()] = None,
) -> AsyncIterable[ServerSentEvent]:
    """News after change `after` (a browser that reconnects says its own). One event a second at
    most, with the units that changed; null: read everything anew. Ends with the viewer's session,
    token or link.
    """
    yield ServerSentEvent(comment="listening", retry=3000)
    try:
        who = viewer.key or place
        async for news in services.feed.listen(
            scope, resume_after(last_event_id, after), who, place
        ):
            if not await run_in_threadpool(still, services.registry, viewer, services.clock()):
                return
            units = None if news.units is None else list(news.units)
            yield ServerSentEvent(data={"units": units}, id=str(news.upto))
    except Rests:
        yield ServerSentEvent(comment="too many pages of yours are open", retry=RESTS_MS)
    except RegistryFault as fault:
        # its browser comes again by itself, with the last number it heard
        log.warning("a live page ends, for the registry cannot be read: %s", fault)


def resume_after(last_event_id: str | None, after: int | None) -> int | None:
    """Where the news goes on: the browser's own number before that of the page; one that cannot
    be is as none."""
    try:
        return whole(last_event_id or "", 0, ROW_MOST)
    except ValueError:
        return after

"""/events: which units changed, as server-sent events filtered by the reader's Scope."""

from __future__ import annotations

from collections.abc import AsyncIterable
from typing import Annotated

from fastapi import APIRouter, Header, Query
from fastapi.sse import EventSourceResponse, ServerSentEvent
from starlette.concurrency import run_in_threadpool

from dashboard.deps import AtDesk, Looking, Reader, require
from dashboard.viewers import still

router = APIRouter(include_in_schema=False, dependencies=[require("reader")])


@router.get("/events", response_class=EventSourceResponse)
async def events(
    desk: AtDesk,
    viewer: Looking,
    scope: Reader,
    after: Annotated[int | None, Query(ge=0)] = None,
    last_event_id: Annotated[str | None, Header(max_length=20)] = None,
) -> AsyncIterable[ServerSentEvent]:
    """News after change `after` (a browser that reconnects says its own). One event a second at
    most, with the units that changed; null: read everything anew. Ends with the viewer's session,
    token or link.
    """
    if last_event_id and last_event_id.isdigit():
        after = int(last_event_id)
    yield ServerSentEvent(comment="listening", retry=3000)
    async for news in desk.feed.listen(scope, after):
        if not await run_in_threadpool(still, desk.registry, viewer, desk.clock()):
            return
        units = None if news.units is None else list(news.units)
        yield ServerSentEvent(data={"units": units}, id=str(news.upto))

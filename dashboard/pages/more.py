"""More: on a phone, the way to the pages that have no place in the bar."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse

from dashboard import frames
from dashboard.request_context import CurrentScope, TheServices, require

router = APIRouter(include_in_schema=False, dependencies=[require("reader")])


@router.get("/more", response_class=HTMLResponse)
def more(request: Request, services: TheServices, scope: CurrentScope) -> HTMLResponse:
    return frames.render(request, scope, "more.html", "more", None)

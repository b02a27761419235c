"""HEAD and OPTIONS for every address, and which methods an address takes.

Calendars, feed readers, monitors and link checkers ask so before, or instead of, reading.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Iterator
from typing import Any

from starlette.responses import Response
from starlette.routing import Match
from starlette.types import ASGIApp, Message, Receive, Scope, Send


class Methods:
    """Pure ASGI middleware. HEAD: what GET answers, without its body. OPTIONS: what is allowed."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http" and scope["method"] == "OPTIONS":
            methods = allowed(scope["app"], scope["path"])
            if methods:
                answer = Response(status_code=204, headers={"allow": ", ".join(methods)})
                await answer(scope, receive, send)
                return
        if scope["type"] == "http" and scope["method"] == "HEAD":
            await _head(self.app, scope, receive, send)
            return
        await self.app(scope, receive, send)


async def _head(app: ASGIApp, scope: Scope, receive: Receive, send: Send) -> None:
    """GET, whose answer ends with its head: a stream is told that its reader left."""
    ended = asyncio.Event()

    async def heads(message: Message) -> None:
        if message["type"] == "http.response.start":
            await send(message)
        elif not ended.is_set():
            ended.set()
            await send({"type": "http.response.body", "body": b"", "more_body": False})

    async def until_ended() -> Message:
        asked = asyncio.ensure_future(receive())
        waits: list[asyncio.Future[Any]] = [asked, asyncio.ensure_future(ended.wait())]
        try:
            done, _ = await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
            return asked.result() if asked in done else {"type": "http.disconnect"}
        finally:
            for wait in waits:
                wait.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await asyncio.gather(*waits, return_exceptions=True)

    await app({**scope, "method": "GET"}, until_ended, heads)


def allowed(app: Any, path: str) -> tuple[str, ...]:
    """The methods that an address takes, in order; empty where there is nothing at it."""
    scope = {"type": "http", "path": path, "method": "", "root_path": "", "headers": []}
    found: set[str] = set()
    for route in _routes(app.routes):
        if route.matches(scope)[0] is not Match.NONE:
            found |= set(route.methods or ())
    if "GET" in found:
        found.add("HEAD")
    return tuple(sorted(found | {"OPTIONS"})) if found else ()


def _routes(held: Any) -> Iterator[Any]:
    """Every route, those of the app's routers too."""
    for route in held:
        if hasattr(route, "methods") and hasattr(route, "matches"):
            yield route
        elif hasattr(route, "original_router"):
            yield from _routes(route.original_router.routes)
        elif hasattr(route, "routes"):
            yield from _routes(route.routes)

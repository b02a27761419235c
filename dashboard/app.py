"""The web app, built by one call: `create_app(settings)`. Nothing starts or connects at import."""

from __future__ import annotations

import logging
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware

from dashboard import frames, problems
from dashboard.api import ROUTERS as API
from dashboard.assets import FOREVER, Assets
from dashboard.deps import Desk, Reader
from dashboard.events import Feed
from dashboard.guard import LOOPBACK, Guard
from dashboard.pages import ROUTERS as PAGES
from fleet import clock
from fleet.history import History, StoreDown, StoreFault, open_history
from fleet.registry.engine import Registry, open_registry
from fleet.registry.types import RegistryDown
from fleet.settings import Settings

log = logging.getLogger(__name__)


class NotLoopback(Exception):
    """The pages were asked to be served to other machines before there are people and roles."""


def check_host(host: str) -> None:
    """Refuse any address but this machine's own. Raises NotLoopback with what to do."""
    if host not in LOOPBACK:
        raise NotLoopback(
            f"http_host is {host}: without people and passwords the pages may be served on "
            "127.0.0.1 only, where nobody but this machine can open them. Set http_host to "
            "127.0.0.1, and reach it from elsewhere through an SSH tunnel."
        )


def create_app(
    settings: Settings,
    registry: Registry | None = None,
    history: History | None = None,
    now: Callable[[], int] = clock.now,
) -> FastAPI:
    """The app over a registry and a history (opened from the settings where not given).

    now: gives UTC seconds; tests hand in their own. Raises NotLoopback on any other http_host.
    """
    check_host(settings.http_host)
    ours = registry is None
    registry = registry if registry is not None else open_registry(settings)
    desk = _desk(settings, registry, history, now)

    @asynccontextmanager
    async def life(app: FastAPI) -> AsyncIterator[None]:
        yield
        desk.feed.close()
        if ours:
            registry.close()

    app = FastAPI(
        title="Hourhand",
        version="1",
        description="Fleet of standby sets: units, readings, runs, starts, due work, alerts. "
        "Times are ISO 8601 UTC; every quantity carries its unit in its name; "
        "errors are RFC 9457 problem details.",
        openapi_url="/api/openapi.json",
        docs_url=None,
        redoc_url=None,
        lifespan=life,
    )
    app.state.desk = desk
    for router in (*API, *PAGES):
        app.include_router(router)
    app.add_api_route("/static/{name}", static, methods=["GET"], include_in_schema=False)
    app.add_middleware(GZipMiddleware, minimum_size=800, compresslevel=5)
    app.add_middleware(Guard)
    _handle_errors(app)
    return app


def _desk(
    settings: Settings, registry: Registry, history: History | None, now: Callable[[], int]
) -> Desk:
    assets = Assets()
    return Desk(
        settings=settings,
        registry=registry,
        history=history if history is not None else open_history(settings, registry),
        clock=now,
        assets=assets,
        templates=frames.environment(assets),
        feed=Feed(registry),
    )


def static(request: Request, scope: Reader, name: str) -> Response:
    """A file named by its content: kept by the browser for good."""
    desk: Desk = request.app.state.desk
    asset = desk.assets.get(name)
    if asset is None:
        raise HTTPException(404)
    headers = {"cache-control": FOREVER, "vary": "accept-encoding"}
    if "gzip" in request.headers.get("accept-encoding", ""):
        headers["content-encoding"] = "gzip"
        return Response(asset.packed, media_type=asset.media_type, headers=headers)
    return Response(asset.plain, media_type=asset.media_type, headers=headers)


def _handle_errors(app: FastAPI) -> None:
    @app.exception_handler(problems.Problem)
    async def ours(request: Request, fault: problems.Problem) -> Response:
        return _answer(request, fault.status, fault.detail, **fault.more)

    @app.exception_handler(HTTPException)
    async def usual(request: Request, fault: HTTPException) -> Response:
        words = USUAL.get(fault.status_code, str(fault.detail))
        return _answer(request, fault.status_code, words)

    @app.exception_handler(RequestValidationError)
    async def unfit(request: Request, fault: RequestValidationError) -> Response:
        errors = [
            {"where": ".".join(str(part) for part in error["loc"]), "message": error["msg"]}
            for error in fault.errors()
        ]
        first = f"{errors[0]['where']}: {errors[0]['message']}." if errors else ""
        return _answer(request, 422, f"The request cannot be used. {first}".strip(), errors=errors)

    @app.exception_handler(RegistryDown)
    async def down(request: Request, fault: RegistryDown) -> Response:
        log.warning("registry down: %s", fault)
        answer = _answer(request, 503, "The registry cannot be reached now. Try again in a minute.")
        answer.headers["retry-after"] = "30"
        return answer

    @app.exception_handler(StoreDown)
    @app.exception_handler(StoreFault)
    async def unread(request: Request, fault: StoreFault) -> Response:
        log.warning("store: %s", fault)
        answer = _answer(request, 503, "Readings cannot be read now. Try again in a minute.")
        answer.headers["retry-after"] = "30"
        return answer

    @app.exception_handler(Exception)
    async def broken(request: Request, fault: Exception) -> Response:
        log.error("request failed: %s %r", request.method, request.url.path, exc_info=fault)
        return _answer(request, 500, "This is a fault of ours and was logged. Try again.")


USUAL = {
    404: "There is nothing at this address. Check it, or start from Today.",
    405: "This address does not take that kind of request.",
}


def _answer(request: Request, status: int, detail: str, **more: object) -> Response:
    path = request.url.path
    if problems.wants_problem(path):
        return problems.problem(status, detail, path, **more)
    return frames.fault_page(request, status, problems.title(status), detail)

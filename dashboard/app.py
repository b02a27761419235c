"""The web app, built by one call: `create_app(settings)`. Nothing starts or connects at import."""

from __future__ import annotations

import logging
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from urllib.parse import urlencode

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import ClientDisconnect
from starlette.responses import JSONResponse, RedirectResponse

from dashboard import api, frames, pages, people, problems, unsent
from dashboard.assets import FOREVER, Assets
from dashboard.door import LOOPBACK, door_of
from dashboard.events import Feed
from dashboard.guard import Guard
from dashboard.hashing import Hashing
from dashboard.methods import Methods, allowed
from dashboard.people import signing
from dashboard.request_context import ANYONE, NotSignedIn, Services, require
from dashboard.server.crowd import Crowd
from dashboard.throttle import Throttle
from fleet import clock
from fleet.history import History, StoreDown, StoreFault, open_history
from fleet.registry.base.engine import Registry, open_registry
from fleet.registry.base.faults import OutOfScope, RegistryDown
from fleet.settings import Settings

log = logging.getLogger(__name__)


class NotLoopback(Exception):
    """The demonstration, which asks nobody for a password, was to be served to other machines."""


def check_host(settings: Settings) -> None:
    """Refuse the demonstration any address but this machine's own. Raises NotLoopback."""
    if settings.demo and settings.http_host not in LOOPBACK:
        raise NotLoopback(
            f"http_host is {settings.http_host}: the demonstration lets everybody look, so it is "
            "served on 127.0.0.1 only. Leave http_host out, and reach it from elsewhere through "
            "an SSH tunnel."
        )


def create_app(
    settings: Settings,
    registry: Registry | None = None,
    history: History | None = None,
    now: Callable[[], int] = clock.now,
) -> FastAPI:
    """The app over a registry and a history (opened from the settings where not given).

    now: gives UTC seconds; tests hand in their own. Raises NotLoopback for a demonstration off loopback.
    """
    check_host(settings)
    ours = registry is None
    registry = registry if registry is not None else open_registry(settings)
    services = _services(settings, registry, history, now)

    @asynccontextmanager
    async def life(app: FastAPI) -> AsyncIterator[None]:
        yield
        services.feed.close()
        services.hashing.close()
        if ours:
            registry.close()

    app = FastAPI(
        title="Hourhand",
        version="1",
        description="Fleet of standby sets: units, readings, runs, starts, due work, alerts. "
        "Times are ISO 8601 UTC; every quantity carries its unit in its name; "
        "errors are RFC 9457 problem details.",
        openapi_url=None,
        docs_url=None,
        redoc_url=None,
        lifespan=life,
    )
    app.state.services = services
    for router in (*api.ROUTERS, *pages.ROUTERS, *people.ROUTERS):
        app.include_router(router)
    for path, answer, whom in (
        ("/static/{name}", static, ANYONE),
        ("/api/openapi.json", contract, require("reader")),
    ):
        app.add_api_route(
            path, answer, methods=["GET"], include_in_schema=False, dependencies=[whom]
        )
    app.add_middleware(GZipMiddleware, minimum_size=800, compresslevel=5)
    app.add_middleware(Methods)
    app.add_middleware(Guard, door=services.door, crowd=services.crowd)
    _handle_errors(app)
    return app


def _services(
    settings: Settings, registry: Registry, history: History | None, now: Callable[[], int]
) -> Services:
    assets = Assets()
    door = door_of(settings)
    return Services(
        settings=settings,
        registry=registry,
        history=history if history is not None else open_history(settings, registry),
        clock=now,
        assets=assets,
        templates=frames.environment(assets),
        feed=Feed(registry, now=now, most_address=settings.http_streams_address),
        door=door,
        crowd=Crowd(settings.http_connections, settings.http_connections_address, door.trusts),
        hashing=Hashing(),
        throttle=Throttle(),
        unsent=unsent.WaitingForms(settings, now),
    )


def static(request: Request, name: str) -> Response:
    """A file named by its content: kept by the browser for good."""
    services: Services = request.app.state.services
    asset = services.assets.get(name)
    if asset is None:
        raise HTTPException(404)
    headers = {"cache-control": FOREVER, "vary": "accept-encoding"}
    if "gzip" in request.headers.get("accept-encoding", ""):
        headers["content-encoding"] = "gzip"
        return Response(asset.packed, media_type=asset.media_type, headers=headers)
    return Response(asset.plain, media_type=asset.media_type, headers=headers)


def contract(request: Request) -> Response:
    """The interface for programs, as OpenAPI."""
    return JSONResponse(request.app.openapi())


def _handle_errors(app: FastAPI) -> None:
    @app.exception_handler(NotSignedIn)
    async def unknown(request: Request, fault: NotSignedIn) -> Response:
        if sends_form(request) and not fault.no_owner:
            return await signing.sign_in_first(request)
        return _let_sign_in(request, fault)

    @app.exception_handler(unsent.Stale)
    async def stale(request: Request, fault: unsent.Stale) -> Response:
        session = request.state.viewer.session
        request.app.state.services.unsent.keep(session.id, fault.unsent)
        return RedirectResponse(fault.unsent.page, 303)

    @app.exception_handler(OutOfScope)
    async def unseen(request: Request, fault: OutOfScope) -> Response:
        return _answer(request, 403, str(fault))

    @app.exception_handler(problems.Problem)
    async def ours(request: Request, fault: problems.Problem) -> Response:
        answer = _answer(request, fault.status, fault.detail, **fault.more)
        if fault.status == 401:
            answer.headers["www-authenticate"] = 'Bearer realm="hourhand"'
        if "retry_after_s" in fault.more:
            answer.headers["retry-after"] = str(fault.more["retry_after_s"])
        return answer

    @app.exception_handler(HTTPException)
    async def usual(request: Request, fault: HTTPException) -> Response:
        words = USUAL.get(fault.status_code, str(fault.detail))
        answer = _answer(request, fault.status_code, words)
        if fault.status_code == 405:
            answer.headers["allow"] = ", ".join(allowed(request.app, request.url.path))
        return answer

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

    @app.exception_handler(ClientDisconnect)
    async def left(request: Request, fault: ClientDisconnect) -> Response:
        return _answer(request, 400, "The request ended before all of it had come.")

    @app.exception_handler(Exception)
    async def broken(request: Request, fault: Exception) -> Response:
        log.error("request failed: %s %r", request.method, request.url.path, exc_info=fault)
        return _answer(request, 500, "This is a fault of ours and was logged. Try again.")


def sends_form(request: Request) -> bool:
    """Whether a person sent a form of ours."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    forms = ("application/x-www-form-urlencoded", "multipart/form-data")
    return (
        request.method == "POST" and kind in forms and not problems.wants_problem(request.url.path)
    )


def _let_sign_in(request: Request, fault: NotSignedIn) -> Response:
    """Programs are told; people are led to the page where they can sign in, or set up."""
    path = request.url.path
    if problems.wants_problem(path) or request.method not in ("GET", "HEAD"):
        words = "Sign in first, or send an API token: Authorization: Bearer TOKEN."
        if fault.no_owner:
            words = "Nobody can sign in yet: open /set-up in a browser and make the first owner."
        answer = _answer(request, 401, words)
        answer.headers["www-authenticate"] = 'Bearer realm="hourhand"'
        return answer
    if fault.no_owner:
        return RedirectResponse("/set-up", 303)
    query = f"?{request.url.query}" if request.url.query else ""
    return RedirectResponse(f"/sign-in?{urlencode({'next': path + query})}", 303)


USUAL = {
    404: "There is nothing at this address. Check it, or start from Today.",
    405: "This address does not take that kind of request.",
}


def _answer(request: Request, status: int, detail: str, **more: object) -> Response:
    path = request.url.path
    if problems.wants_problem(path):
        return problems.problem(status, detail, path, **more)
    return frames.fault_page(request, status, problems.title(status), detail)

"""`python -m dashboard --data DIR [--port N]` serves the pages on this machine; `--health` asks."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import logging
import os
import signal
import ssl
import sys
import threading
import urllib.error
import urllib.request
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import AbstractAsyncContextManager
from pathlib import Path

import msgspec
import uvicorn
from fastapi import FastAPI

from dashboard.app import NotLoopback, check_host, create_app
from dashboard.door import ANY
from dashboard.server import Server, room_for
from dashboard.server.listening import TlsFault, check_pair
from fleet import bounds, clock
from fleet.ending import Ending
from fleet.past import settled
from fleet.registry import people
from fleet.registry.base.engine import Registry
from fleet.registry.base.faults import RegistryFault
from fleet.registry.base.heartbeats import heartbeat
from fleet.registry.base.retry import open_when_up
from fleet.settings import Settings, SettingsFault, load, own

log = logging.getLogger("dashboard")

BEAT_S = 5.0
"""Between two signs of life [s]. A pace of ours."""
IDLE_S = 10
"""Seconds a connection stays open between two requests. A pace of ours."""


def main(argv: list[str] | None = None) -> int:
    """Serve, or with --health ask a serving one. Returns the exit code: 0 well, 1 not, 2 refused."""
    options = _options().parse_args(argv)
    try:
        settings = settled(load(options.data, _environment(options)))
        if options.port is not None:
            settings = msgspec.structs.replace(settings, http_port=options.port)
        if options.health:
            return ask(settings)
        check_host(settings)
        own(settings.data)
        if settings.tls_cert:
            check_pair(settings.tls_cert, settings.tls_key)
        return serve(settings)
    except (SettingsFault, NotLoopback, RegistryFault, TlsFault) as refusal:
        print(refusal, file=sys.stderr)
        return 2


def _options() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m dashboard",
        description="The pages and the HTTP interface; on loopback unless http_host says more.",
        epilog="Example: python -m dashboard --data hourhand-data --cert site.pem --key site.key",
    )
    parser.add_argument("--data", type=Path, metavar="DIR", help="folder that holds everything")
    parser.add_argument(
        "--port",
        type=bounds.argument(1, bounds.PORT_MOST),
        metavar="N",
        help="port to serve on (http_port)",
    )
    parser.add_argument("--cert", metavar="FILE", help="certificate with its chain (tls_cert)")
    parser.add_argument("--key", metavar="FILE", help="private key of it (tls_key)")
    parser.add_argument("--health", action="store_true", help="say whether one is serving")
    return parser


def _environment(options: argparse.Namespace) -> dict[str, str]:
    """The environment, with the files named on the command line over it."""
    named = {"HOURHAND_TLS_CERT": options.cert, "HOURHAND_TLS_KEY": options.key}
    return {**os.environ, **{name: file for name, file in named.items() if file is not None}}


def invite_owner(registry: Registry, settings: Settings) -> None:
    """Until there is an owner: say where to set one up, with a one-time code."""
    code = None if settings.demo else people.make_set_up_code(registry, clock.now())
    if code is None:
        return
    host = settings.http_host
    scheme = "https" if settings.tls_cert else "http"
    name = next(iter(settings.names), "127.0.0.1") if host in ANY else host
    print(
        f"Nobody can sign in yet. Make the first owner at {scheme}://{name}:{settings.http_port}"
        f"/set-up; from another machine this code is asked for, once: {code}",
        flush=True,
    )


def serve(settings: Settings) -> int:
    """Serve until told to stop."""
    logging.basicConfig(
        level=settings.log_level.upper(), format="%(levelname)s %(name)s %(message)s"
    )
    stop = Ending()
    with signals_set(stop):
        registry = open_when_up(settings, stop, log.warning)
    if registry is None:
        return 0
    app = create_app(settings, registry)
    app.router.lifespan_context = _beating(app, registry)
    invite_owner(registry, settings)
    crowd = app.state.services.crowd
    crowd.most = room_for(crowd.most)
    if crowd.most < settings.http_connections:
        log.warning(
            "this process may hold %d connections, not the %d of http_connections: raise its "
            "limit of open files",
            crowd.most,
            settings.http_connections,
        )
    server = Server(configured(app, settings), crowd)
    with contextlib.suppress(KeyboardInterrupt):
        server.run()
    registry.close()
    return 0 if server.started else 1


def configured(app: FastAPI, settings: Settings) -> uvicorn.Config:
    """How uvicorn serves the app; what it has no setting for is in `dashboard.server`."""
    return uvicorn.Config(
        app,
        host=settings.http_host,
        port=settings.http_port,
        loop="asyncio",
        http="h11",
        ws="none",
        log_level=settings.log_level,
        access_log=settings.log_level == "debug",
        timeout_graceful_shutdown=2,
        timeout_keep_alive=IDLE_S,
        server_header=False,
        proxy_headers=False,
        ssl_certfile=settings.tls_cert or None,
        ssl_keyfile=settings.tls_key or None,
        ssl_keyfile_password="" if settings.tls_key else None,
    )


@contextlib.contextmanager
def signals_set(stop: threading.Event) -> Iterator[None]:
    """SIGTERM and SIGINT end the waiting; the server's own handlers follow."""
    numbers = (signal.SIGTERM, signal.SIGINT)
    before = {number: signal.signal(number, lambda *_: stop.set()) for number in numbers}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _beating(
    app: FastAPI, registry: Registry
) -> Callable[[FastAPI], AbstractAsyncContextManager[None]]:
    """The app's lifespan with a sign of life every 5 s beside it."""
    inner = app.router.lifespan_context

    @contextlib.asynccontextmanager
    async def life(of: FastAPI) -> AsyncIterator[None]:
        async with inner(of):
            beats = asyncio.create_task(_beat(registry))
            yield
            beats.cancel()

    return life


async def _beat(registry: Registry) -> None:
    while True:
        try:
            await asyncio.to_thread(heartbeat, registry, "dashboard", clock.now(), {})
        except RegistryFault as fault:
            log.warning("no sign of life could be written: %s", fault)
        await asyncio.sleep(BEAT_S)


def ask(settings: Settings) -> int:
    """Ask the serving program how it is; 0 when it answers."""
    host = "127.0.0.1" if settings.http_host in {*ANY, "localhost"} else settings.http_host
    scheme = "https" if settings.tls_cert else "http"
    shown = f"[{host}]" if ":" in host else host
    address = f"{scheme}://{shown}:{settings.http_port}/health"
    request = urllib.request.Request(address, headers={"Host": "127.0.0.1"})
    ours = ssl.create_default_context()
    # Our own program at our own address, by a name its certificate does not bear.
    ours.check_hostname, ours.verify_mode = False, ssl.CERT_NONE
    try:
        with urllib.request.urlopen(request, timeout=5, context=ours) as answer:
            state = json.load(answer)
    except (urllib.error.URLError, OSError, ValueError) as fault:
        print(f"dashboard does not answer at {address}: {fault}", file=sys.stderr)
        return 1
    print(f"dashboard answers at {address}: {state.get('status')}")
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""`python -m dashboard --data DIR [--port N]` serves the pages on this machine; `--health` asks."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import logging
import os
import sys
import urllib.error
import urllib.request
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager
from pathlib import Path

import msgspec
import uvicorn
from fastapi import FastAPI

from dashboard.app import NotLoopback, check_host, create_app
from fleet import clock
from fleet.registry.engine import Registry, open_registry
from fleet.registry.types import RegistryFault
from fleet.registry.work_programs import heartbeat
from fleet.settings import Settings, SettingsFault, load

log = logging.getLogger("dashboard")

BEAT_S = 5.0


def main(argv: list[str] | None = None) -> int:
    """Serve, or with --health ask a serving one. Returns the exit code: 0 well, 1 not, 2 refused."""
    options = _options().parse_args(argv)
    try:
        settings = load(options.data, os.environ)
        if options.port is not None:
            settings = msgspec.structs.replace(settings, http_port=options.port)
        if options.health:
            return ask(settings)
        check_host(settings.http_host)
        return serve(settings)
    except (SettingsFault, NotLoopback, RegistryFault) as refusal:
        print(refusal, file=sys.stderr)
        return 2


def _options() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m dashboard",
        description="The pages and the HTTP interface, on this machine's own address only.",
        epilog="Example: python -m dashboard --data hourhand-data --port 8080",
    )
    parser.add_argument("--data", type=Path, metavar="DIR", help="folder that holds everything")
    parser.add_argument("--port", type=int, metavar="N", help="port to serve on (http_port)")
    parser.add_argument("--health", action="store_true", help="say whether one is serving")
    return parser


def serve(settings: Settings) -> int:
    """Serve until told to stop."""
    logging.basicConfig(
        level=settings.log_level.upper(), format="%(levelname)s %(name)s %(message)s"
    )
    registry = open_registry(settings)
    app = create_app(settings, registry)
    app.router.lifespan_context = _beating(app, registry)
    uvicorn.run(
        app,
        host=settings.http_host,
        port=settings.http_port,
        log_level=settings.log_level,
        access_log=settings.log_level == "debug",
        timeout_graceful_shutdown=2,
        server_header=False,
    )
    registry.close()
    return 0


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
    address = f"http://127.0.0.1:{settings.http_port}/health"
    try:
        with urllib.request.urlopen(address, timeout=5) as answer:
            state = json.load(answer)
    except (urllib.error.URLError, OSError, ValueError) as fault:
        print(f"dashboard does not answer at {address}: {fault}", file=sys.stderr)
        return 1
    print(f"dashboard answers at {address}: {state.get('status')}")
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""`hourhand up`: the service for real, its programs started and watched."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import Any

from fleet import bounds
from fleet.past import replayed, settled
from fleet.settings import load
from hourhand.options import add_command, data_option, registry_of
from hourhand.supervisor import LOOK_S, Supervisor, listens, service

LOOPBACK = ("127.0.0.1", "localhost", "::1")


def add_commands(commands: Any) -> None:
    """Add `up`."""
    up = add_command(
        commands,
        "up",
        "run the service for real on this machine",
        "hourhand up --data /var/lib/hourhand --port 8080",
    )
    data_option(up)
    up.add_argument(
        "--port",
        type=bounds.argument(1, bounds.PORT_MOST),
        help="port of the pages (default: 8080)",
    )
    up.add_argument(
        "--cert",
        type=Path,
        metavar="FILE",
        help="serve HTTPS with this certificate (PEM, with its chain)",
    )
    up.add_argument("--key", type=Path, metavar="FILE", help="private key of the certificate (PEM)")
    up.set_defaults(run=run_up)


def run_up(options: argparse.Namespace) -> int:
    """Everything for real: ingest, scheduler and dashboard against the broker of the settings."""
    given = {"HTTP_PORT": options.port, "TLS_CERT": options.cert, "TLS_KEY": options.key}
    environment = {f"HOURHAND_{name}": str(value) for name, value in given.items() if value}
    settings = settled(load(options.data, {**os.environ, **environment}))
    if listens(settings.http_host, settings.http_port):
        print(f"Port {settings.http_port} is taken: give another with --port.", file=sys.stderr)
        return 2
    registry_of(settings).close()
    past = replayed(settings.data)
    if not past and not listens(settings.mqtt_host, settings.mqtt_port):
        print(
            f"No broker answers at {settings.mqtt_host}:{settings.mqtt_port} yet; "
            "waiting for it (start mosquitto, or set mqtt_host and mqtt_port).",
            file=sys.stderr,
        )
    children = service(settings.data)
    if past:
        children = [child for child in children if child.name == "dashboard"]
        print("A recording was followed here: only the pages are served.", file=sys.stderr)
    supervisor = Supervisor(children, environment)
    supervisor.stop_on_signals()
    supervisor.start_all()
    scheme = "https" if settings.tls_cert else "http"
    name = next(iter(settings.names), settings.http_host)
    print(f"Hourhand serves {scheme}://{name}:{settings.http_port} — Ctrl-C stops it.")
    if not (settings.tls_cert or settings.tls_in_front or settings.http_host in LOOPBACK):
        print(
            "Without TLS nobody can sign in from another machine: give --cert and --key, or put a "
            "proxy that speaks HTTPS in front and set tls_in_front.",
            file=sys.stderr,
        )
    try:
        while not supervisor.stopping.wait(LOOK_S):
            supervisor.look()
    finally:
        supervisor.stop_all()
    return supervisor.verdict()

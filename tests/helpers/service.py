"""The programs of the service as child processes, for journeys and kills."""

from __future__ import annotations

import csv
import io
import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Mapping
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest import mock

import on_postgresql
import paho.mqtt.client as mqtt

from hourhand import command_line

PATIENCE_S = 120.0
"""How long a journey waits before it gives up; no test asserts on how long it took."""

PLAIN_UNIT = {
    "customer": "Hollow Farm",
    "site": "Hollow Farm yard",
    "address": "3 Mill Lane",
    "lat": "54.60",
    "lon": "-3.14",
    "unit": "set-1",
    "device": "set-1",
    "area": "North",
    "cooling": "air",
    "fuel": "lpg",
    "nominal_v": "230",
    "nominal_hz": "50",
    "running_signal": "ac_v",
    "running_on": "200",
    "service_plan": "air_spark",
    "habit": "steady 60 60",
    "phone": "01632 960101",
}


IN_THIS_PROCESS = {"units", "records", "plans", "due", "people", "check"}
"""A program of its own costs a second of loading each time. That it is one, and what comes of its
signals and pipes, is tried with `up`, `replay`, `backup`, `restore` and the installed wheel."""


def in_this_process(
    environment: Mapping[str, str], *arguments: str, said: str = ""
) -> subprocess.CompletedProcess[str]:
    """The command as `python -m hourhand` runs it, with these variables and nothing left behind."""
    out, err = io.StringIO(), io.StringIO()
    umask = os.umask(0o022)
    os.umask(umask)
    try:
        with (
            mock.patch.dict(os.environ, environment, clear=True),
            mock.patch.object(sys, "stdin", io.StringIO(said)),
            redirect_stdout(out),
            redirect_stderr(err),
        ):
            try:
                code = command_line.main(arguments)
            except SystemExit as ended:
                code = ended.code if isinstance(ended.code, int) else 2
    finally:
        os.umask(umask)
    return subprocess.CompletedProcess(list(arguments), code, out.getvalue(), err.getvalue())


def registry_of(data: Path) -> dict[str, str]:
    """What a program is told of its registry: nothing, or its database in a run on PostgreSQL."""
    if not on_postgresql.HOME:
        return {}
    return {"HOURHAND_REGISTRY_URL": on_postgresql.url_for(data / "registry.db")}


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def wait_for(what: str, look: Callable[[], Any], patience_s: float = PATIENCE_S) -> Any:
    """Look until something true comes back; fails naming what never came."""
    deadline = time.monotonic() + patience_s
    while time.monotonic() < deadline:
        found = look()
        if found:
            return found
        time.sleep(0.1)
    raise AssertionError(f"waited {patience_s:.0f} s for {what}")


@dataclass
class Service:
    """One data folder, one broker port, and the programs that run on them."""

    data: Path
    mqtt_port: int
    http_port: int = field(default_factory=free_port)
    processes: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)
    environment: dict[str, str] = field(default_factory=dict)
    token: str = ""

    @property
    def env(self) -> dict[str, str]:
        return {
            **os.environ,
            "HOURHAND_MQTT_PORT": str(self.mqtt_port),
            "HOURHAND_HTTP_PORT": str(self.http_port),
            **registry_of(self.data),
            **self.environment,
        }

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.http_port}"

    def run(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """Run `python -m ARGUMENTS` to its end."""
        return subprocess.run(
            [sys.executable, "-m", *arguments],
            env=self.env,
            capture_output=True,
            text=True,
            check=False,
            timeout=120,
        )

    def hourhand(self, *arguments: str, said: str = "") -> subprocess.CompletedProcess[str]:
        """A command of the box. Those that only read or write the registry run in this process.

        said: what comes by standard input, to a command of this process."""
        if arguments[0] not in IN_THIS_PROCESS:
            return self.run("hourhand", *arguments, "--data", str(self.data))
        return in_this_process(self.env, *arguments, "--data", str(self.data), said=said)

    def register(self, *units: dict[str, str]) -> None:
        """Import a register as a user would."""
        rows = [{**PLAIN_UNIT, **unit} for unit in units or ({},)]
        path = self.data.parent / f"register-{time.monotonic_ns()}.csv"
        with path.open("w", newline="") as file:
            writer = csv.DictWriter(file, sorted({name for row in rows for name in row}))
            writer.writeheader()
            writer.writerows(rows)
        done = self.hourhand("units", "import", str(path))
        assert done.returncode == 0, done.stdout + done.stderr

    def start(self, *programs: str, **more: str) -> None:
        for program in programs:
            with (self.data.parent / f"{program}.log").open("ab") as log:
                self.processes[program] = subprocess.Popen(
                    [sys.executable, "-m", program, "--data", str(self.data)],
                    env={**self.env, **more},
                    stdout=log,
                    stderr=log,
                )

    def kill(self, program: str) -> None:
        process = self.processes.pop(program)
        process.send_signal(signal.SIGKILL)
        process.wait()

    def stop(self) -> None:
        for process in self.processes.values():
            if process.poll() is None:
                process.terminate()
        for process in self.processes.values():
            try:
                process.wait(120)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        self.processes.clear()

    def log(self, program: str) -> str:
        return (self.data.parent / f"{program}.log").read_text(errors="replace")

    def text(self, path: str) -> str | None:
        """What a program with a token reads there, or None while nothing answers."""
        if not self.token:
            made = self.hourhand("people", "token", "tests", "--record")
            assert made.returncode == 0, made.stdout + made.stderr
            self.token = made.stdout.strip()
        asked = urllib.request.Request(
            self.url + path, headers={"Authorization": f"Bearer {self.token}"}
        )
        try:
            with urllib.request.urlopen(asked, timeout=10) as answer:
                return str(answer.read().decode())
        except OSError:
            return None

    def get(self, path: str) -> Any:
        """JSON of the API, or None while it does not answer."""
        said = self.text(path)
        return None if said is None else json.loads(said)

    def add_person(self, login: str, password: str, role: str = "owner") -> None:
        """Somebody who may sign in, by the command of the box."""
        done = self.hourhand(
            "people", "add", login, "--role", role, "--password-stdin", said=f"{password}\n"
        )
        assert done.returncode == 0, done.stdout + done.stderr

    def wait_until_served(self) -> None:
        wait_for("the pages", lambda: self.get("/api/units"))


class Device:
    """A plain MQTT client that speaks the published contract."""

    def __init__(self, port: int, name: str, group: str = "main") -> None:
        self.prefix = f"hourhand/{group}/{name}"
        self.client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, f"device-{name}")
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def publish(self, kind: str, payload: Any, *, retain: bool = False) -> None:
        sent = self.client.publish(
            f"{self.prefix}/{kind}", json.dumps(payload), qos=1, retain=retain
        )
        sent.wait_for_publish(10)
        assert sent.is_published()

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def iso(at: int) -> str:
    return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(at))

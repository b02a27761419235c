"""Container engine and compose tool of this machine, for tests that build and start for real.

`engine()` skips with the reason where there is none. HOURHAND_TEST_COMPOSE may name a compose
command; otherwise `docker compose`, then `podman-compose`. Images: one of the same name under
`localhost/` is taken before the public one, for machines that reach no registry.
"""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import parts
from places import ROOT

BUILD_AT_MOST_S = 1200
STOP_WITHIN_S = "20"


@dataclass(frozen=True)
class Engine:
    """The engine's command line, and its compose tool's."""

    cli: str
    compose: tuple[str, ...]

    def run(self, *arguments: str, **more: Any) -> subprocess.CompletedProcess[str]:
        """Run the engine's command to its end; the caller looks at the exit code."""
        more = {"timeout": 300, **more}
        return subprocess.run(
            [self.cli, *arguments], capture_output=True, text=True, check=False, **more
        )

    def ok(self, *arguments: str, **more: Any) -> str:
        """The command's output; fails with what it said where it did not succeed."""
        done = self.run(*arguments, **more)
        assert done.returncode == 0, f"{self.cli} {' '.join(arguments)}\n{done.stdout}{done.stderr}"
        return done.stdout

    def image(self, name: str) -> str | None:
        """The image to use for a public name: a local one, else the public one, else None."""
        short = name.rpartition("/")[2]
        for candidate in (f"localhost/{short}", f"localhost/{short.partition('.')[0]}", name):
            if self.run("image", "inspect", candidate).returncode == 0:
                return candidate
        return name if self.run("pull", "-q", name).returncode == 0 else None


def engine() -> Engine:
    """This machine's engine, or a skip that says what is missing."""
    parts.need("containers")
    compose = _compose()
    if compose is None:
        parts.skip(
            "containers", "an engine answers but there is no `docker compose` or `podman-compose`"
        )
    assert compose is not None
    cli = "podman" if "podman" in compose[0] else "docker"
    if shutil.which(cli) is None:
        parts.skip("containers", f"there is no {cli} command; install it")
    return Engine(cli, compose)


def _compose() -> tuple[str, ...] | None:
    asked = os.environ.get("HOURHAND_TEST_COMPOSE")
    if asked:
        return tuple(shlex.split(asked))
    if shutil.which("docker"):
        plugin = subprocess.run(["docker", "compose", "version"], capture_output=True, check=False)
        if plugin.returncode == 0:
            return ("docker", "compose")
    beside = Path(sys.executable).with_name("podman-compose")
    found = shutil.which("podman-compose") or (str(beside) if beside.exists() else None)
    return None if found is None else (found,)


@dataclass
class Stack:
    """One project of docker-compose.yml with an `.env` and overrides of its own."""

    engine: Engine
    project: str
    env_file: Path
    overrides: list[Path]
    environment: dict[str, str]

    def compose(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """Run the compose tool on this project."""
        files = [
            part
            for path in (ROOT / "docker-compose.yml", *self.overrides)
            for part in ("-f", str(path))
        ]
        return subprocess.run(
            [
                *self.engine.compose,
                "-p",
                self.project,
                *files,
                "--env-file",
                str(self.env_file),
                *arguments,
            ],
            capture_output=True,
            text=True,
            check=False,
            timeout=600,
            cwd=self.env_file.parent,
            env={**clean_environment(), **self.environment},
        )

    def up(self, *services: str) -> None:
        """Start; under docker compose this waits for what depends on what."""
        done = self.compose("up", "-d", "--no-build", *services)
        assert done.returncode == 0, done.stdout + done.stderr

    def container(self, service: str) -> str:
        """Id of the service's container, running or not; "" where there is none."""
        listed = self.engine.ok(
            "ps",
            "-aq",
            "--filter",
            f"label=com.docker.compose.project={self.project}",
            "--filter",
            f"label=com.docker.compose.service={service}",
        )
        return listed.split()[0] if listed.split() else ""

    def execute(self, service: str, *command: str, **more: Any) -> str:
        """What the command says inside the running container."""
        return self.engine.ok("exec", "-i", self.container(service), *command, **more)

    def inspect(self, service: str, form: str) -> str:
        """A Go template over the container's description."""
        return self.engine.ok("inspect", "--format", form, self.container(service)).strip()

    def healthy(self, service: str) -> bool:
        """Whether its health check passes. podman without systemd has no timer: ask it to look."""
        if self.engine.cli == "podman":
            return self.engine.run("healthcheck", "run", self.container(service)).returncode == 0
        return self.inspect(service, "{{.State.Health.Status}}") == "healthy"

    def log(self, service: str) -> str:
        done = self.engine.run("logs", self.container(service))
        return done.stdout + done.stderr

    def remove(self) -> None:
        """Containers, volumes and network of this project, whatever state they are in."""
        self.compose("down", "-v", "-t", STOP_WITHIN_S)
        for kind in ("container", "volume", "network"):
            every = ("-a",) if kind == "container" else ()
            left = self.engine.ok(
                kind,
                "ls",
                "-q",
                *every,
                "--filter",
                f"label=com.docker.compose.project={self.project}",
            ).split()
            if left:
                self.engine.run(kind, "rm", "-f", *left)


def clean_environment() -> dict[str, str]:
    """The process's environment without anything compose or the programs would read from it."""
    ours = ("HOURHAND_", "POSTGRES_", "INFLUX", "COMPOSE_", "MQTT_", "HTTP_PORT")
    return {name: value for name, value in os.environ.items() if not name.startswith(ours)}


def build(engine: Engine, tag: str, base: str) -> float:
    """Build the image from this checkout; seconds it took."""
    began = time.monotonic()
    nothing_left = ("--layers=false",) if engine.cli == "podman" else ()
    engine.ok(
        "build",
        *nothing_left,
        "--network=host",
        "-f",
        str(ROOT / "Containerfile"),
        "-t",
        tag,
        "--build-arg",
        f"BASE={base}",
        "--build-arg",
        f"PIP_INDEX_URL={os.environ.get('PIP_INDEX_URL', '')}",
        str(ROOT),
        timeout=BUILD_AT_MOST_S,
    )
    return time.monotonic() - began

"""Running the programs as child processes: started, watched, started again, stopped."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType

from fleet.ending import Ending
from hourhand.program import SERVICE, command

LOOK_S = 0.5
"""Between two looks at the programs [s]."""
RESTART_AT_MOST_S = 30.0
"""Longest pause before a fallen program is started again; common practice, no source."""
STEADY_S = 60.0
"""A program that ran this long starts afresh with a short pause."""
STOP_GRACE_S = 15.0
CONFIGURATION_FAULT = 2
"""Exit code of a program that will not run until its settings are mended."""


@dataclass
class Child:
    """One program: the command that starts it, and the process when it runs."""

    name: str
    command: list[str]
    once: bool = False
    process: subprocess.Popen[bytes] | None = None
    started: float = 0.0
    pause: float = 1.0
    again_at: float = 0.0
    done: bool = False


@dataclass
class Supervisor:
    """Starts children, starts fallen ones again, stops all on a signal."""

    children: list[Child]
    environment: dict[str, str] = field(default_factory=dict)
    stopping: threading.Event = field(default_factory=Ending)
    fault: str = ""

    def start(self, child: Child) -> None:
        child.process = subprocess.Popen(
            child.command,
            env={**os.environ, **self.environment},
            start_new_session=True,
            stdin=subprocess.DEVNULL,
        )
        child.started = time.monotonic()

    def start_all(self) -> None:
        for child in self.children:
            self.start(child)

    def look(self) -> None:
        """One look at every child: start again what fell, give up on wrong settings."""
        for child in self.children:
            if child.done:
                continue
            if child.process is None:
                if time.monotonic() >= child.again_at:
                    self.start(child)
                continue
            code = child.process.poll()
            if code is not None:
                self._ended(child, code)

    def _ended(self, child: Child, code: int) -> None:
        if child.once and code == 0:
            child.done = True
            return
        if code == CONFIGURATION_FAULT:
            self.fault = f"{child.name} will not start with these settings; its message is above."
            self.stopping.set()
            return
        if time.monotonic() - child.started > STEADY_S:
            child.pause = 1.0
        print(
            f"{child.name} ended with code {code}; starting it again in {child.pause:.0f} s",
            file=sys.stderr,
        )
        child.process = None
        child.again_at = time.monotonic() + child.pause
        child.pause = min(child.pause * 2, RESTART_AT_MOST_S)

    def stop_all(self) -> None:
        """Ask every child to stop, last started first; end those that do not within the grace."""
        running = [c for c in reversed(self.children) if c.process and c.process.poll() is None]
        for child in running:
            assert child.process is not None
            child.process.send_signal(signal.SIGTERM)
        deadline = time.monotonic() + STOP_GRACE_S
        for child in running:
            assert child.process is not None
            try:
                child.process.wait(max(0.1, deadline - time.monotonic()))
            except subprocess.TimeoutExpired:
                child.process.kill()
                child.process.wait()

    def verdict(self) -> int:
        """The exit code of whoever watched; says what made it end, where that was a fault."""
        if self.fault:
            print(self.fault, file=sys.stderr)
            return 2
        return 0

    def stop_on_signals(self) -> None:
        def stop(_number: int, _frame: FrameType | None) -> None:
            self.stopping.set()

        signal.signal(signal.SIGTERM, stop)
        signal.signal(signal.SIGINT, stop)


def free_port() -> int:
    """A loopback TCP port nobody listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def listens(host: str, port: int, timeout_s: float = 0.5) -> bool:
    """Whether something accepts TCP connections there."""
    try:
        with socket.create_connection((host, port), timeout=timeout_s):
            return True
    except OSError:
        return False


def service(data: Path) -> list[Child]:
    """The programs of the service, for one data folder."""
    return [Child(name, command(name, "--data", str(data))) for name in SERVICE]

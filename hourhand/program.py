"""The programs of the service, each in a process of its own: `python -m hourhand.program NAME ...`.

Each is imported where it runs: whoever starts one does not load it, and it loads no other.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Sequence

Main = Callable[[list[str]], int]
"""What a program is: it takes its arguments, returns its exit code and reads its own settings."""


def _ingest(arguments: list[str]) -> int:
    from ingest.__main__ import main

    return main(arguments)


def _scheduler(arguments: list[str]) -> int:
    from scheduler.__main__ import main

    return main(arguments)


def _dashboard(arguments: list[str]) -> int:
    from dashboard.__main__ import main

    return main(arguments)


def _demo_fleet(arguments: list[str]) -> int:
    from demo_fleet.__main__ import main

    return main(arguments)


PROGRAMS: dict[str, Main] = {
    "ingest": _ingest,
    "scheduler": _scheduler,
    "dashboard": _dashboard,
    "demo_fleet": _demo_fleet,
}
SERVICE = ("ingest", "scheduler", "dashboard")
"""Those that make up the service for real, in the order they are started."""


def command(name: str, *arguments: str) -> list[str]:
    """What starts a program of PROGRAMS as a process."""
    if name not in PROGRAMS:
        raise ValueError(f"there is no program {name!r}")
    return [sys.executable, "-m", "hourhand.program", name, *arguments]


def run_to_its_end(name: str, *arguments: str) -> int:
    """Run one program as a process and wait for it; returns its exit code."""
    return subprocess.run(command(name, *arguments), check=False).returncode


def main(arguments: Sequence[str] | None = None) -> int:
    """Be the program that is named first; 2 where that is none."""
    name, *rest = [*(sys.argv[1:] if arguments is None else arguments)] or [""]
    if name not in PROGRAMS:
        print(f"Name a program: {', '.join(PROGRAMS)}.", file=sys.stderr)
        return 2
    return PROGRAMS[name](rest)


if __name__ == "__main__":
    sys.exit(main())

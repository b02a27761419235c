"""`hourhand bench`: this machine measured against a floor of the same run."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import Any

from hourhand.options import add_command


def add_commands(commands: Any) -> None:
    """Add `bench`."""
    bench = add_command(
        commands,
        "bench",
        "measure this machine against a floor of the same run",
        "hourhand bench ingest --messages 20000",
    )
    bench.add_argument("name", choices=sorted(BENCHES))
    bench.add_argument("rest", nargs=argparse.REMAINDER, help="options of the bench itself")
    bench.set_defaults(run=run_bench)


def run_bench(options: argparse.Namespace) -> int:
    """Run a bench; its exit code says whether every figure was kept."""
    return BENCHES[options.name](options.rest)


def _alert(arguments: list[str]) -> int:
    from ingest.bench.alert import main

    return main(arguments)


def _assess(arguments: list[str]) -> int:
    from scheduler.bench.assess import main

    return main(arguments)


def _ingest(arguments: list[str]) -> int:
    from ingest.bench.ingest import main

    return main(arguments)


def _rounds(arguments: list[str]) -> int:
    from scheduler.bench.rounds import main

    return main(arguments)


def _store(arguments: list[str]) -> int:
    from ingest.bench.store import main

    return main(arguments)


def _turns(arguments: list[str]) -> int:
    from scheduler.bench.turns import main

    return main(arguments)


BENCHES: dict[str, Callable[[list[str]], int]] = {
    "alert": _alert,
    "assess": _assess,
    "ingest": _ingest,
    "rounds": _rounds,
    "store": _store,
    "turns": _turns,
}

"""`hourhand replay`: recorded messages taken as if they came from the broker."""

from __future__ import annotations

import argparse
import shutil
import sys
import time
from pathlib import Path
from typing import Any

from fleet import clock
from fleet.model import EVERYTHING
from fleet.private import make_folder
from fleet.registry import lists
from fleet.registry.base.engine import Registry
from hourhand.check import beats
from hourhand.options import add_command, data_option, registry_of, settings_of
from hourhand.program import run_to_its_end


def add_commands(commands: Any) -> None:
    """Add `replay`."""
    replay = add_command(
        commands,
        "replay",
        "take a recorded file of messages as if they came from the broker",
        "hourhand replay week-12.jsonl",
    )
    replay.add_argument(
        "file", type=Path, nargs="+", help="JSON lines: received_at, topic, payload"
    )
    data_option(replay)
    replay.set_defaults(run=run_replay)


def run_replay(options: argparse.Namespace) -> int:
    """Put files into the inbox; ingest takes them, now or when it next runs."""
    missing = [str(file) for file in options.file if not file.is_file()]
    if missing:
        print(f"There is no file {', '.join(missing)}.", file=sys.stderr)
        return 2
    settings = settings_of(options)
    registry = registry_of(settings)
    try:
        make_folder(settings.inbox)
        names = [_into_inbox(file, settings.inbox) for file in options.file]
        if beats(registry, "ingest", clock.now()):
            _wait_for(registry, names)
        else:
            code = run_to_its_end("ingest", "--data", str(settings.data), "--drain")
            if code:
                return code
            run_to_its_end("scheduler", "--data", str(settings.data), "--once")
        return _say_replayed(registry, names)
    finally:
        registry.close()


def _into_inbox(file: Path, inbox: Path) -> str:
    """Copy under a name of its own, complete before it shows."""
    name = f"replay-{clock.now()}-{time.perf_counter_ns() % 10**9:09d}-{file.name}"
    partial = inbox / f".{name}.part"
    shutil.copyfile(file, partial)
    partial.rename(inbox / name)
    return name


def _wait_for(registry: Registry, names: list[str]) -> None:
    from rich.progress import Progress

    with Progress(transient=True) as progress:
        bar = progress.add_task("replaying", total=None)
        while True:
            marks = {m.file: m for m in lists.health(registry, EVERYTHING).inbox if m.file in names}
            if len(marks) == len(names):
                progress.update(
                    bar,
                    completed=sum(m.offset for m in marks.values()),
                    total=sum(m.size for m in marks.values()),
                )
                if all(mark.done for mark in marks.values()):
                    return
            if not beats(registry, "ingest", clock.now()):
                return
            time.sleep(0.3)


def _say_replayed(registry: Registry, names: list[str]) -> int:
    marks = [m for m in lists.health(registry, EVERYTHING).inbox if m.file in names]
    done = sum(1 for mark in marks if mark.done)
    print(f"{sum(m.lines for m in marks)} messages of {done} of {len(names)} files taken.")
    return 0 if done == len(names) else 1

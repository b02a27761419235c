"""`hourhand replay`: recorded messages taken as if they came from the broker."""

from __future__ import annotations

import argparse
import shutil
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fleet import clock
from fleet.model import EVERYTHING
from fleet.past import OF_A_REPLAY, replayed
from fleet.private import make_folder
from fleet.registry import lists
from fleet.registry.base.engine import Registry
from fleet.settings import Settings, own
from hourhand.check import beats
from hourhand.moments import MomentFault, moment_of
from hourhand.options import add_command, data_option, registry_of, settings_of
from hourhand.program import run_to_its_end

if TYPE_CHECKING:
    from hourhand.recorded import Followed, Following

REFUSED = 3


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
    replay.add_argument(
        "--as-recorded",
        action="store_true",
        help="follow the lines by their receipt, with every look the service would have made, in a "
        "folder of its own; nobody is sent anything",
    )
    replay.add_argument(
        "--register", type=Path, metavar="FILE", help="with --as-recorded: sets to begin with"
    )
    replay.add_argument(
        "--until", metavar="MOMENT", help="with --as-recorded: go on, or stop, there (ISO 8601)"
    )
    replay.add_argument(
        "--every-look",
        action="store_true",
        help="with --as-recorded: make also the looks that cannot change anything (slow)",
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
    if options.as_recorded:
        return _follow(options, settings)
    if replayed(settings.data):
        print(OF_A_REPLAY.format(settings.data), file=sys.stderr)
        return 2
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


def _follow(options: argparse.Namespace, settings: Settings) -> int:
    """Follow recordings in a folder of their own, and say what there was."""
    from hourhand.recorded import FollowFault, Following

    try:
        until = None if options.until is None else moment_of(options.until)
        own(settings.data)
        with Following(settings, options.every_look) as following:
            if options.register is not None:
                wrong = _register(following, options)
                if wrong:
                    return wrong
            began = time.perf_counter()
            found = _with_progress(following, options.file, until)
            _say_followed(following, found, time.perf_counter() - began)
    except (FollowFault, MomentFault) as fault:
        print(fault, file=sys.stderr)
        return 2
    return 0


def _register(following: Following, options: argparse.Namespace) -> int:
    """Put the sets into the register at the first line's receipt; 0, or 3 where one is refused."""
    from fleet.registry import register
    from hourhand.recorded.lines import in_order

    first = next(in_order(options.file, {}), None)
    at = following.so_far.at or (clock.now() if first is None else first.at)
    report = register.import_units(following.registry, options.register, at, "replay")
    for problem in report.problems:
        print(problem, file=sys.stderr)
    return 0 if report.ok else REFUSED


def _with_progress(following: Following, files: list[Path], until: int | None) -> Followed:
    from rich.progress import Progress

    with Progress(transient=True) as progress:
        bar = progress.add_task("following", total=None)

        def tell(so_far: Followed) -> None:
            progress.update(bar, description=f"following, day {so_far.days:.1f}")

        return following.follow(files, until, tell)


def _say_followed(following: Following, found: Followed, seconds: float) -> None:
    from fleet.registry.unscoped import device_facts

    if not found.at:
        print("There was no line that could be read.")
        return
    units = {f.unit for f in device_facts(following.registry).values() if f.pulse and f.unit}
    told = following.alerts()
    said = ", ".join(f"{told[one]} {one.replace('_', ' ')}" for one in sorted(told)) or "none"
    rate = found.days / max(seconds / 60, 1e-9)
    speed = f"{rate / 30.4:.1f} months" if rate > 30.4 else f"{rate:.1f} days"
    print(
        f"{found.days:.1f} days of {len(units)} units: {found.messages} messages taken, "
        f"{found.refused} set aside, {found.out_of_order} received before a line above them.\n"
        f"{found.looks} looks of {found.looks_in_all} were made, the others could change nothing.\n"
        f"Alerts raised: {sum(told.values())} ({said}). Nobody was sent anything.\n"
        f"{speed} a minute."
    )

"""`hourhand backup` and `restore`: the whole service in one file, and back."""

from __future__ import annotations

import argparse
import json
import os
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from types import FrameType
from typing import Any

from rich.console import Console
from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

from fleet import backup, clock
from fleet.backup import BackupFault, Restored, Taken
from fleet.backup.manifest import Manifest
from hourhand.options import add_command, data_option, json_option, settings_of

REFUSED = 3
SECRETS = (
    "It holds keys, passwords and people's addresses: keep it as safe as the data folder, and not "
    "on the same disk."
)


def add_commands(commands: Any) -> None:
    """Add `backup` and `restore`."""
    take = add_command(
        commands,
        "backup",
        "everything in one file, while the service runs",
        "hourhand backup /mnt/backup/hourhand-monday.zip --force",
    )
    take.add_argument(
        "file",
        nargs="?",
        metavar="FILE",
        help="where to (default: hourhand-backup-DATE.zip here; - for standard output)",
    )
    take.add_argument("--force", action="store_true", help="overwrite FILE")
    data_option(take)
    json_option(take)
    take.set_defaults(run=run_backup)
    back = add_command(
        commands,
        "restore",
        "put a backup back, into an empty folder",
        "hourhand restore hourhand-monday.zip --data /var/lib/hourhand-new",
    )
    back.add_argument("file", metavar="FILE", help="the backup (- for standard input)")
    data_option(back)
    json_option(back)
    back.set_defaults(run=run_restore)


def run_backup(options: argparse.Namespace) -> int:
    """Exit codes: 0 made; 1 could not be made; 2 wrong use or settings."""
    now = clock.now()
    settings = settings_of(options)
    target = None if options.file == "-" else Path(options.file or _name(now))
    if target is None and sys.stdout.isatty():
        print("Standard output is the terminal: send it into a file.", file=sys.stderr)
        return 2
    with _working(options.json) as say:
        try:
            taken = backup.take(settings, os.environ, target, now, options.force, say)
        except BackupFault as fault:
            print(fault, file=sys.stderr)
            return 2 if fault.wrong_use else 1
    if options.json:
        print(json.dumps(_taken(taken)), file=sys.stderr if target is None else sys.stdout)
        return 0
    for line in _said(taken):
        print(line, file=sys.stderr if target is None else sys.stdout)
    for line in taken.left_out:
        print(f"Not in it: {line}", file=sys.stderr)
    return 0


def _name(now: int) -> str:
    return f"hourhand-backup-{datetime.fromtimestamp(now, UTC):%Y-%m-%dT%H%M%SZ}.zip"


def _taken(taken: Taken) -> dict[str, Any]:
    manifest = taken.manifest
    return {
        "file": taken.file,
        "bytes": taken.size,
        "made_at": manifest.made_at,
        "hourhand": manifest.hourhand,
        "format": manifest.format,
        "schema": manifest.registry.schema,
        "registry": manifest.registry.kind,
        "rows": manifest.registry.rows,
        "store": manifest.store.kind,
        "readings": manifest.store.version is not None,
        "members": [member.name for member in manifest.members],
        "others": list(taken.others),
        "left_out": list(taken.left_out),
    }


def _said(taken: Taken) -> Iterator[str]:
    manifest = taken.manifest
    rows = manifest.registry.rows
    size = f" ({taken.size / 1e6:.1f} MB)" if taken.file else ""
    yield f"{taken.file or 'The backup'}{size}: backup of {manifest.made}, Hourhand {manifest.hourhand}."
    readings = f"readings of {manifest.store.devices} devices, " if manifest.store.version else ""
    yield (
        f"In it: registry with {rows.get('unit', 0)} sets and {rows.get('person', 0)} people, "
        f"{readings}{_files(manifest)}."
    )
    if taken.others:
        yield f"Files in the data folder that are not Hourhand's, taken along: {', '.join(taken.others)}."
    yield SECRETS


def _files(manifest: Manifest) -> str:
    names = [m.name for m in manifest.members if not m.name.startswith(("registry.", "store.db"))]
    return f"{len(names)} other file{'' if len(names) == 1 else 's'}"


def run_restore(options: argparse.Namespace) -> int:
    """Exit codes: 0 restored; 2 wrong use or settings; 3 refused. Nothing is left behind but at 0."""
    source = None if options.file == "-" else Path(options.file)
    data = settings_of(options).data
    with _working(options.json) as say:
        try:
            done = backup.restore(source, data, os.environ, clock.now(), say)
        except BackupFault as fault:
            print(fault, file=sys.stderr)
            return 2 if fault.wrong_use else REFUSED
    if options.json:
        settled = done.settled
        print(
            json.dumps(
                {
                    "data": done.data,
                    "made_at": done.manifest.made_at,
                    "hourhand": done.manifest.hourhand,
                    "schema": done.manifest.registry.schema,
                    "units": settled.units,
                    "messages_again": settled.again,
                    "messages_given_up": settled.given_up,
                    "notes": list(done.notes),
                }
            )
        )
        return 0
    for line in _restored(done):
        print(line)
    for line in done.notes:
        print(line, file=sys.stderr)
    return 0


def _restored(done: Restored) -> Iterator[str]:
    manifest, settled = done.manifest, done.settled
    yield f"{done.data} holds the backup of {manifest.made}, made by Hourhand {manifest.hourhand}."
    yield "Every set is worked out again when the service runs, and everybody signs in again."
    if settled.again:
        yield (
            f"Messages that waited then and leave again, saying so: {settled.again}. "
            "Their people may have had them."
        )
    if settled.given_up:
        yield f"Messages that waited then and are over a day old, not sent: {settled.given_up}."
    yield (
        "People, tokens and links are as they were then: take away again whatever was taken away "
        "since (`hourhand people list`)."
    )
    yield (
        "Stop the service it was made of before you start this one: two push each other off the "
        f"broker and both write to people. Then: hourhand up --data {done.data}"
    )


@contextmanager
def _working(quiet: bool) -> Iterator[Callable[[str], None]]:
    """A line on the terminal that says what is done; and being asked to stop tidies up first."""

    def stop(_number: int, _frame: FrameType | None) -> None:
        raise SystemExit(1)

    before = signal.signal(signal.SIGTERM, stop)
    console = Console(stderr=True)
    columns = (SpinnerColumn(), TextColumn("{task.description}"), TimeElapsedColumn())
    try:
        with Progress(
            *columns, console=console, transient=True, disable=quiet or not console.is_terminal
        ) as bar:
            task = bar.add_task("", total=None)
            yield lambda what: bar.update(task, description=what)
    finally:
        signal.signal(signal.SIGTERM, before)

"""A file taken in: the options of every import, and what is said of its rows."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

import msgspec

from fleet import clock
from fleet.registry.base.reports import ImportReport
from hourhand.options import add_command, data_option, json_option, registry_of, settings_of

REFUSED = 3
CHANGES_SHOWN = 20


def import_command(commands: Any, name: str, summary: str, example: str, run: Any) -> None:
    """Add a command that takes a file."""
    command = add_command(commands, name, summary, example)
    command.add_argument("file", type=Path)
    command.add_argument("--by", default="office", help="who vouches for it (default: office)")
    command.add_argument(
        "--partial", action="store_true", help="take the good rows even if others are wrong"
    )
    data_option(command)
    json_option(command)
    command.set_defaults(run=run)


def take_file(options: argparse.Namespace, noun: str, take: Any) -> int:
    """Take the file in by `take`; 0 taken, 2 there is none, 3 refused in whole or part."""
    if not options.file.is_file():
        print(f"There is no file {options.file}.", file=sys.stderr)
        return 2
    registry = registry_of(settings_of(options))
    try:
        arguments: dict[str, Any] = {"partial": options.partial}
        report: ImportReport = take(registry, options.file, clock.now(), options.by, **arguments)
    finally:
        registry.close()
    if options.json:
        print(msgspec.json.encode(report).decode())
    else:
        _say_report(report, noun)
    return 0 if report.ok else REFUSED


def _say_report(report: ImportReport, noun: str) -> None:
    for problem in report.problems:
        print(problem, file=sys.stderr)
    for note in report.notes:
        print(note)
    if report.problems and not report.written:
        print(
            f"Nothing was written: {wrong_rows(report)}. {advice(report)}",
            file=sys.stderr,
        )
        return
    for change in report.changes[:CHANGES_SHOWN]:
        print(change)
    if len(report.changes) > CHANGES_SHOWN:
        print(f"and {len(report.changes) - CHANGES_SHOWN} more rows (--json lists them all)")
    print(
        f"{report.rows} {noun} read: {report.added} added, {report.changed} changed, "
        f"{report.unchanged} as they were, {report.refused} refused."
    )


def wrong_rows(report: ImportReport) -> str:
    """ "1 of 1 rows is wrong (8 faults)": rows are counted, then what is wrong in them."""
    rows, faults = report.refused, len(report.problems)
    told = f"{rows} of {report.rows} rows {'is' if rows == 1 else 'are'} wrong"
    return told if faults == rows else f"{told} ({faults} faults)"


def advice(report: ImportReport) -> str:
    """What to do about wrong rows."""
    mend = "Mend it" if report.refused == 1 else "Mend them"
    if report.refused < report.rows:
        return f"{mend}, or take the others with --partial."
    return f"{mend} and import again."

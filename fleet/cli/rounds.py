"""`hourhand rounds` and `technicians`: plan, look, fit in, take along."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from fleet import bounds
from fleet.cli.office import _import, _import_command
from fleet.cli.options import add_command, data_option, json_option
from fleet.cli.programs import run_program
from fleet.registry import technicians

PLANNER = "scheduler.turns.rounds_program"
EXPORTS = "dashboard.exports"


def add_commands(commands: Any) -> None:
    """Add `rounds` and `technicians`."""
    rounds = commands.add_parser(
        "rounds", help="service rounds: plan, show, insert, export"
    ).add_subparsers(dest="action", required=True, metavar="ACTION")
    plan = add_command(
        rounds, "plan", "plan two weeks of rounds as a draft", "hourhand rounds plan --seconds 30"
    )
    plan.add_argument(
        "--seconds",
        type=bounds.fraction(0, 1e9),
        default=30.0,
        help="time to search (default: 30)",
    )
    plan.add_argument(
        "--days",
        type=bounds.argument(0, bounds.COUNT_MOST),
        default=14,
        help="days planned finely (default: 14)",
    )
    plan.add_argument("--publish", action="store_true", help="put it in force at once")
    plan.set_defaults(run=run_plan)
    show = add_command(rounds, "show", "the plan in force", "hourhand rounds show --draft")
    show.add_argument("--draft", action="store_true", help="the draft instead")
    show.set_defaults(run=run_show)
    insert = add_command(
        rounds,
        "insert",
        "two ways to fit an urgent job in, at once; changes nothing",
        "hourhand rounds insert JOB --json",
    )
    insert.add_argument("job", help="id of the job, as its page's address names it")
    insert.set_defaults(run=run_insert)
    export = add_command(
        rounds,
        "export",
        "the plan in force as GeoJSON, GPX, CSV or calendar",
        "hourhand rounds export gpx week.gpx",
    )
    export.add_argument("kind", choices=("geojson", "gpx", "csv", "ics"))
    export.add_argument("file", type=Path)
    export.add_argument("--day", default="", help="only this day, YYYY-MM-DD")
    export.add_argument("--technician", default="", help="only this technician, by id")
    export.set_defaults(run=run_export)
    for command in (plan, show, insert, export):
        data_option(command)
        json_option(command)
    people = commands.add_parser("technicians", help="technicians: import").add_subparsers(
        dest="action", required=True, metavar="ACTION"
    )
    _import_command(
        people,
        "import",
        "take technicians with bases, days, skills and stock (CSV)",
        "hourhand technicians import technicians.csv",
        run_import,
    )


def _common(options: argparse.Namespace) -> list[str]:
    given = ["--data", str(options.data)] if options.data else []
    return given + (["--json"] if options.json else [])


def run_plan(options: argparse.Namespace) -> int:
    """Plan, with progress."""
    given = ["--seconds", str(options.seconds), "--days", str(options.days)]
    given += ["--publish"] if options.publish else []
    return run_program([PLANNER, "plan", *given, *_common(options)])


def run_show(options: argparse.Namespace) -> int:
    """The plan in force, or the draft."""
    given = ["--draft"] if options.draft else []
    return run_program([PLANNER, "show", *given, *_common(options)])


def run_insert(options: argparse.Namespace) -> int:
    """Two proposals for an urgent job."""
    return run_program([PLANNER, "insert", *_common(options), "--", options.job])


def run_export(options: argparse.Namespace) -> int:
    """Write the plan in force to a file."""
    given = ["--day", options.day] if options.day else []
    given += ["--technician", options.technician] if options.technician else []
    return run_program([EXPORTS, *given, *_common(options), "--", options.kind, str(options.file)])


def run_import(options: argparse.Namespace) -> int:
    """Import technicians."""
    return _import(options, "technicians", technicians.import_technicians)

"""`hourhand rounds` and `technicians`: plan, look, fit in, take along."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from fleet import bounds
from fleet.registry.office import technicians
from hourhand.imports import import_command, take_file
from hourhand.options import add_command, data_option, json_option


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
    import_command(
        people,
        "import",
        "take technicians with bases, days, skills and stock (CSV)",
        "hourhand technicians import technicians.csv",
        run_import,
    )


def run_plan(options: argparse.Namespace) -> int:
    """Plan, with progress."""
    from hourhand import rounds_plan

    return rounds_plan.with_registry(options, rounds_plan.plan)


def run_show(options: argparse.Namespace) -> int:
    """The plan in force, or the draft."""
    from hourhand import rounds_plan

    return rounds_plan.with_registry(options, rounds_plan.show)


def run_insert(options: argparse.Namespace) -> int:
    """Two proposals for an urgent job."""
    from hourhand import rounds_plan

    return rounds_plan.with_registry(options, rounds_plan.insert)


def run_export(options: argparse.Namespace) -> int:
    """Write the plan in force to a file."""
    from hourhand import rounds_export

    return rounds_export.export(options)


def run_import(options: argparse.Namespace) -> int:
    """Import technicians."""
    return take_file(options, "technicians", technicians.import_technicians)

"""`hourhand units`, `records` and `due`: what the office puts in and asks for."""

from __future__ import annotations

import argparse
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Literal

import msgspec
from rich.console import Console
from rich.table import Table

from fleet import bounds, clock, words
from fleet.model import EVERYTHING, Episode, Unit, UnitSummary
from fleet.past import NO_PAST, Past, episode_as_of, replayed
from fleet.registry import lists, register
from fleet.registry.base.engine import Registry
from fleet.registry.facts import records
from fleet.registry.told import alerts
from fleet.settings import Settings
from fleet.words import readiness_sentences
from hourhand.imports import import_command, take_file
from hourhand.moments import MomentFault, moment_of
from hourhand.options import add_command, data_option, json_option, registry_of, settings_of

PAGE = 500


def add_commands(commands: Any) -> None:
    """Add `units`, `plans`, `records` and `due`."""
    units = commands.add_parser("units", help="the register: import, list, export").add_subparsers(
        dest="action", required=True, metavar="ACTION"
    )
    import_command(
        units,
        "import",
        "take a register of sets (CSV, JSON or Parquet)",
        "hourhand units import register.csv",
        import_units,
    )
    listing = add_command(
        units, "list", "every set with its condition", "hourhand units list --search mill"
    )
    listing.add_argument("--search", default="", help="surname, street, phone or id")
    listing.add_argument(
        "--as-of",
        metavar="MOMENT",
        help="as it was known then (ISO 8601), in a folder in which a recording was followed",
    )
    data_option(listing)
    json_option(listing)
    listing.set_defaults(run=list_units)
    export = add_command(
        units,
        "export",
        "the register as a file that an import reads (CSV, JSON or Parquet, by its ending)",
        "hourhand units export register.csv",
    )
    export.add_argument("file", type=Path)
    data_option(export)
    json_option(export)
    export.set_defaults(run=export_units)
    plans = commands.add_parser("plans", help="service plans: import").add_subparsers(
        dest="action", required=True, metavar="ACTION"
    )
    import_command(
        plans,
        "import",
        "take service plans (CSV or JSON)",
        "hourhand plans import plans.csv",
        import_plans,
    )
    made = commands.add_parser("records", help="what people did: import").add_subparsers(
        dest="action", required=True, metavar="ACTION"
    )
    import_command(
        made,
        "import",
        "take records of services, checks, swaps (CSV or JSON)",
        "hourhand records import visits.csv --by office",
        import_records,
    )
    due = add_command(commands, "due", "work due, gravest first", "hourhand due --within 14")
    due.add_argument("--late", action="store_true", help="only what is late")
    due.add_argument(
        "--within",
        type=bounds.argument(0, 3_660),
        metavar="DAYS",
        help="only what falls due in so many days",
    )
    due.add_argument("--unit", help="only this set")
    data_option(due)
    json_option(due)
    due.set_defaults(run=list_due)


def import_units(options: argparse.Namespace) -> int:
    """Import a register."""
    return take_file(options, "sets", register.import_units)


FORMATS: dict[str, Literal["csv", "json", "parquet"]] = {
    ".csv": "csv",
    ".json": "json",
    ".parquet": "parquet",
}


def export_units(options: argparse.Namespace) -> int:
    """Write the register. Exit codes: 0 written, 2 wrong use or settings."""
    form = FORMATS.get(options.file.suffix.lower())
    if form is None:
        print("Give a file that ends in .csv, .json or .parquet.", file=sys.stderr)
        return 2
    registry = registry_of(settings_of(options))
    try:
        body = register.export_units(registry, EVERYTHING, form)
    finally:
        registry.close()
    try:
        options.file.write_bytes(body)
    except OSError as fault:
        print(f"{options.file} cannot be written: {fault.strerror}.", file=sys.stderr)
        return 2
    said = {"file": str(options.file), "bytes": len(body)}
    print(
        msgspec.json.encode(said).decode()
        if options.json
        else f"{options.file}: {len(body)} bytes."
    )
    return 0


def import_plans(options: argparse.Namespace) -> int:
    """Import service plans."""
    return take_file(options, "plans", register.import_plans)


def import_records(options: argparse.Namespace) -> int:
    """Import records."""
    return take_file(options, "records", records.import_records)


def list_units(options: argparse.Namespace) -> int:
    """Every set, a page at a time, so that a fleet of any size fits."""
    settings = settings_of(options)
    try:
        at = None if options.as_of is None else moment_of(options.as_of)
    except MomentFault as fault:
        print(fault, file=sys.stderr)
        return 2
    if at is not None and not replayed(settings.data):
        print(NO_PAST.format(settings.data), file=sys.stderr)
        return 2
    now = clock.now() if at is None else at
    registry = registry_of(settings)
    rows: list[Row] = []
    raised: dict[str, list[Episode]] = {}
    try:
        cursor = None
        while page := lists.units(
            registry, EVERYTHING, search=options.search, limit=PAGE, cursor=cursor
        ):
            rows += [(u, c.name, s.name, s.time_zone, summary) for u, s, c, summary in page]
            cursor = page[-1][0].id
        if at is not None:
            rows, raised = _as_of(settings, registry, rows, at)
    finally:
        registry.close()
    if options.json:
        listed = [_listed(row, raised.get(row[0].id) if at is not None else None) for row in rows]
        print(msgspec.json.encode(listed).decode())
        return 0
    if not rows:
        print(
            "No set matches."
            if options.search
            else "The register is empty: `hourhand units import FILE`."
        )
        return 0
    table = _table(
        "unit", "customer", "site", "area", "condition", "hours", "last heard", "finding"
    )
    for unit, customer, site, zone, summary in rows:
        table.add_row(unit.id, customer, site, unit.area, *_condition_cells(summary, zone, now))
    _print(table)
    return 0


Row = tuple[Unit, str, str, str, UnitSummary | None]


def _as_of(
    settings: Settings, registry: Registry, rows: list[Row], at: int
) -> tuple[list[Row], dict[str, list[Episode]]]:
    """The rows with what was known at a moment, and the alerts that stood then, by unit."""
    past = Past(settings.data)
    try:
        then = [(*row[:4], past.summary(row[0].id, at)) for row in rows]
    finally:
        past.close()
    raised: dict[str, list[Episode]] = {row[0].id: [] for row in rows}
    for episode in alerts.history(registry, EVERYTHING, at):
        stood = episode_as_of(episode, at)
        if stood is not None and stood.subject.startswith("unit:"):
            raised.setdefault(stood.subject.partition(":")[2], []).append(stood)
    return then, raised


def _listed(row: Row, raised: list[Episode] | None) -> dict[str, object]:
    unit, customer, site, _, m = row
    listed: dict[str, object] = {
        "unit": unit.id,
        "customer": customer,
        "site": site,
        "area": unit.area,
        "device": unit.device,
        "condition": m.condition if m else None,
        "last_heard_running_at": m.ran_at if m else None,
        "engine_hours_h": m.hours.hours_h if m else None,
        "heard_at": m.heard_at if m else None,
        "findings": [f.kind for f in m.findings] if m else [],
    }
    if raised is None:
        return listed
    return listed | {
        "readiness": m.readiness.state if m and m.readiness else None,
        "known_at": m.at if m else None,
        "alerts": [{"kind": e.kind, "severity": e.severity, "since": e.opened_at} for e in raised],
    }


def _condition_cells(summary: UnitSummary | None, zone: str, now: int) -> tuple[str, ...]:
    if summary is None:
        return ("not assessed yet", "", "", "")
    hours = summary.hours.hours_h
    worst = summary.findings[0] if summary.findings else None
    return (
        readiness_sentences.condition_now(summary, zone, now),
        "" if hours is None else words.hours(hours),
        "never" if summary.heard_at is None else words.moment(summary.heard_at, zone, now),
        ""
        if worst is None
        else f"{words.severity(worst.severity)}: {words.sentence(worst, zone, now).title}",
    )


DUE_STATES: dict[str, str] = {
    "late_beyond": "late beyond tolerance",
    "late": "late",
    "due": "due now",
    "soon": "soon",
    "later": "later",
    "unknown": "not known",
}


def list_due(options: argparse.Namespace) -> int:
    """Work due over the whole register, gravest first."""
    today = datetime.fromtimestamp(clock.now(), UTC).date()
    until = (today + timedelta(days=options.within)).isoformat() if options.within else None
    states = ["late_beyond", "late"] if options.late else None
    registry = registry_of(settings_of(options))
    try:
        found = lists.due(registry, EVERYTHING, unit=options.unit, until=until, states=states)
    finally:
        registry.close()
    if options.json:
        print(msgspec.json.encode([item for item, _, _, _ in found]).decode())
        return 0
    if not found:
        print("Nothing is due." if not options.late else "Nothing is late.")
        return 0
    table = _table("state", "work", "unit", "site", "due on", "due at", "hours now", "why")
    for item, _unit, site, _customer in found:
        table.add_row(
            DUE_STATES[item.state],
            item.name,
            item.unit,
            site.name,
            item.due_on or "",
            "" if item.due_at_hours_h is None else words.hours(item.due_at_hours_h),
            "" if item.hours_now_h is None else words.hours(item.hours_now_h),
            item.reason,
        )
    _print(table)
    return 0


def _table(*headings: str) -> Table:
    table = Table(box=None, pad_edge=False)
    for heading in headings:
        side: Literal["right", "left"] = (
            "right" if heading in ("hours", "due at", "hours now") else "left"
        )
        table.add_column(heading, justify=side, overflow="fold")
    return table


def _print(table: Table) -> None:
    """To a terminal at its width; to a pipe as wide as it needs to be."""
    console = Console(markup=False, highlight=False)
    if not console.is_terminal:
        console = Console(markup=False, highlight=False, width=250)
    console.print(table)

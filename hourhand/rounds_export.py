"""What `hourhand rounds export` does: the plan in force as a file."""

from __future__ import annotations

import argparse
import sys

import orjson

from dashboard.exports import calendars, visits
from dashboard.pages.rounds.export import legs
from fleet import clock
from fleet.model import EVERYTHING
from fleet.registry.base.engine import Registry, open_registry
from fleet.registry.office import board, rounds_feed, technicians
from hourhand.options import settings_of


def export(options: argparse.Namespace) -> int:
    """Exit codes: 0 written, 1 nothing to write, 2 wrong use or settings."""
    if options.kind == "ics" and not options.technician:
        sys.stderr.write("A calendar is one technician's: name one with --technician.\n")
        return 2
    loaded = settings_of(options)
    registry = open_registry(loaded)  # the folder is not owned: the file is for others to read
    try:
        body = written(registry, options.kind, options.day, options.technician, loaded.firm)
    finally:
        registry.close()
    if body is None:
        sys.stderr.write("There are no rounds yet, or no such technician.\n")
        return 1
    options.file.write_bytes(body)
    said = {"file": str(options.file), "bytes": len(body)}
    text = orjson.dumps(said).decode() if options.json else f"{options.file}: {len(body)} bytes."
    sys.stdout.write(f"{text}\n")
    return 0


def written(registry: Registry, kind: str, day: str, technician: str, firm: str) -> bytes | None:
    """The file's content; None where there is no plan in force, or no such technician."""
    who = technicians.technician(registry, technician) if technician else None
    sheet = board.sheet_in_force(registry, EVERYTHING, clock.now())
    if sheet is None or (technician and who is None):
        return None
    if kind == "ics" and who is not None:
        name = f"{firm}: {who.name}"
        return calendars.calendar_of(name, who.id, rounds_feed.told_events(registry, who.id))
    found = legs(sheet, day, technician or None)
    if kind == "geojson":
        return orjson.dumps(visits.geojson(found))
    if kind == "gpx":
        return visits.gpx(found, sheet.made_at)
    return visits.as_csv(found).encode()

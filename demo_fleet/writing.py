"""The demo's files: register, records, truth, and a year of history for the inbox, newest first."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

import orjson

from demo_fleet.assembly import Fleet, build_fleet
from demo_fleet.lines import lines, status_lines
from demo_fleet.office import COLUMNS, technician_rows
from demo_fleet.papers import (
    RECORD_COLUMNS,
    REGISTER_COLUMNS,
    as_csv,
    iso,
    record_rows,
    register_rows,
)
from demo_fleet.planted.graded import GRADED
from demo_fleet.schedule import DAY_S
from demo_fleet.truths import truth_of
from fleet.findings import kind_of

FIRST_SPANS_DAYS = (1, 2, 3, 4, 5, 5, 5, 5)
"""Days of the first files, back from the last midnight; weeks follow. 30 days in all."""
WEEK_DAYS = 7
NAME_FROM = 9_999_999_999
"""File names count down from here, so that name order is newest first."""

Span = tuple[int, int]


def folder(data: Path) -> Path:
    """Where the demo keeps its papers and its memory."""
    return data / "demo"


def spans(first: int, until: int) -> list[Span]:
    """The history [first, until) cut for files, newest first: small ones, then weeks."""
    found: list[Span] = []
    end, midnight = until, until // DAY_S * DAY_S
    for days in (*FIRST_SPANS_DAYS, *([WEEK_DAYS] * 10_000)):
        if end <= first:
            break
        midnight -= days * DAY_S
        start = max(first, midnight)
        found.append((start, end))
        end = start
    return found


def file_name(span: Span) -> str:
    return f"demo-{NAME_FROM - span[1]:010d}-{iso(span[0])[:10]}-to-{iso(span[1])[:10]}.jsonl"


def write_papers(fleet: Fleet, data: Path) -> dict[str, Path]:
    """register.csv, records.csv, technicians.csv and truth.json in DATA/demo; returns their paths by name."""
    place = folder(data)
    place.mkdir(parents=True, exist_ok=True)
    texts = {
        "register.csv": as_csv(REGISTER_COLUMNS, register_rows(fleet)),
        "records.csv": as_csv(RECORD_COLUMNS, record_rows(fleet)),
        "technicians.csv": as_csv(COLUMNS, technician_rows(fleet.origin)),
        "truth.json": json.dumps(truth_document(fleet), indent=1),
    }
    for name, text in texts.items():
        _put(place / name, text.encode())
    return {name: place / name for name in texts}


def truth_document(fleet: Fleet) -> dict[str, Any]:
    """What is planted, with the seed and moment it belongs to. Times are UTC seconds."""
    told = [asdict(t) for t in truth_of(fleet)]
    return {
        "seed": fleet.seed,
        "origin": fleet.origin,
        "units": len(fleet.sets),
        "days": fleet.days,
        "faults": [t for t in told if not t["healthy"]],
        "healthy": [t for t in told if t["healthy"]],
        "limits": {
            kind: asdict(limit) | {"finding": kind_of(limit.finding)}
            for kind, limit in GRADED.items()
        },
    }


def _nothing(_: dict[str, Any]) -> None:
    """Nobody listens."""


def write_history(
    fleet: Fleet,
    data: Path,
    start: int,
    until: int,
    said: Callable[[dict[str, Any]], None] = _nothing,
    pause: Callable[[], None] = lambda: None,
) -> dict[str, Any]:
    """Put what was reported in [start, until) into DATA/inbox, a file a span, newest first.

    A file already in the manifest is left out, so that an interrupted writing goes on. `said` is
    called with the manifest after each file, `pause` before each. Returns the manifest as written
    to DATA/demo/manifest.json; its expected_bytes is what the whole history will come to.
    """
    inbox = data / "inbox"
    inbox.mkdir(parents=True, exist_ok=True)
    manifest = read_manifest(data) or new_manifest(fleet)
    wanted = spans(start, until)
    manifest["planned"] = sorted({*manifest["planned"], *map(file_name, wanted)})
    manifest["until"] = max(until, manifest["until"])
    if [start, until] not in manifest["parts"]:
        manifest["parts"].append([start, until])
    written = {file["name"] for file in manifest["files"]}
    for span in wanted:
        name = file_name(span)
        if name in written:
            continue
        pause()
        parts = list(_file_lines(fleet, span, statuses=span[1] == until))
        size = _put(inbox / name, b"".join(parts))
        manifest["files"].append(
            {"name": name, "bytes": size, "lines": len(parts), "from": span[0], "to": span[1]}
        )
        _count(manifest)
        write_manifest(data, manifest)
        said(manifest)
    write_manifest(data, manifest)
    return manifest


def _file_lines(fleet: Fleet, span: Span, statuses: bool) -> Iterator[bytes]:
    if statuses:
        for s in fleet.sets:
            yield from status_lines(s, span[1])
    for s in fleet.sets:
        yield from lines(s, *span)


def new_manifest(fleet: Fleet) -> dict[str, Any]:
    """The demo's memory: what it is made from, and what it has written."""
    return {
        "seed": fleet.seed,
        "origin": fleet.origin,
        "units": len(fleet.sets),
        "days": fleet.days,
        "from": fleet.first,
        "until": fleet.first,
        "planned": [],
        "parts": [],
        "files": [],
        "count": 0,
        "bytes": 0,
        "lines": 0,
        "expected_bytes": 0,
        "complete": False,
        "imported": False,
        "called": [],
    }


def _count(manifest: dict[str, Any]) -> None:
    files = manifest["files"]
    manifest["count"] = len(files)
    manifest["bytes"] = sum(file["bytes"] for file in files)
    manifest["lines"] = sum(file["lines"] for file in files)
    manifest["complete"] = {f["name"] for f in files} >= set(manifest["planned"])
    spanned = sum(file["to"] - file["from"] for file in files)
    left = max(0, manifest["until"] - manifest["from"] - spanned)
    newest = files[-1]
    a_second = newest["bytes"] / max(1, newest["to"] - newest["from"])
    manifest["expected_bytes"] = manifest["bytes"] + int(left * a_second)


def read_manifest(data: Path) -> dict[str, Any] | None:
    """The manifest of an earlier start, None where there is none."""
    try:
        found: dict[str, Any] = orjson.loads((folder(data) / "manifest.json").read_bytes())
    except FileNotFoundError:
        return None
    return found


def write_manifest(data: Path, manifest: dict[str, Any]) -> None:
    folder(data).mkdir(parents=True, exist_ok=True)
    _put(folder(data) / "manifest.json", orjson.dumps(manifest, option=orjson.OPT_INDENT_2))


def fleet_of(manifest: dict[str, Any], until: int) -> Fleet:
    """The fleet of an earlier start, with a calendar that reaches beyond `until`."""
    called = tuple((a, b) for a, b in manifest["called"])
    return build_fleet(
        manifest["seed"], manifest["origin"], manifest["units"], manifest["days"], until, called
    )


def _put(path: Path, content: bytes) -> int:
    """Write under another name, then rename: a reader sees the whole file or none."""
    part = path.with_name(path.name + ".part")
    part.write_bytes(content)
    part.replace(path)
    return len(content)

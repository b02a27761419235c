"""Today: what happened, who needs me, and every set by area."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse

from dashboard import frames, phrases
from dashboard.deps import LIVE, AtDesk, Reader
from fleet import words
from fleet.findings import supply
from fleet.model import SEVERITIES, Customer, Readiness, Scope, Site, Unit, UnitSummary
from fleet.registry import pages
from fleet.registry.engine import Registry
from fleet.registry.types import Counts

router = APIRouter(include_in_schema=False, dependencies=LIVE)

FOLD_AT = 150
"""From this many sets on, areas without anything to do are folded."""
ONLY_GRAVE_ABOVE = 600
"""Above this many sets only what is not normal is shown."""
NEEDS_AT_MOST = 60
TILES_AT_MOST = 600
"""A wall of more tiles tells nobody anything; the lists behind the counts hold them all."""

Row = tuple[Unit, Site, Customer, UnitSummary | None]
GRAVE = SEVERITIES[:-1]
TURNING = frozenset({"running", "on_load", "cranking", "cooling_down"})


@router.get("/", response_class=HTMLResponse)
def today(request: Request, desk: AtDesk, scope: Reader) -> HTMLResponse:
    counts = pages.counts(desk.registry, scope)
    now = desk.clock()
    rows = list(_rows(desk.registry, scope, counts.units))
    urgent = needs(rows, now)
    shown = rows[:TILES_AT_MOST]
    apart = tails(rows)
    return frames.page(
        request,
        scope,
        "today.html",
        "today",
        now=now,
        counts=counts,
        ready=readiness(counts),
        severities=[(s, counts.by_severity.get(s, 0)) for s in GRAVE],
        needing=sum(counts.by_severity.get(severity, 0) for severity in GRAVE),
        needs=urgent[:NEEDS_AT_MOST],
        needs_more=max(0, len(urgent) - NEEDS_AT_MOST),
        areas=areas(shown, now, fold=counts.units >= FOLD_AT),
        tiles_more=len(rows) - len(shown),
        tails=apart,
        off_tolerance=off_tolerance(rows),
        only_grave=counts.units > ONLY_GRAVE_ABOVE,
    )


def _rows(registry: Registry, scope: Scope, units: int) -> Iterable[Row]:
    """Every unit; on a large fleet those with a finding to act on, the gravest first, and those
    that are not ready."""
    if units <= ONLY_GRAVE_ABOVE:
        yield from _all(registry, scope, {})
        return
    seen: set[str] = set()
    kinds: list[dict[str, str]] = [{"severity": severity} for severity in GRAVE]
    for wanted in [*kinds, {"readiness": "not_ready"}]:
        for row in _all(registry, scope, wanted):
            if row[0].id not in seen:
                seen.add(row[0].id)
                yield row


def _all(registry: Registry, scope: Scope, wanted: dict[str, str]) -> Iterable[Row]:
    """Every unit of one kind, a thousand at a time."""
    cursor = None
    while True:
        rows = pages.units(registry, scope, limit=1000, cursor=cursor, **wanted)
        yield from rows
        if len(rows) < 1000:
            return
        cursor = rows[-1][0].id


def readiness(counts: Counts) -> dict[str, Any]:
    """The sentence and its parts: (word, number), each a list of its own; together all sets."""
    by = counts.by_readiness
    number: dict[Readiness, int] = {
        "ready": by.get("ready", 0),
        "doubtful": by.get("doubtful", 0),
        "not_ready": by.get("not_ready", 0),
        "unknown": counts.silent + counts.too_new,
        "set_aside": by.get("set_aside", 0),
    }
    split = {"silent": counts.silent, "too_new": counts.too_new}
    return {"parts": list(number.items()), "ready": number["ready"], **split}


def needs(rows: Iterable[Row], now: int) -> list[dict[str, Any]]:
    """Every set with something to act on, the gravest and oldest first."""
    found = []
    for unit, site, customer, summary in rows:
        finding = frames.worst(summary.findings) if summary else None
        if finding is None:
            continue
        said = words.sentence(finding, site.time_zone, now)
        others = sum(1 for f in summary.findings if f.severity != "note") - 1 if summary else 0
        found.append(
            frames.named(unit, site, customer)
            | {
                "severity": finding.severity,
                "since_at": finding.since,
                "since": phrases.since(finding.since, site.time_zone, now),
                "said": said,
                "more": f"and {phrases.count(others, 'more finding')}" if others else "",
                "phone": site.phone or unit.phone or customer.phone,
                "key": f"{unit.id} {finding.kind} {finding.part} {finding.since}",
            }
        )
    found.sort(key=lambda item: (SEVERITIES.index(item["severity"]), item["since_at"]))
    return found


def areas(rows: Iterable[Row], now: int, fold: bool) -> list[dict[str, Any]]:
    """Tiles by area in name order; `folded` where nothing in it needs anybody."""
    by_area: dict[str, list[dict[str, Any]]] = {}
    for unit, site, customer, summary in rows:
        by_area.setdefault(unit.area, []).append(tile(unit, site, customer, summary, now))
    found = []
    for name in sorted(by_area, key=lambda area: (area == "", area.lower())):
        tiles = sorted(by_area[name], key=lambda t: (t["title"].lower(), t["id"]))
        grave = sum(1 for t in tiles if t["severity"])
        found.append(
            {
                "name": name or "No area",
                "tiles": tiles,
                "sets": phrases.count(len(tiles), "set"),
                "grave": grave,
                "say": f"{grave} {'needs' if grave == 1 else 'need'} you" if grave else "all quiet",
                "folded": fold and grave == 0,
            }
        )
    return found


def off_tolerance(rows: Iterable[Row]) -> int:
    """Sets with something to say of their volts or hertz, Notes left out."""
    return sum(
        any(isinstance(f.facts, supply.OfSupply) and f.severity != "note" for f in summary.findings)
        for *_, summary in rows
        if summary is not None
    )


def tails(rows: Iterable[Row]) -> dict[str, str]:
    """What tells sets of one site apart: the end of their ids in which they differ."""
    by_site: dict[str, list[str]] = {}
    for unit, site, _, _ in rows:
        by_site.setdefault(site.id, []).append(unit.id)
    found = {}
    for ids in by_site.values():
        if len(ids) > 1:
            low, high = min(ids), max(ids)
            differ = (i for i, (a, b) in enumerate(zip(low, high, strict=False)) if a != b)
            same = next(differ, len(low))
            cut = max(low.rfind("-", 0, same), low.rfind("_", 0, same)) + 1
            found.update({name: name[cut:] for name in ids})
    return found


def tile(
    unit: Unit, site: Site, customer: Customer, summary: UnitSummary | None, now: int
) -> dict[str, Any]:
    """One set on the wall: its finding, else what is wrong with its readiness, else its condition."""
    finding = frames.worst(summary.findings) if summary else None
    ready = summary.readiness.state if summary and summary.readiness else None
    said = words.sentence(finding, site.time_zone, now).title if finding else ""
    return frames.named(unit, site, customer) | {
        "severity": finding.severity if finding else None,
        "said": said,
        "ready": ready if ready in ("not_ready", "doubtful") else None,
        "condition": summary.condition if summary else None,
        "live": bool(summary and summary.condition in TURNING),
    }

"""Today: every set with something to act on, and the wall of sets by area. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from dashboard import phrases
from dashboard.views.audience import Say
from dashboard.views.findings import worst
from dashboard.views.named import SetName, set_name
from fleet import words
from fleet.findings import supply
from fleet.model import (
    SEVERITIES,
    Condition,
    Customer,
    Readiness,
    Severity,
    Site,
    Unit,
    UnitSummary,
)
from fleet.words import readiness_sentences

Row = tuple[Unit, Site, Customer, UnitSummary | None]
TURNING = frozenset({"running", "on_load", "cranking", "cooling_down"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    """A set with something to act on. since_at: UTC seconds; key: the same while it is the same."""

    set: SetName
    severity: Severity
    since_at: int
    since: str
    said: words.Sentence
    more: str
    key: str


def needs(rows: Iterable[Row], now: int, say: Say) -> list[Need]:
    """Every set with something to act on, the gravest and oldest first."""
    found = []
    for unit, site, customer, summary in rows:
        finding = worst(summary.findings) if summary else None
        if finding is None or summary is None:
            continue
        others = sum(1 for f in summary.findings if f.severity != "note") - 1
        found.append(
            Need(
                set=set_name(unit, site, customer),
                severity=finding.severity,
                since_at=finding.since,
                since=phrases.since(finding.since, site.time_zone, now),
                said=say(finding, site.time_zone, now),
                more=f"and {phrases.count(others, 'more finding')}" if others else "",
                key=f"{unit.id} {finding.kind} {finding.part} {finding.since}",
            )
        )
    found.sort(key=lambda need: (SEVERITIES.index(need.severity), need.since_at))
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Tile:
    """One set on the wall. severity None: nothing to act on. ready None: nothing wrong with it.

    condition None: too new; live: its engine turns; state: the condition in words.
    """

    set: SetName
    severity: Severity | None
    said: str
    ready: Readiness | None
    condition: Condition | None
    state: str
    live: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Area:
    """The tiles of an area, and in words how many there are and need somebody."""

    name: str
    tiles: list[Tile]
    sets: str
    say: str
    folded: bool


def areas(rows: Iterable[Row], now: int, fold: bool, say: Say) -> list[Area]:
    """Tiles by area in name order; `folded` where nothing in it needs anybody."""
    by_area: dict[str, list[Tile]] = {}
    for unit, site, customer, summary in rows:
        by_area.setdefault(unit.area, []).append(tile(unit, site, customer, summary, now, say))
    found = []
    for name in sorted(by_area, key=lambda area: (area == "", area.lower())):
        tiles = sorted(by_area[name], key=lambda t: (t.set.title.lower(), t.set.id))
        grave = sum(1 for t in tiles if t.severity)
        found.append(
            Area(
                name=name or "No area",
                tiles=tiles,
                sets=phrases.count(len(tiles), "set"),
                say=f"{grave} {'needs' if grave == 1 else 'need'} you" if grave else "all quiet",
                folded=fold and grave == 0,
            )
        )
    return found


def off_tolerance(rows: Iterable[Row]) -> int:
    """Sets with something to say of their volts or hertz, Notes left out."""
    return sum(
        any(
            isinstance(f.facts, supply.SupplyFacts) and f.severity != "note"
            for f in summary.findings
        )
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
    unit: Unit,
    site: Site,
    customer: Customer,
    summary: UnitSummary | None,
    now: int,
    say: Say,
) -> Tile:
    """One set on the wall: its finding, else what is wrong with its readiness, else its condition."""
    finding = worst(summary.findings) if summary else None
    ready = summary.readiness.state if summary and summary.readiness else None
    ran_at = summary.ran_at if summary else None
    return Tile(
        set=set_name(unit, site, customer),
        severity=finding.severity if finding else None,
        said=say(finding, site.time_zone, now).title if finding else "",
        ready=ready if ready == "not_ready" or (ready == "doubtful" and ran_at is None) else None,
        condition=summary.condition if summary else None,
        state=readiness_sentences.condition_now(summary, site.time_zone, now) if summary else "",
        live=bool(summary and summary.condition in TURNING),
    )

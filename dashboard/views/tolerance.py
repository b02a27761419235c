"""Volts and hertz that are out or on their way out, in words, worst first. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import get_args

from dashboard import phrases
from dashboard.views.audience import Say
from dashboard.views.named import SetName, set_name
from fleet.findings import supply
from fleet.model import SEVERITIES, Customer, Finding, Severity, Site, Unit, UnitSummary

Row = tuple[Unit, Site, Customer, UnitSummary | None]
GROUPS: tuple[supply.Group, ...] = get_args(supply.Group)


@dataclass(frozen=True, slots=True, kw_only=True)
class OffLine:
    """One finding in words. share: how far, as a part of the way to its limit; order: its place."""

    set: SetName
    group: str
    severity: Severity
    said: str
    seen: str
    share: str
    since: str
    order: tuple[int, int, float, int, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class OffGroup:
    """The findings of one kind of trouble."""

    name: str
    rows: list[OffLine]


def grouped(lines: list[OffLine]) -> list[OffGroup]:
    """Lines by their group, the gravest group first; empty ones left out."""
    return [
        OffGroup(name=name, rows=inside)
        for name in GROUPS
        if (inside := [line for line in lines if line.group == name])
    ]


def lines(row: Row, now: int, say: Say) -> list[OffLine]:
    """What is said of one set: a line a finding of volts and hertz."""
    unit, site, customer, summary = row
    name = set_name(unit, site, customer)
    return [
        line(name, finding, site.time_zone, now, say)
        for finding in (summary.findings if summary else ())
        if isinstance(finding.facts, supply.SupplyFacts)
    ]


def line(set: SetName, finding: Finding, zone: str, now: int, say: Say) -> OffLine:
    """One finding of a set in words."""
    said = say(finding, zone, now)
    facts = finding.facts
    assert isinstance(facts, supply.SupplyFacts)
    name, far = supply.group(facts), supply.share_of(facts)
    return OffLine(
        set=set,
        group=name,
        severity=finding.severity,
        said=said.title,
        seen=said.seen,
        share="" if far is None else f"{far:.0%} of the way",
        since=phrases.since(finding.since, zone, now),
        order=(
            GROUPS.index(name),
            SEVERITIES.index(finding.severity),
            -far if far is not None else 0.0,
            finding.since,
            finding.kind,
        ),
    )

"""What a set asks for, on its page and where its jobs are shown: sentence, next step, cautions. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from dashboard import phrases
from dashboard.views.audience import Say
from fleet.findings.service import ServiceDue
from fleet.model import SEVERITIES, Finding, Severity


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """Something to act on: what was seen (a line a finding), and the next step."""

    severity: Severity
    title: str
    seen: list[str]
    do: str
    since: str
    key: str


def notices(findings: tuple[Finding, ...], zone: str, now: int, say: Say) -> list[Notice]:
    """Findings to act on, gravest first, with sentence and next step; due work of one severity
    in one notice."""
    grave = [f for f in findings if f.severity != "note"]
    grave.sort(key=lambda f: (SEVERITIES.index(f.severity), f.since))
    found: dict[tuple[str, str], Notice] = {}
    for f in grave:
        said = say(f, zone, now)
        part = "" if isinstance(f.facts, ServiceDue) else f.part
        notice = found.setdefault(
            (f.severity, f"{f.kind} {part}"),
            Notice(
                severity=f.severity,
                title=said.title,
                seen=[],
                do=said.do,
                since=phrases.since(f.since, zone, now),
                key=f"{f.kind} {part} {f.since}",
            ),
        )
        notice.seen.append(said.seen)
    return list(found.values())


def cautions(findings: tuple[Finding, ...], zone: str, now: int, say: Say) -> list[str]:
    """Every caution line of the findings, once."""
    said = [line for f in findings for line in say(f, zone, now).cautions]
    return list(dict.fromkeys(said))

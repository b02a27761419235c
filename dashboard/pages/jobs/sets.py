"""What a set says where its jobs are shown: its findings in the words of the alert."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from dashboard import frames, phrases
from dashboard.deps import Desk
from dashboard.one_unit import Found
from dashboard.pages.unit import page as unit_page
from fleet import words
from fleet.model import Finding, Job, Scope, Severity
from fleet.registry import pages
from fleet.registry.engine import Registry

OVER_AT_MOST = 5
Grave = tuple[Severity, str]
"""A severity and a few words."""
GRAVE: tuple[Severity, ...] = ("act_now", "same_day")


def told(desk: Desk, scope: Scope, job: Job, row: Found | None, now: int) -> dict[str, Any]:
    """Open findings of the job's set, the gravest first; and what ended since the job was made."""
    if row is None:
        return {"open": [], "over": [], "grave": "", "cautions": words.CAUTIONS}
    _, site, _, summary = row
    zone = site.time_zone
    findings = summary.findings if summary else ()
    return {
        "open": unit_page.notices(findings, zone, now),
        "over": _over(desk, scope, job, findings, zone, now),
        "grave": findings[0].severity if findings and findings[0].severity in GRAVE else "",
        "cautions": tuple(dict.fromkeys((*unit_page.cautions(findings, zone, now), *words.CAUTIONS))),
    }  # fmt: skip


def _over(
    desk: Desk, scope: Scope, job: Job, findings: Iterable[Finding], zone: str, now: int
) -> list[str]:
    """Alerts that stood when the job was made, or came after it, and have ended."""
    found: list[str] = []
    stands = {(f.kind, f.part) for f in findings}
    for episode in pages.episodes(desk.registry, scope, open_only=False, unit=job.unit):
        closed = episode.closed_at
        if closed is None or closed < job.opened_at or episode.severity == "note":
            continue
        if (episode.kind, episode.part) in stands:
            continue
        title = words.sentence(episode.finding, zone, now).title
        found.append(f"{title}: over since {words.moment(closed, zone, now)}.")
    return found[:OVER_AT_MOST]


def worst(registry: Registry, scope: Scope, units: Iterable[str], now: int) -> dict[str, Grave]:
    """(severity, a few words) of sets whose gravest finding is Act now or Same day, by unit."""
    found: dict[str, Grave] = {}
    for row in pages.units_named(registry, scope, units):
        zone = row.site.time_zone
        one = frames.worst(row.summary.findings) if row.summary else None
        if one is not None and one.severity in GRAVE and one.kind != "service_due":
            said = words.sentence(one, zone, now)
            found[row.unit.id] = (
                one.severity,
                f"{said.title}, {phrases.since(one.since, zone, now)}",
            )
    return found


def line_of(found: Grave | None) -> str:
    """The same in one line, for paper: `Act now: Did not start, since 06:12`; "" : nothing grave."""
    return f"{words.severity(found[0])}: {found[1]}" if found else ""

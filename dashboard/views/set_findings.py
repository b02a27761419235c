"""What a set has found where its jobs are shown: its findings in the words of the alert."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from dashboard import phrases
from dashboard.request_context import FoundUnit, Services
from dashboard.views import set_notices
from dashboard.views.findings import worst
from fleet import words
from fleet.findings.service import ServiceDue
from fleet.model import Episode, Finding, Job, Scope, Severity
from fleet.registry import lists
from fleet.registry.base.engine import Registry
from fleet.registry.lists.unit import UnitRow

OVER_AT_MOST = 5
"""What was told and is over, so many. A page's length."""
Grave = tuple[Severity, str]
"""A severity and a few words."""
GRAVE: tuple[Severity, ...] = ("act_now", "same_day")


@dataclass(frozen=True, slots=True, kw_only=True)
class SetFindings:
    """What a job's set has found. open: what stands, the gravest first; over: what ended since the
    job was made, in sentences; first: what cannot wait, for beside the set's condition."""

    open: tuple[set_notices.Notice, ...] = ()
    over: tuple[str, ...] = ()
    first: set_notices.Notice | None = None
    cautions: tuple[str, ...] = words.CAUTIONS


def set_findings(
    services: Services, scope: Scope, job: Job, row: FoundUnit | None, now: int
) -> SetFindings:
    """Open findings of the job's set, the gravest first; and what ended since the job was made."""
    if row is None:
        return SetFindings()
    _, site, _, summary = row
    zone = site.time_zone
    findings = summary.findings if summary else ()
    return SetFindings(
        open=tuple(set_notices.notices(findings, zone, now, words.sentence)),
        over=tuple(_over(services, scope, job, findings, zone, now)),
        first=_first(findings, zone, now),
        cautions=tuple(
            dict.fromkeys(
                (*set_notices.cautions(findings, zone, now, words.sentence), *words.CAUTIONS)
            )
        ),
    )


def _first(findings: Iterable[Finding], zone: str, now: int) -> set_notices.Notice | None:
    """The gravest finding that cannot wait, for beside the set's condition; None: there is none."""
    grave = [f for f in findings if f.severity in GRAVE and not isinstance(f.facts, ServiceDue)]
    return next(iter(set_notices.notices(tuple(grave), zone, now, words.sentence)), None)


def _over(
    services: Services, scope: Scope, job: Job, findings: Iterable[Finding], zone: str, now: int
) -> list[str]:
    """Alerts that stood when the job was made, or came after it, and have ended."""
    found: list[str] = []
    stands = {(f.kind, f.part) for f in findings}
    for episode in lists.episodes(services.registry, scope, open_only=False, unit=job.unit):
        ended = _ended(episode)
        if episode.severity == "note" or (episode.kind, episode.part) in stands:
            continue
        if ended is not None and ended < job.opened_at:
            continue
        title = words.sentence(episode.finding, zone, now).title
        over = "not seen any more" if ended is None else f"over {phrases.since(ended, zone, now)}"
        found.append(f"{title}: {over}.")
    return found[:OVER_AT_MOST]


def _ended(episode: Episode) -> int | None:
    """When the condition of an alert that does not stand any more was last seen to end (UTC seconds)."""
    ends = [s.at for s in episode.steps if s.kind in ("lapsed", "returned", "cleared")]
    return max(ends, default=episode.closed_at)


def gravest(registry: Registry, scope: Scope, units: Iterable[str], now: int) -> dict[str, Grave]:
    """(severity, a few words) of sets whose gravest finding is Act now or Same day, by unit."""
    return gravest_of(lists.units_named(registry, scope, units), now)


def gravest_of(sets: Iterable[UnitRow], now: int) -> dict[str, Grave]:
    """The same of sets that are read already."""
    found: dict[str, Grave] = {}
    for row in sets:
        zone = row.site.time_zone
        one = worst(row.summary.findings) if row.summary else None
        if one is not None and one.severity in GRAVE and not isinstance(one.facts, ServiceDue):
            said = words.sentence(one, zone, now)
            found[row.unit.id] = (
                one.severity,
                f"{said.title}, {phrases.since(one.since, zone, now)}",
            )
    return found


def line_of(found: Grave | None) -> str:
    """The same in one line, for paper: `Act now: Did not start, since 06:12`; "" : nothing grave."""
    return f"{words.severity(found[0])}: {found[1]}" if found else ""

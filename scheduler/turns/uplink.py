"""Many sets silent together without an outage: one alert on our own line, not one on each set."""

from __future__ import annotations

from collections.abc import Iterable

from fleet.findings import reporting, this_service
from fleet.findings.reporting import NotReporting
from fleet.findings.this_service import OwnLine
from fleet.model import EVERYTHING, Episode, Finding, Step
from fleet.registry import lists
from fleet.registry.base.engine import Registry
from fleet.registry.told import kept_outages
from fleet.registry.told.episodes import write_alone
from fleet.registry.told.rows import AlertChanges
from scheduler import alarms
from scheduler.alarms import AlertNews, Office
from scheduler.outage.stepping import RECENT_S
from scheduler.turns import service_alert
from scheduler.turns.outages import Places

OWN_LINE, SILENT = this_service.OWN_LINE.kind, reporting.NOT_REPORTING.kind
LINE_SETS_LEAST = 5
LINE_SHARE_LEAST = 0.2
LINE_WITHIN_S = 600
"""Our own line: at least 5 sets and a fifth of all fell silent within 10 min. Common practice, no
source."""


def look(registry: Registry, places: Places, office: Office, now: int) -> int:
    """One alert where many sets fell silent together and no mains was lost first."""
    many = places.newly_silent()
    known = service_alert.open_one(registry, OWN_LINE)
    if many < LINE_SETS_LEAST and known is None:
        return 0
    found = uplink_finding(_silent(registry, now), lists.counts(registry, EVERYTHING).units)
    change = service_alert.change(known, found, now)
    if change is None:
        return 0
    afresh = bool(change.opened) or any(s.kind == "recurred" for s in change.steps)
    held = _hold_back(registry, change.episode, now) if afresh else []
    news = AlertNews(
        episode=change.episode,
        steps=change.told,
        place="All sets",
        zone=office.rota.zone,
        criticality="life",
    )
    changes = AlertChanges(
        opened=change.opened,
        steps=(*change.steps, *held),
        notices=alarms.tell([news], office, now),
        withdrawn=(*alarms.withdrawn([news]), *(step.episode for step in held)),
    )
    return int(write_alone(registry, changes, now))


def _hold_back(registry: Registry, line: Episode, now: int) -> list[Step]:
    """The steps that hold back the alerts on sets that fell silent with our line."""
    window = line.finding.facts
    if not isinstance(window, OwnLine):
        return []
    found = lists.episodes(registry, EVERYTHING, True, None, 1000, kinds=[SILENT])
    return [
        alarms.next_step(e, "suppressed", now, cause=line.id)
        for e in found
        if isinstance(facts := e.finding.facts, NotReporting)
        and window.from_at <= (facts.silent_since or 0) <= window.to_at
        and alarms.state_of(e) in ("unacknowledged", "acknowledged")
    ]


def _silent(registry: Registry, now: int) -> list[int]:
    """When each set that is silent now was last heard, but those that an outage explains."""
    out = {m.unit for o in kept_outages.going_on(registry, now - RECENT_S) for m in o.members}
    found: list[int] = []
    cursor: str | None = None
    while True:
        rows = lists.units(
            registry, EVERYTHING, limit=1000, cursor=cursor, condition="not_reporting"
        )
        for row in rows:
            summary = row.summary
            if summary is None or summary.heard_at is None or row.unit.id in out:
                continue
            if summary.mains.last == "absent":
                continue
            found.append(summary.heard_at)
        if len(rows) < 1000:
            return found
        cursor = rows[-1].unit.id


def uplink_finding(silent: Iterable[int], units: int) -> Finding | None:
    """Act now on the service itself: the most sets that were last heard within 10 min, if they are
    at least five and a fifth of all. silent: when each silent set was last heard (UTC seconds)."""
    at = sorted(silent)
    best: tuple[int, int, int] = (0, 0, 0)
    first = 0
    for last, moment in enumerate(at):
        while at[first] < moment - LINE_WITHIN_S:
            first += 1
        best = max(best, (last - first + 1, at[first], moment))
    number, start, end = best
    if number < LINE_SETS_LEAST or number < LINE_SHARE_LEAST * units:
        return None
    return Finding(
        severity="act_now",
        since=start,
        facts=OwnLine(units=number, of=units, from_at=start, to_at=end),
    )

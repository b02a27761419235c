"""The words of notices from their alerts as they stand: when one is made of another, and before each
try to deliver it."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from fleet.findings.mains import MainsOutage
from fleet.model import EVERYTHING, AlertPlace, Episode, Finding, Notice
from fleet.registry import lists
from fleet.registry.base.engine import Registry
from fleet.registry.told import alerts, kept_outages
from scheduler import alarms, outage


def as_it_stands(registry: Registry, notices: Sequence[Notice], now: int) -> list[Notice]:
    """The notices in the words of this moment; what is of no alert stays as it is. Raises RegistryDown."""
    known: dict[str, tuple[Episode, bool | None] | None] = {}
    found: list[Notice] = []
    for notice in notices:
        if notice.place is None:
            found.append(notice)
            continue
        if notice.cause not in known:
            known[notice.cause] = _stands(registry, notice.cause)
        stands = known[notice.cause]
        found.append(notice if stands is None else _worded(notice, notice.place, *stands, now))
    return found


def _worded(
    notice: Notice, about: AlertPlace, episode: Episode, unsure: bool | None, now: int
) -> Notice:
    if unsure is not None:
        about = msgspec.structs.replace(about, unsure=unsure)
    return alarms.worded(msgspec.structs.replace(notice, place=about), episode, now)


def _stands(registry: Registry, cause: str) -> tuple[Episode, bool | None] | None:
    """The alert with what is known of its matter by now, and whether no meter has been on its set
    (None: of no set)."""
    episode = alerts.episode(registry, EVERYTHING, cause)
    if episode is None:
        return None
    if isinstance(episode.finding.facts, MainsOutage):
        return _as_counted(registry, episode, episode.finding.facts), None
    kind, _, name = episode.subject.partition(":")
    row = lists.unit(registry, EVERYTHING, name) if kind == "unit" else None
    if row is None or row.summary is None:
        return episode, None
    seen = row.summary
    learning = seen.learning_until is not None and seen.at < seen.learning_until
    new = next((f for f in seen.findings if _same(f, episode)), None)
    return episode if new is None else _with(episode, new), learning or seen.adopted


def _as_counted(registry: Registry, episode: Episode, told: MainsOutage) -> Episode:
    """The alert of an outage with its sets counted anew; as grave as it was told."""
    one = kept_outages.outage(registry, EVERYTHING, episode.id)
    if one is None:
        return episode
    found = outage.finding(one)
    facts = msgspec.structs.replace(found.facts, place=told.place, zone=told.zone)
    return _with(episode, msgspec.structs.replace(found, facts=facts, severity=episode.severity))


def _same(finding: Finding, episode: Episode) -> bool:
    return (finding.kind, finding.part) == (episode.kind, episode.part) and (
        finding.severity != "note"
    )


def _with(episode: Episode, found: Finding) -> Episode:
    """The alert with what was found last; when people could first learn of it stays."""
    if found.since == episode.finding.since:
        found = msgspec.structs.replace(found, learned_at=episode.finding.learned_at)
    return msgspec.structs.replace(episode, finding=found, severity=found.severity)

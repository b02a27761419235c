"""Exercises to look after, for the Due page: what is found open now, gravest first."""

from __future__ import annotations

from dataclasses import dataclass

from dashboard.request_context import Services
from dashboard.views import exercise
from dashboard.views.audience import sentence_for
from dashboard.views.named import SetName, set_name
from fleet.model import Scope
from fleet.registry import lists

AT_MOST = 50
"""Rows. A page's length."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SetReminder:
    """A set whose exercise wants looking after."""

    set: SetName
    said: exercise.Reminder


@dataclass(frozen=True, slots=True, kw_only=True)
class Reminders:
    """What is to be looked after, and the cautions of all of it, each once."""

    rows: list[SetReminder]
    cautions: list[str]


def of_fleet(services: Services, scope: Scope, now: int) -> Reminders:
    """The findings as they are now, not as first told."""
    found: list[SetReminder] = []
    say = sentence_for(scope)
    cautions: list[str] = []
    episodes = lists.episodes(
        services.registry, scope, True, None, AT_MOST, kinds=exercise.REMINDED
    )
    for episode in episodes:
        row = lists.unit(services.registry, scope, episode.subject.partition(":")[2])
        if row is None:
            continue
        unit, site, customer, summary = row
        finding = next(
            (f for f in (summary.findings if summary else ()) if f.kind == episode.kind),
            episode.finding,
        )
        said = exercise.reminder(finding, site.time_zone, now, say)
        found.append(SetReminder(set=set_name(unit, site, customer), said=said))
        cautions += say(finding, site.time_zone, now).cautions
    return Reminders(rows=found, cautions=list(dict.fromkeys(cautions)))

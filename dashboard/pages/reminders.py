"""Exercises to look after, for the Due page: what is found open now, gravest first."""

from __future__ import annotations

from typing import Any

from dashboard import frames
from dashboard.deps import Desk
from dashboard.pages.unit import exercise_words
from fleet import words
from fleet.model import Scope
from fleet.registry import pages

AT_MOST = 50


def of_fleet(desk: Desk, scope: Scope, now: int) -> dict[str, Any]:
    """`reminders` and their `cautions`; the findings as they are now, not as first told."""
    found: list[dict[str, Any]] = []
    cautions: list[str] = []
    episodes = pages.episodes(
        desk.registry, scope, True, None, AT_MOST, kinds=exercise_words.REMINDED
    )
    for episode in episodes:
        row = pages.unit(desk.registry, scope, episode.subject.partition(":")[2])
        if row is None:
            continue
        unit, site, customer, summary = row
        finding = next(
            (f for f in (summary.findings if summary else ()) if f.kind == episode.kind),
            episode.finding,
        )
        named = frames.named(unit, site, customer)
        said = exercise_words.reminder(finding, site.time_zone, now)
        found.append(named | {"title_set": named["title"]} | said)
        cautions += words.sentence(finding, site.time_zone, now).cautions
    return {"reminders": found, "cautions": list(dict.fromkeys(cautions))}

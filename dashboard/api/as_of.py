"""What was known at a moment, where a recording was followed in the folder that is shown."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import datetime
from typing import Annotated

from fastapi import Query

from dashboard.api.times import seconds
from dashboard.problems import Problem
from dashboard.request_context import Services
from fleet.model import SEVERITIES, Episode, Scope
from fleet.past import NO_PAST, Past, episode_as_of, replayed
from fleet.registry.lists.unit import UnitRow
from fleet.registry.told import alerts

AsOf = Annotated[
    datetime | None,
    Query(description="as it was known then: ISO 8601 with a zone; of a followed recording only"),
]


def moment_of(services: Services, as_of: datetime) -> int:
    """UTC seconds of the moment asked for. Problem 409 where this folder keeps no past."""
    if not replayed(services.settings.data):
        raise Problem(409, NO_PAST.format("This folder"))
    return seconds(as_of, "as_of")


@contextmanager
def _past(services: Services) -> Iterator[Past]:
    past = Past(services.settings.data)
    try:
        yield past
    finally:
        past.close()


def then(services: Services, rows: Iterable[UnitRow], at: int) -> list[UnitRow]:
    """Rows, read under the Scope of who asks, with what was known of each unit at a moment."""
    with _past(services) as past:
        return [row._replace(summary=past.summary(row.unit.id, at)) for row in rows]


def alerts_then(services: Services, scope: Scope, at: int, unit: str | None) -> list[Episode]:
    """The alerts that stood at a moment, gravest first, then the oldest."""
    stood = [episode_as_of(e, at) for e in alerts.history(services.registry, scope, at)]
    found = [e for e in stood if e is not None and (unit is None or e.subject == f"unit:{unit}")]
    return sorted(found, key=lambda e: (SEVERITIES.index(e.severity), e.opened_at, e.id))

"""Several sets and the service itself: messages in, as the broker hands them over, and what is said.

Everything goes the real way: bytes through ingest into a store and a registry of its own, then the
scheduler's turns. It is the same Tuesday noon as in `finding_pairs.worlds`.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import msgspec

from finding_pairs.worlds import NOW, ZONE, ago
from fleet.history import History
from fleet.model import EVERYTHING, Contact, Finding, Notice, Rota
from fleet.registry.base.engine import Registry, open_registry
from fleet.registry.lists import episodes, units
from fleet.registry.register import import_units
from fleet.registry.told.outbox import put_notices
from fleet.settings import Settings
from fleet.store import open_store
from ingest.cache import Cache
from ingest.intake import Intake, take
from ingest.wire import Message
from scheduler.alarms import Office
from scheduler.turns import Memory, work_through
from scheduler.turns.undelivered import look as look_undelivered

OFFICE = Office(
    people=(
        Contact(person="ann", name="Ann", ways=("email",)),
        Contact(person="bob", name="Bob", ways=("email",)),
    ),
    rota=Rota(people=("ann", "bob"), start="2026-11-23", zone=ZONE),
)


class Fleet(msgspec.Struct, frozen=True, kw_only=True):
    """Sets of one area, a site each, and what was received of them; others: kinds that rightly speak
    too. notices: messages to people that wait to leave."""

    caption: str
    others: frozenset[str] = frozenset()
    sets: int = 1
    messages: tuple[Message, ...] = ()
    notices: tuple[Notice, ...] = ()


def message(number: int, at: int, body: dict[str, Any], kind: str = "readings") -> Message:
    """What set `number`'s device published, received at a moment [UTC s]."""
    topic = f"hourhand/main/box-{number}/{kind}"
    return Message(topic, json.dumps(body).encode(), at)


def quarters(
    number: int, first: int, last: int, numbered: Iterable[int] = (), **values: float
) -> list[Message]:
    """A report each 15 min, each standing and with mains unless values say otherwise."""
    usual = {"mains_v": 233.0, "battery_v": 13.6, "running": 0.0, "in_auto": 1.0}
    seq = iter(numbered)
    found = []
    for at in range(first, last + 1, 900):
        body: dict[str, Any] = {"at": at, "values": usual | values}
        if (n := next(seq, None)) is not None:
            body["seq"] = n
        found.append(message(number, at, body))
    return found


def findings(world: Fleet) -> tuple[Finding, ...]:
    """Everything that is found or open at noon: of each set, of the area, of the service."""
    with tempfile.TemporaryDirectory() as folder:
        settings = Settings(data=Path(folder), firm="Harrow & Finch", demo=False)
        registry = open_registry(settings)
        history = _judged(settings, registry, world)
        try:
            rows = units(registry, EVERYTHING, limit=100)
            found = [f for row in rows if row.summary for f in row.summary.findings]
            open_now = episodes(registry, EVERYTHING, True, None, 100)
            found += [e.finding for e in open_now if not e.subject.startswith("unit:")]
        finally:
            history.store.close()
            registry.close()
    return tuple(found)


def _judged(settings: Settings, registry: Registry, world: Fleet) -> History:
    rows = [_row(n) for n in range(1, world.sets + 1)]
    report = import_units(registry, rows, ago(days=20), "office")
    assert report.ok, [str(problem) for problem in report.problems]
    store = open_store(settings, writing=True)
    cache = Cache(settings.data / "profiles")
    for batch in _by_receipt(world.messages):
        take(batch, Intake(store, registry, cache, batch[-1].received_at))
    store.close()
    history = History(registry, open_store(settings, writing=False))
    if world.notices:
        put_notices(registry, list(world.notices), min(n.made_at for n in world.notices))
    work_through(registry, history, NOW, Memory())
    look_undelivered(registry, OFFICE, NOW)
    return history


def _by_receipt(messages: Sequence[Message]) -> list[list[Message]]:
    """Batches of what was received in the same hour."""
    found: dict[int, list[Message]] = {}
    for one in sorted(messages, key=lambda m: m.received_at):
        found.setdefault(one.received_at // 3600, []).append(one)
    return list(found.values())


def _row(number: int) -> dict[str, Any]:
    return {
        "customer": f"Customer {number}",
        "site": f"Weir Lane {number}",
        "area": "Weir",
        "time_zone": ZONE,
        "unit": f"gs-{number}",
        "device": f"box-{number}",
        "nominal_v": 230,
        "nominal_hz": 50,
        "running_signal": "running",
        "running_on": 0.5,
        "service_plan": "liquid_diesel",
        "cooling": "liquid",
        "fuel": "diesel",
        "cylinders": 4,
        "rated_kw": 20,
        "habit": "steady 900 60",
        "last_service": "2026-09-20",
        "last_service_hours": 400,
        "charger": "float",
        "battery_fitted": "2024-05-06",
    }

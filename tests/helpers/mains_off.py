"""The seeded fleet without mains: alerts, an outage and who holds the duty phone, for tests of pages."""

from __future__ import annotations

from typing import Any

import msgspec
from found import finding as made
from register_rows import write_turn
from seeding import NOW, SILENT, Fleet, unit_id

from fleet.model import EVERYTHING, Contact, MainsNow, Rota, Run
from fleet.registry import lists, unscoped
from fleet.registry.derived.rows import UnitTurn
from fleet.registry.told import kept_outages
from scheduler.alarms import Office
from scheduler.turns import outages
from scheduler.turns.outages import Places

LOST = NOW - 1500


OFFICE = Office(
    people=(Contact(person="ann", name="Ann", ways=("push",)),),
    rota=Rota(last="ann", zone="Europe/London"),
)


def mains_off(fleet: Fleet) -> str:
    """Three sets of the area North without mains for 25 min: one failed, one silent, one on load.

    Summaries are changed as a unit's turn writes them; returns the outage's id."""
    places = Places()
    gone = MainsNow(state="absent", since=LOST, since_earliest=LOST - 40, at=LOST)
    run = Run(start=LOST + 14, end=None, start_seen="observed", end_seen="open", last_on_at=NOW)
    failed = made("failed_start", severity="act_now", since=LOST + 60, facts={"attempts": 3})
    changes: dict[int, dict[str, Any]] = {
        0: {"mains": gone, "condition": "on_load", "last_run": run, "heard_at": NOW},
        6: {"mains": gone, "findings": (failed,), "heard_at": LOST + 90},
        SILENT: {"mains": gone, "heard_at": LOST},
        8: {"mains": gone, "condition": "on_load", "last_run": run, "heard_at": NOW},
    }
    for n, change in changes.items():
        row = lists.unit(fleet.registry, EVERYTHING, unit_id(n))
        inputs = unscoped.unit_inputs(fleet.registry, unit_id(n))
        assert row is not None
        assert row.summary is not None
        assert inputs is not None
        summary = msgspec.structs.replace(row.summary, **change)
        turn = UnitTurn(
            unit=unit_id(n),
            customer=row.customer.id,
            assessment=b"{}",
            look_again_at=NOW + 60,
            summary=summary,
            facts_seq=inputs.facts_seq,
        )
        assert write_turn(fleet.registry, [turn], NOW) == []
        places.note(inputs, summary)
    outages.look(fleet.registry, places, OFFICE, NOW)
    (found,) = [o for o in kept_outages.outages(fleet.registry, EVERYTHING) if not o.into]
    return found.id


def alert_of(fleet: Fleet, n: int, kind: str) -> str:
    found = lists.episodes(fleet.registry, EVERYTHING, True, unit_id(n))
    return next(e.id for e in found if e.kind == kind)

"""What right rows change: customers, sites and units, with what was agreed before."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import msgspec
import sqlalchemy as sa

from fleet.model import Customer, ExerciseBefore, Site, Unit
from fleet.registry.base import documents, tables
from fleet.registry.base.statements import insert, upsert
from fleet.registry.register.reading import Draft, Known

PLANS_KEPT = 12
"""Earlier agreements of a set's exercise that are kept. A bound of ours."""


def write_places(connection: sa.Connection, drafts: Sequence[Draft]) -> dict[str, bool]:
    """Customers and sites; returns the sites that changed, and whether their zone did."""
    customers = {draft.customer.id: draft.customer for draft in drafts}
    sites = {draft.site.id: draft.site for draft in drafts}
    dialect = connection.dialect.name
    rows = [{"id": c.id, "name": c.name, "doc": documents.encode(c)} for c in customers.values()]
    if rows:
        connection.execute(upsert(dialect, tables.customer), rows)
    old = {row.id: row for row in connection.execute(sa.select(tables.site)) if row.id in sites}
    moved = {
        site.id: old[site.id].zone != site.time_zone
        for site in sites.values()
        if site.id in old and old[site.id].doc != documents.encode(site)
    }
    site_rows = [
        {"id": s.id, "customer": s.customer, "zone": s.time_zone, "doc": documents.encode(s)}
        for s in sites.values()
    ]
    if site_rows:
        connection.execute(upsert(dialect, tables.site), site_rows)
    return moved


def write_units(connection: sa.Connection, drafts: Sequence[Draft]) -> None:
    """Units, new or changed; how often their facts changed (`facts_seq`) is kept."""
    rows = [_unit_row(d.unit, d.site, d.customer) for d in drafts]
    statement = insert(connection, tables.unit)
    if rows:
        kept = {"facts_seq": tables.unit.c.facts_seq}
        names = ("customer", "site", "area", "plan", "words", "doc")
        changes = {name: statement.excluded[name] for name in names}
        fresh = statement.on_conflict_do_update(index_elements=["id"], set_=changes | kept)
        connection.execute(fresh, rows)


def _unit_row(unit: Unit, site: Site, customer: Customer) -> dict[str, Any]:
    words = (
        unit.id,
        site.name,
        customer.name,
        site.address,
        unit.make,
        unit.model,
        unit.serial,
        unit.area,
        unit.contact,
        unit.phone,
        site.contact,
        site.phone,
        customer.phone,
    )
    phones = (unit.phone, site.phone, customer.phone)
    digits = dict.fromkeys("".join(filter(str.isdigit, phone)) for phone in phones)
    return {
        "id": unit.id,
        "customer": customer.id,
        "site": site.id,
        "area": unit.area,
        "plan": unit.service_plan,
        "words": "\n".join(filter(None, (*words, *digits))).lower(),
        "facts_seq": 0,
        "doc": documents.encode(unit),
    }


def date_plans(drafts: Sequence[Draft], known: Known, now: int) -> None:
    """Keep what was agreed of the exercise until now where it changes; a first plan has no past."""
    for draft in drafts:
        old, new = known.units.get(draft.unit.id), draft.unit
        if old is None:
            continue
        before = old.exercise_before
        terms = (old.exercise, old.exercise_minutes, old.exercise_load)
        agreed = bool(old.exercise or before)
        if agreed and terms != (new.exercise, new.exercise_minutes, new.exercise_load):
            ended = ExerciseBefore(until_at=now, rule=terms[0], minutes=terms[1], load=terms[2])
            before = (*before, ended)[-PLANS_KEPT:]
        draft.unit = msgspec.structs.replace(new, exercise_before=before)

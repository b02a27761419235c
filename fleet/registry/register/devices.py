"""Which device speaks for a unit, as the rows say."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from uuid import NAMESPACE_URL, uuid5

import msgspec
import sqlalchemy as sa

from fleet.model import Record
from fleet.registry.base import tables
from fleet.registry.facts import fittings
from fleet.registry.facts.fittings import Claim
from fleet.registry.facts.records import days_changed, units_changed
from fleet.registry.register.reading import Draft, Known


def first_devices(connection: sa.Connection, drafts: Sequence[Draft], known: Known) -> None:
    """Give each new unit its first device: the one named, else the one of the same id if free; none where
    the row says so."""
    named = {draft.device for draft in drafts if draft.device}
    taken = named | set(connection.execute(sa.select(tables.claim.c.device)).scalars())
    for draft in drafts:
        if draft.unit.id not in known.units:
            own = "" if draft.bare or draft.unit.id in taken else draft.unit.id
            device = draft.device or own
            draft.unit = msgspec.structs.replace(draft.unit, device=device)


def write_devices(
    connection: sa.Connection, drafts: Sequence[Draft], known: Known, now: int, by: str
) -> list[Record]:
    """First fittings, from the beginning; what must be a fitting from now on is returned.

    That is a device named after the one before was heard, after a person recorded a fitting of
    the unit, or after it spoke for another unit: nothing already read changes its unit.
    """
    claims: list[Claim] = []
    records: list[Record] = []
    heard, said = _heard(connection), _with_records(connection)
    claimed = {row.device: row.unit for row in connection.execute(sa.select(tables.claim))}
    for draft in drafts:
        unit, old = draft.unit.id, known.units.get(draft.unit.id)
        device = draft.device if old else draft.unit.device
        if not device or (old is not None and device == old.device):
            continue
        settled = old is not None and (old.device in heard or unit in said)
        if settled or claimed.get(device, unit) != unit:
            records.append(_swap(unit, device, now, by))
            continue
        claims.append(
            Claim(
                id=f"fit-{uuid5(NAMESPACE_URL, unit)}",
                unit=unit,
                device=device,
                from_at=None,
                said_at=now,
                said_by=by,
            )
        )
    fittings.register_devices(connection, {claim.device: None for claim in claims}, now)
    fittings.put_claims(connection, claims)
    changed = fittings.rebuild(connection, [c.unit for c in claims], [c.device for c in claims])
    old_units = {u: day for u, day in days_changed(changed).items() if u in known.units}
    if old_units:
        units_changed(connection, old_units, now)
    return records


def _heard(connection: sa.Connection) -> set[str]:
    return set(connection.execute(sa.select(tables.pulse.c.device)).scalars())


def _with_records(connection: sa.Connection) -> set[str]:
    """Units whose fittings a person recorded."""
    query = sa.select(tables.claim.c.unit).where(tables.claim.c.from_at.is_not(None))
    return set(connection.execute(query).scalars())


def _swap(unit: str, device: str, now: int, by: str) -> Record:
    made = uuid5(NAMESPACE_URL, f"{unit}\n{device}\n{now}")
    facts = {"device": device, "from": now, "text": "device changed in the register"}
    return Record(
        id=str(made),
        at=now,
        by=by,
        unit=unit,
        kind="fitting",
        facts=facts,
        made_at=now,
        via="import",
    )


def write_groups(
    connection: sa.Connection, drafts: Iterable[Draft], known: Known, now: int
) -> set[str]:
    """Groups of devices named by rows; returns the units whose device got another group."""
    query = sa.select(tables.fitting.c.unit, tables.fitting.c.device, tables.device.c.grp)
    joined = tables.fitting.join(tables.device, tables.device.c.id == tables.fitting.c.device)
    open_now = query.select_from(joined).where(tables.fitting.c.to_at.is_(None))
    fitted = {row.unit: row for row in connection.execute(open_now)}
    changed = {
        d.unit.id: (fitted[d.unit.id].device, d.group)
        for d in drafts
        if d.group is not None and d.unit.id in fitted and fitted[d.unit.id].grp != d.group
    }
    fittings.register_devices(connection, dict(changed.values()), now)
    return {unit for unit in changed if unit in known.units}

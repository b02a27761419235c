"""Which device spoke for which unit: worked out from what the register and people said.

A claim says that a device speaks for a unit from a moment on. Claims in order of their moment
give fittings that never overlap, in whatever order they became known.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from typing import Any

import msgspec
import sqlalchemy as sa

from fleet.model import Fitting, Unit
from fleet.registry.base import documents
from fleet.registry.base import tables as t
from fleet.registry.base.statements import insert_of, upsert
from fleet.registry.facts import calibrations

CHUNK = 1_000
"""Units and devices worked out in one go: what a statement can name. A size of a batch."""


class Claim(msgspec.Struct, frozen=True, kw_only=True):
    """From `from_at` on (None: always) this device speaks for this unit, somebody said."""

    id: str
    unit: str
    device: str
    from_at: int | None
    said_at: int
    said_by: str = ""


def fittings_from(claims: Iterable[Claim]) -> list[Fitting]:
    """Fittings of these claims, oldest first.

    A claim ends what the unit had before, and what the device spoke for elsewhere. Of two claims
    from the same moment the one said later holds. A claim that changes nothing makes no fitting.
    No two fittings of a unit, and none of a device, overlap.
    """
    done: list[Fitting] = []
    of_unit: dict[str, Fitting] = {}
    of_device: dict[str, Fitting] = {}

    def end(fitting: Fitting | None, at: int | None) -> None:
        if fitting is None:
            return
        del of_unit[fitting.unit], of_device[fitting.device]
        if at is not None and (fitting.from_at is None or fitting.from_at < at):
            done.append(msgspec.structs.replace(fitting, to_at=at))

    for claim in sorted(claims, key=_in_time):
        now = of_unit.get(claim.unit)
        if now is not None and now.device == claim.device:
            continue
        end(now, claim.from_at)
        end(of_device.get(claim.device), claim.from_at)
        fitting = Fitting(
            id=claim.id,
            device=claim.device,
            unit=claim.unit,
            from_at=claim.from_at,
            by=claim.said_by,
        )
        of_unit[claim.unit] = of_device[claim.device] = fitting
    done.extend(of_unit.values())
    return sorted(done, key=lambda f: (f.from_at is not None, f.from_at or 0, f.unit))


def _in_time(claim: Claim) -> tuple[bool, int, int, str]:
    return claim.from_at is not None, claim.from_at or 0, claim.said_at, claim.id


def first_difference(old: Sequence[Fitting], new: Sequence[Fitting]) -> tuple[bool, int | None]:
    """Whether one unit's fittings differ, and from which moment on (None: from the beginning)."""
    edges = {edge for f in (*old, *new) for edge in (f.from_at, f.to_at) if edge is not None}
    for edge in (None, *sorted(edges)):
        if _device_at(old, edge) != _device_at(new, edge):
            return True, edge
    return False, None


def _device_at(fittings: Sequence[Fitting], at: int | None) -> tuple[str, str] | None:
    """Device and fitting at a moment; at None: before any other."""
    for f in fittings:
        if f.from_at is None and at is None:
            return f.device, f.id
        if at is None or (f.from_at is not None and f.from_at > at):
            continue
        if f.to_at is None or f.to_at > at:
            return f.device, f.id
    return None


def register_devices(connection: sa.Connection, groups: dict[str, str | None], now: int) -> None:
    """Make these devices known to the office; a group of None keeps the one they have.

    A device with no group takes the one of its topic as soon as it is heard.
    """
    statement = insert_of(connection.dialect.name, t.device)
    for device, group in groups.items():
        values = {"registered": True} if group is None else {"registered": True, "grp": group}
        row = {
            "id": device,
            "grp": group or "",
            "registered": True,
            "profile": "",
            "first_at": now,
        }
        connection.execute(
            statement.values(row).on_conflict_do_update(index_elements=["id"], set_=values)
        )


def put_claims(connection: sa.Connection, claims: Collection[Claim]) -> None:
    """Write claims; one of the same id is replaced. `rebuild` must follow."""
    if claims:
        rows = [msgspec.structs.asdict(claim) for claim in claims]
        connection.execute(upsert(connection.dialect.name, t.claim), rows)


def drop_claim(connection: sa.Connection, id: str) -> None:
    """Take a claim back. `rebuild` must follow, with its unit and device."""
    connection.execute(sa.delete(t.claim).where(t.claim.c.id == id))


def rebuild(
    connection: sa.Connection, units: Collection[str], devices: Collection[str]
) -> dict[str, int | None]:
    """Work the fittings of these units and devices out anew, with all that hang together with them.

    Returns the units whose fittings changed, each with the moment from which on (None: always).
    Also brings each unit's own `device` and its calibrations up to date.
    """
    changed: dict[str, int | None] = {}
    left_units, left_devices = sorted(set(units)), sorted(set(devices))
    while left_units or left_devices:
        some_units, left_units = left_units[:CHUNK], left_units[CHUNK:]
        some_devices, left_devices = left_devices[:CHUNK], left_devices[CHUNK:]
        changed |= _rebuild(connection, set(some_units), set(some_devices))
    return changed


def _rebuild(
    connection: sa.Connection, units: set[str], devices: set[str]
) -> dict[str, int | None]:
    claims = _together(connection, units, devices)
    involved = sorted({claim.unit for claim in claims} | units)
    old = _stored(connection, involved)
    new: dict[str, list[Fitting]] = {unit: [] for unit in involved}
    for fitting in fittings_from(claims):
        new[fitting.unit].append(fitting)
    changed = {}
    for unit in involved:
        differs, moment = first_difference(old.get(unit, []), new[unit])
        if differs:
            changed[unit] = moment
    if changed:
        _replace(connection, {unit: new[unit] for unit in changed})
    return changed


def _together(connection: sa.Connection, units: set[str], devices: set[str]) -> list[Claim]:
    """Every claim that shares a unit or a device with these, and with those, and so on."""
    c = t.claim.c
    found: dict[str, Claim] = {}
    while units or devices:
        query = sa.select(t.claim).where(sa.or_(c.unit.in_(units), c.device.in_(devices)))
        new = [Claim(**row._mapping) for row in connection.execute(query) if row.id not in found]
        found.update({claim.id: claim for claim in new})
        units, devices = {claim.unit for claim in new}, {claim.device for claim in new}
    return list(found.values())


def _stored(connection: sa.Connection, units: list[str]) -> dict[str, list[Fitting]]:
    stored: dict[str, list[Fitting]] = {}
    for row in connection.execute(sa.select(t.fitting).where(t.fitting.c.unit.in_(units))):
        stored.setdefault(row.unit, []).append(
            Fitting(
                id=row.id,
                device=row.device,
                unit=row.unit,
                from_at=row.from_at,
                to_at=row.to_at,
                by=row.said_by,
            )
        )
    return stored


def _replace(connection: sa.Connection, fittings: dict[str, list[Fitting]]) -> None:
    connection.execute(sa.delete(t.fitting).where(t.fitting.c.unit.in_(list(fittings))))
    rows = [_row(fitting) for of_unit in fittings.values() for fitting in of_unit]
    if rows:
        connection.execute(sa.insert(t.fitting), rows)
    _name_devices(connection, fittings)
    for unit, of_unit in fittings.items():
        calibrations.work_out(connection, unit, of_unit)


def _row(fitting: Fitting) -> dict[str, Any]:
    row = msgspec.structs.asdict(fitting)
    row["said_by"] = row.pop("by")
    return row


def _name_devices(connection: sa.Connection, fittings: dict[str, list[Fitting]]) -> None:
    """Write the device fitted now into each unit's document."""
    query = sa.select(t.unit.c.id, t.unit.c.doc).where(t.unit.c.id.in_(list(fittings)))
    for row in connection.execute(query).all():
        unit: Unit = documents.unit(row.doc)
        device = next((f.device for f in fittings[row.id] if f.to_at is None), "")
        if device != unit.device:
            doc = documents.encode(msgspec.structs.replace(unit, device=device))
            connection.execute(sa.update(t.unit).where(t.unit.c.id == row.id).values(doc=doc))

"""What records change: fittings, calibrations, and the days computed again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import msgspec
import sqlalchemy as sa

from fleet.calendar import DAY_S
from fleet.model import PHASES_OF, Record, System, Unit
from fleet.registry.base import documents
from fleet.registry.base import tables as t
from fleet.registry.base.statements import bump, note_changes
from fleet.registry.derived.touches import touch_units
from fleet.registry.facts import calibrations, fittings
from fleet.registry.facts.fittings import Claim
from fleet.registry.facts.records.check import Accepted
from fleet.registry.facts.units import fittings_of


def units_changed(connection: sa.Connection, touched: dict[str, int], now: int) -> None:
    """Facts of these units changed from these UTC days on: touch, count, tell the pages."""
    touch_units(connection, touched, now)
    units = sorted(touched)
    c = t.unit.c
    connection.execute(
        sa.update(t.unit).where(c.id == sa.bindparam("b_id")).values(facts_seq=c.facts_seq + 1),
        [{"b_id": unit} for unit in units],
    )
    bump(connection, "facts_version")
    rows = connection.execute(sa.select(c.id, c.customer).where(c.id.in_(units))).all()
    note_changes(connection, [{"at": now, "unit": r.id, "customer": r.customer} for r in rows])


def days_changed(changed: Mapping[str, int | None]) -> dict[str, int]:
    """Moments (None: always) as UTC days."""
    return {unit: 0 if at is None else at // DAY_S for unit, at in changed.items()}


def refit(connection: sa.Connection, new: Sequence[Accepted], now: int) -> dict[str, int]:
    """Apply fittings and take corrected ones back; returns changed units with their UTC day."""
    said = [one.record for one in new if one.record.kind == "fitting"]
    undone = [one.old for one in new if one.old is not None and one.old.kind == "fitting"]
    if not said and not undone:
        return {}
    fittings.register_devices(connection, {r.facts["device"]: None for r in said}, now)
    fittings.put_claims(
        connection,
        [
            Claim(
                id=r.id,
                unit=r.unit,
                device=r.facts["device"],
                from_at=r.facts["from"],
                said_at=r.made_at,
                said_by=r.by,
            )
            for r in said
        ],
    )
    for old in undone:
        fittings.drop_claim(connection, old.id)
    involved = [*said, *undone]
    changed = fittings.rebuild(
        connection, [r.unit for r in involved], [r.facts["device"] for r in involved]
    )
    return days_changed(changed)


def recalibrate(connection: sa.Connection, new: Sequence[Accepted]) -> None:
    """Work out anew the calibrations of the units whose checks were added or taken back."""
    kinds = calibrations.CALIBRATING
    known = [r for one in new for r in (one.record, one.old) if r is not None]
    for unit in sorted({r.unit for r in known if r.kind in kinds}):
        calibrations.work_out(connection, unit, fittings_of(connection, unit))


def declare(connection: sa.Connection, new: Sequence[Accepted]) -> dict[str, int]:
    """Write into the register how sets are said to be connected; all their days are judged so.

    The newest such record that nobody took back counts; where the last one was taken back the set
    is undeclared again. Returns the changed units with their first UTC day.
    """
    said = [r for one in new for r in (one.record, one.old) if r is not None and r.kind == "system"]
    changed: dict[str, int] = {}
    for id in sorted({r.unit for r in said}):
        unit = documents.unit(
            connection.execute(sa.select(t.unit.c.doc).where(t.unit.c.id == id)).scalar_one()
        )
        declared = _declared(unit, _newest_system(connection, id))
        if declared != unit:
            row = sa.update(t.unit).where(t.unit.c.id == id)
            connection.execute(row.values(doc=documents.encode(declared)))
            changed[id] = 0
    return changed


def _newest_system(connection: sa.Connection, unit: str) -> Record | None:
    c = t.record.c
    taken_back = sa.select(c.corrects).where(c.unit == unit, c.corrects.is_not(None))
    query = (
        sa.select(c.doc)
        .where(c.unit == unit, c.kind == "system", c.id.not_in(taken_back))
        .order_by(c.at.desc(), c.made_at.desc(), c.id.desc())
        .limit(1)
    )
    doc = connection.execute(query).scalar_one_or_none()
    return None if doc is None else documents.record(doc)


def _declared(unit: Unit, record: Record | None) -> Unit:
    if record is None:
        return msgspec.structs.replace(unit, system="", line_v=None, senses={}, bus="")
    facts = record.facts
    system: System = facts["system"]
    return msgspec.structs.replace(
        unit,
        system=system,
        phases=PHASES_OF[system],
        line_v=facts.get("line_v"),
        senses=facts.get("senses", {}),
        bus=facts.get("bus", ""),
    )

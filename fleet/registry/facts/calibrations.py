"""Which line and which format hold for readings: worked out from the checks that people recorded.

A calibration belongs to the fitting that spoke at its moment. It is worked out from all checks of
that fitting and channel that still stand, so it does not matter in which order they became known.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import sqlalchemy as sa

from fleet.calibration import CalibrationRefused, Line, Point, from_check, joined_points
from fleet.model import Calibration, Fitting, Record, Unit
from fleet.registry.base import documents
from fleet.registry.base import tables as t

CALIBRATING = frozenset({"meter_check", "hour_format"})
"""Kinds of record that a calibration is made from."""


def points_of(check: Record) -> tuple[Point, ...]:
    """What the meter and the device said at a check [V]; one point or two."""
    return tuple(zip(check.facts["meter"], check.facts["raw"], strict=False))


def line_of(check: Record, earlier: Sequence[Record], unit: Unit) -> tuple[Line, tuple[Point, ...]]:
    """Line and points that hold from a check on; earlier: checks of its channel and fitting.

    Raises CalibrationRefused.
    """
    volts = (unit.nominal_v, unit.battery_nominal_v)
    channel = check.facts["channel"]
    meter, raw = tuple(check.facts["meter"]), tuple(check.facts["raw"])
    if len(meter) != len(raw):
        from_check(channel, meter, raw, *volts)
    points = joined_points(channel, [points_of(one) for one in earlier], points_of(check), *volts)
    try:
        line = from_check(channel, [m for m, _ in points], [r for _, r in points], *volts)
    except CalibrationRefused as refused:
        if len(points) == len(meter):
            raise
        other = points[0]
        raise CalibrationRefused(
            f"{refused} This check was joined to an earlier one, where the meter said {other[0]:g} V "
            f"and the device {other[1]:g} V: if that one was wrong, take it back first."
        ) from refused
    return line, points


def earlier_checks(
    check: Record, records: Iterable[Record], fittings: Sequence[Fitting]
) -> list[Record]:
    """Checks of the same channel and fitting before this one, oldest first.

    records: those that stand. What this check corrects does not count.
    """
    mine = _spoke(fittings, check.at)
    return sorted(
        (
            r
            for r in records
            if r.kind == "meter_check"
            and r.id not in (check.id, check.corrects)
            and r.facts["channel"] == check.facts["channel"]
            and _order(r) < _order(check)
            and _spoke(fittings, r.at) == mine
        ),
        key=_order,
    )


def calibrations_of(
    records: Sequence[Record],
    fittings: Sequence[Fitting],
    unit: Unit,
    stored: Mapping[str, Calibration] | None = None,
) -> list[Calibration]:
    """Every calibration of a unit, in order of their moments; fitting "": in effect on none.

    records: those that stand. Where a check that became known later would spoil a line, the check
    after it holds alone. stored: as worked out before; a check that was taken once holds on where
    the set's nameplate was changed since.
    """
    known = stored or {}
    made = []
    for record in sorted(records, key=_order):
        fitting = _spoke(fittings, record.at) or ""
        if record.kind == "hour_format":
            made.append(
                Calibration(
                    id=record.id,
                    fitting=fitting,
                    channel="run_hours_h",
                    gain=1.0,
                    offset=0.0,
                    from_at=record.at,
                    by=record.by,
                    hour_format=record.facts["format"],
                )
            )
        elif record.kind == "meter_check":
            earlier = earlier_checks(check=record, records=records, fittings=fittings)
            made.append(_of_check(record, earlier, unit, fitting, known.get(record.id)))
    return made


def _of_check(
    check: Record,
    earlier: Sequence[Record],
    unit: Unit,
    fitting: str,
    stored: Calibration | None,
) -> Calibration:
    try:
        (gain, offset), points = line_of(check, earlier, unit)
    except CalibrationRefused:
        (gain, offset), points = _alone(check, unit, stored)
    facts = check.facts
    return Calibration(
        id=check.id,
        fitting=fitting,
        channel=facts["channel"],
        gain=gain,
        offset=offset,
        from_at=check.at,
        by=check.by,
        instrument=facts.get("instrument", ""),
        instrument_calibrated=facts.get("instrument_calibrated", ""),
        leads=facts.get("leads", ""),
        meter=tuple(m for m, _ in points),
        raw=tuple(r for _, r in points),
    )


def _alone(check: Record, unit: Unit, stored: Calibration | None) -> tuple[Line, tuple[Point, ...]]:
    """The line of a check by itself; none at all where it held only as a second point."""
    own = points_of(check)
    try:
        return line_of(check, (), unit)
    except CalibrationRefused:
        if stored is not None and tuple(zip(stored.meter, stored.raw, strict=False)) == own:
            return (stored.gain, stored.offset), own
        return (1.0, 0.0), ()


def work_out(connection: sa.Connection, unit: str, fittings: Sequence[Fitting]) -> None:
    """Write the calibrations of a unit anew, from its records and fittings as they stand."""
    doc = connection.execute(sa.select(t.unit.c.doc).where(t.unit.c.id == unit)).scalar_one()
    c = t.calibration.c
    query = sa.select(t.calibration).where(c.unit == unit)
    stored = {row.id: dict(row._mapping) for row in connection.execute(query)}
    before = {id: documents.calibration(row["doc"]) for id, row in stored.items()}
    records = checks_of(connection, unit)
    made = calibrations_of(records, fittings, documents.unit(doc), before)
    rows = [_row(unit, calibration) for calibration in made]
    changed = [row for row in rows if stored.get(row["id"]) != row]
    gone = [id for id in stored if id not in {row["id"] for row in rows}]
    outdated = [*gone, *(row["id"] for row in changed if row["id"] in stored)]
    if outdated:
        connection.execute(sa.delete(t.calibration).where(c.id.in_(outdated)))
    if changed:
        connection.execute(sa.insert(t.calibration), changed)


def checks_of(connection: sa.Connection, unit: str) -> list[Record]:
    """The records of a unit that calibrations are made from and that nobody corrected."""
    newer = t.record.alias("newer")
    query = sa.select(t.record.c.doc).where(
        t.record.c.unit == unit,
        t.record.c.kind.in_(sorted(CALIBRATING)),
        ~sa.exists(sa.select(newer.c.id).where(newer.c.corrects == t.record.c.id)),
    )
    return [documents.record(doc) for doc in connection.execute(query).scalars()]


def _order(record: Record) -> tuple[int, int, str]:
    return record.at, record.made_at, record.id


def _spoke(fittings: Sequence[Fitting], at: int) -> str | None:
    """The fitting that spoke for the unit at a moment."""
    for f in fittings:
        if (f.from_at is None or f.from_at <= at) and (f.to_at is None or f.to_at > at):
            return f.id
    return None


def _row(unit: str, calibration: Calibration) -> dict[str, Any]:
    return {
        "id": calibration.id,
        "unit": unit,
        "fitting": calibration.fitting or None,
        "channel": calibration.channel,
        "gain": calibration.gain,
        "zero": calibration.offset,
        "from_at": calibration.from_at,
        "doc": documents.encode(calibration),
    }

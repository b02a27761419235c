"""Engine hours that the rows name, as records."""

from __future__ import annotations

from collections.abc import Sequence
from uuid import NAMESPACE_URL, uuid5

import sqlalchemy as sa

from fleet.model import Record
from fleet.registry.facts.units import standing_records
from fleet.registry.register.reading import Draft, Known

FROM_REGISTER = "from the register"


def hour_records(
    connection: sa.Connection, drafts: Sequence[Draft], known: Known, now: int, by: str
) -> list[Record]:
    """The register's engine hours as readings of the engine's own meter: anchors.

    Other hours at another moment are one more anchor; other hours at the same moment correct it.
    """
    records = []
    for draft in drafts:
        unit, old = draft.unit, known.units.get(draft.unit.id)
        hours, at = unit.engine_hours, unit.engine_hours_at
        if (
            hours is None
            or at is None
            or (old and (old.engine_hours, old.engine_hours_at) == (hours, at))
        ):
            continue
        before = [r for r in standing_records(connection, unit.id) if r.at == at] if old else []
        made = [
            r for r in before if r.kind == "hour_meter" and r.facts.get("text") == FROM_REGISTER
        ]
        if made and made[-1].facts.get("hours") == hours:
            continue
        corrects = made[-1].id if made else None
        id = uuid5(NAMESPACE_URL, f"engine_hours\n{unit.id}\n{hours}\n{at}\n{corrects}")
        facts = {"hours": hours, "text": FROM_REGISTER}
        records.append(
            Record(
                id=str(id),
                at=at,
                by=by,
                unit=unit.id,
                kind="hour_meter",
                corrects=corrects,
                made_at=now,
                facts=facts,
                via="import",
            )
        )
    return records

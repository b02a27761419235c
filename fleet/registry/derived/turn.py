"""What watch writes at the end of a turn: days, assessment, summary, due work, alerts."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import Any

import msgspec
import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError

from fleet.model import SEVERITIES, DueItem, UnitSummary
from fleet.registry.base import documents, tables
from fleet.registry.base.engine import Registry
from fleet.registry.base.statements import note_changes, upsert
from fleet.registry.derived.rows import UnitTurn
from fleet.registry.derived.shards import Hold, mark_anew, shard_of, standing_in
from fleet.registry.derived.touches import clear_touches
from fleet.registry.told.episodes import clashing, write_alerts

CHANGES_KEPT_S = 7 * 86_400
TIDY_EVERY_S = 3_600
"""How long news for open pages is kept, and how often it is tidied away. A pace of ours."""

_DROP_DAY = sa.delete(tables.day).where(
    tables.day.c.unit == sa.bindparam("b_unit"), tables.day.c.day == sa.bindparam("b_day")
)


def write_turn(reg: Registry, turns: Sequence[UnitTurn], now: int, hold: Hold) -> list[str]:
    """Write the turns of many units in one short transaction; returns the units refused.

    A unit is refused, whole, when a person changed its facts since they were read (facts_seq),
    when another program has written a step of the same number, when the alert it opens is open
    already, or when its shard is not as `hold` says: compute it again. Touches are cleared where
    their seq is unchanged. Raises RegistryDown: nothing was written.

    hold: the shards as they stood before the days were read that these turns were made of. One that
    another writer took, or wrote days of, goes out of it; the others are brought to how they stand.
    """
    if not turns:
        return []
    shard = {turn.unit: shard_of(turn.unit) for turn in turns}
    marked: Hold = {}
    try:
        with reg.write() as connection:
            stand = standing_in(connection, shard.values(), lock=True)
            lost = {n for n in shard.values() if n not in hold or stand.get(n) != hold[n]}
            ours = [turn for turn in turns if shard[turn.unit] not in lost]
            customers, refused = _refused(connection, ours)
            refused |= {unit for unit, n in shard.items() if n in lost}
            taken = [turn for turn in ours if turn.unit not in refused]
            changed = _write(connection, taken)
            rows = [{"at": now, "unit": u, "customer": customers[u]} for u in sorted(changed)]
            note_changes(connection, rows)
            whose = {e.id: customers[turn.unit] for turn in taken for e in turn.alerts.opened}
            write_alerts(connection, [turn.alerts for turn in taken], whose, now)
            written = {shard[turn.unit] for turn in taken if turn.days or turn.drop_days}
            if written:
                marked = mark_anew(connection, {n: hold[n] for n in written})
            tidied = _tidy(reg, connection, now)
    except IntegrityError:  # another writer came between, which only PostgreSQL allows
        return sorted(turn.unit for turn in turns)
    if tidied:
        reg.tidied["turn"] = now
    hold.update(marked)
    for n in lost:
        hold.pop(n, None)
    return sorted(refused)


def _refused(
    connection: sa.Connection, turns: Sequence[UnitTurn]
) -> tuple[dict[str, str], set[str]]:
    """Customer of each unit that exists, and the units that may not be written."""
    c = tables.unit.c
    wanted = sorted({turn.unit for turn in turns})
    query = sa.select(c.id, c.customer, c.facts_seq).where(c.id.in_(wanted)).order_by(c.id)
    found = {row.id: row for row in connection.execute(query.with_for_update())}
    stale = {
        turn.unit
        for turn in turns
        if turn.unit not in found or found[turn.unit].facts_seq != turn.facts_seq
    }
    clash = clashing(connection, [turn.alerts for turn in turns])
    clashed = {turn.unit for turn, one in zip(turns, clash, strict=True) if one}
    return {row.id: row.customer for row in found.values()}, stale | clashed


def _write(connection: sa.Connection, turns: Sequence[UnitTurn]) -> set[str]:
    """Days, assessments, summaries, due items; returns the units whose pages look different."""
    dialect = connection.dialect.name
    units = [turn.unit for turn in turns]
    old_summaries = _old_summaries(connection, units)
    days = [msgspec.structs.asdict(row) for turn in turns for row in turn.days]
    drops = [{"b_unit": turn.unit, "b_day": day} for turn in turns for day in turn.drop_days]
    if drops:
        connection.execute(_DROP_DAY, drops)
    if days:
        connection.execute(upsert(dialect, tables.day), days)
    if turns:
        connection.execute(upsert(dialect, tables.assessment), [_assessment_row(x) for x in turns])
        connection.execute(upsert(dialect, tables.summary), [_summary_row(x) for x in turns])
    changed = {x.unit for x in turns if old_summaries.get(x.unit) != _still(x.summary)}
    changed |= {turn.unit for turn in turns if turn.alerts.steps or turn.alerts.opened}
    changed |= _write_due(connection, turns)
    for turn in turns:
        clear_touches(connection, "unit", [(turn.unit, day, seq) for day, _, seq in turn.touches])
    return changed


def _old_summaries(connection: sa.Connection, units: list[str]) -> dict[str, bytes]:
    query = sa.select(tables.summary.c.unit, tables.summary.c.doc).where(
        tables.summary.c.unit.in_(units)
    )
    return {row.unit: _still(documents.summary(row.doc)) for row in connection.execute(query)}


def _still(summary: UnitSummary) -> bytes:
    """The summary without the moment it was made: what a page would show differently."""
    return documents.encode(msgspec.structs.replace(summary, at=0))


def _assessment_row(turn: UnitTurn) -> dict[str, Any]:
    return {
        "unit": turn.unit,
        "at": turn.summary.at,
        "look_again_at": turn.look_again_at,
        "doc": turn.assessment,
    }


def _summary_row(turn: UnitTurn) -> dict[str, Any]:
    found = {finding.severity for finding in turn.summary.findings}
    gravest = next((severity for severity in SEVERITIES if severity in found), "")
    ready = turn.summary.readiness
    return {
        "unit": turn.unit,
        "condition": turn.summary.condition,
        "severity": gravest,
        "readiness": "" if ready is None else ready.state,
        "ready_why": "" if ready is None else ready.why,
        "doc": documents.encode(turn.summary),
    }


def _write_due(connection: sa.Connection, turns: Sequence[UnitTurn]) -> set[str]:
    """Replace the due items of units where they differ; returns those units."""
    c = tables.due.c
    query = sa.select(c.unit, c.task, c.doc).where(c.unit.in_([turn.unit for turn in turns]))
    old: dict[str, dict[str, bytes]] = defaultdict(dict)
    for row in connection.execute(query):
        old[row.unit][row.task] = row.doc
    new = {turn.unit: {item.task: item for item in turn.due} for turn in turns}
    docs = {
        unit: {k: documents.encode(item) for k, item in items.items()}
        for unit, items in new.items()
    }
    changed = sorted(unit for unit, items in docs.items() if items != old.get(unit, {}))
    if changed:
        connection.execute(sa.delete(tables.due).where(c.unit.in_(changed)))
    rows = [_due_row(u, item, docs[u][item.task]) for u in changed for item in new[u].values()]
    if rows:
        connection.execute(sa.insert(tables.due), rows)
    return set(changed)


def _due_row(unit: str, item: DueItem, doc: bytes) -> dict[str, Any]:
    dates = [day for day in (item.due_on, item.likely_on) if day]
    return {
        "unit": unit,
        "task": item.task,
        "state": item.state,
        "on_date": min(dates, default=None),
        "share": item.share,
        "doc": doc,
    }


def _tidy(reg: Registry, connection: sa.Connection, now: int) -> bool:
    """Forget changes no page can still be waiting for, once an hour and process."""
    if now - reg.tidied.get("turn", 0) < TIDY_EVERY_S:
        return False
    connection.execute(sa.delete(tables.change).where(tables.change.c.at < now - CHANGES_KEPT_S))
    return True

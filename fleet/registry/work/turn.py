"""What watch writes at the end of a turn: days, assessment, summary, due work, alerts."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import Any

import msgspec
import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError

from fleet.findings import decoder
from fleet.model import SEVERITIES, DueItem, UnitSummary
from fleet.registry import tables as t
from fleet.registry.engine import Registry
from fleet.registry.episodes import closes, write_episodes
from fleet.registry.notices import write_notices
from fleet.registry.statements import insert, note_changes, upsert
from fleet.registry.types import DaysMark, UnitTurn
from fleet.registry.work.intake import new_token
from fleet.registry.work.touches import clear_touches

CHANGES_KEPT_S = 7 * 86_400
TIDY_EVERY_S = 3_600

DAYS = "days"
"""Name of the counter that holds the mark of the stored days."""

_encode = msgspec.json.Encoder().encode
_summary = decoder(UnitSummary)
_DROP_DAY = sa.delete(t.day).where(
    t.day.c.unit == sa.bindparam("b_unit"), t.day.c.day == sa.bindparam("b_day")
)
_MARK = sa.select(t.counter.c.n).where(t.counter.c.name == DAYS)
_MARK_LOCKED = _MARK.with_for_update()


def days_mark(reg: Registry) -> int:
    """Where the stored days of all units stand: read it before them. Raises RegistryDown."""
    with reg.read() as connection:
        found = connection.execute(_MARK).scalar()
    if found is None:
        with reg.write() as connection:
            first = insert(connection, t.counter).values(name=DAYS, n=new_token())
            connection.execute(first.on_conflict_do_nothing())
            found = connection.execute(_MARK).scalar()
    return int(found or 0)


def write_turn(
    reg: Registry, turns: Sequence[UnitTurn], now: int, mark: DaysMark | None = None
) -> list[str]:
    """Write the turns of many units in one short transaction; returns the units refused.

    A unit is refused, whole, when a person changed its facts since they were read (facts_seq),
    when another program has written a step of the same number, or when the alert it opens is
    open already: compute it again. Touches are cleared where their seq is unchanged. Raises
    RegistryDown: nothing was written.

    mark: of the days these turns were computed from. Where another program has written days since,
    all are refused and mark.n is None; else it is where the days stand now.
    """
    if not turns:
        return []
    stands = None if mark is None else mark.n
    try:
        with reg.write() as connection:
            found = connection.execute(_MARK_LOCKED).scalar()
            if mark is not None and found != mark.n:
                mark.n = None
                return sorted(turn.unit for turn in turns)
            customers, refused = _refused(connection, turns)
            taken = [turn for turn in turns if turn.unit not in refused]
            changed = _write(connection, taken)
            rows = [{"at": now, "unit": u, "customer": customers[u]} for u in sorted(changed)]
            note_changes(connection, rows)
            _write_alerts(connection, taken, customers, now)
            if any(turn.days or turn.drop_days for turn in taken):
                stands = new_token()
                connection.execute(
                    upsert(connection.dialect.name, t.counter), [{"name": DAYS, "n": stands}]
                )
            tidied = _tidy(reg, connection, now)
    except IntegrityError:  # another writer came between, which only PostgreSQL allows
        return sorted(turn.unit for turn in turns)
    if tidied:
        reg.tidied["turn"] = now
    if mark is not None:
        mark.n = stands
    return sorted(refused)


def _refused(
    connection: sa.Connection, turns: Sequence[UnitTurn]
) -> tuple[dict[str, str], set[str]]:
    """Customer of each unit that exists, and the units that may not be written."""
    c = t.unit.c
    wanted = sorted({turn.unit for turn in turns})
    query = sa.select(c.id, c.customer, c.facts_seq).where(c.id.in_(wanted)).order_by(c.id)
    found = {row.id: row for row in connection.execute(query.with_for_update())}
    stale = {
        turn.unit
        for turn in turns
        if turn.unit not in found or found[turn.unit].facts_seq != turn.facts_seq
    }
    telling = [turn for turn in turns if turn.opened or turn.steps]
    clashing = _clashes(connection, telling) if telling else set()
    return {row.id: row.customer for row in found.values()}, stale | clashing


def _clashes(connection: sa.Connection, turns: Sequence[UnitTurn]) -> set[str]:
    named = {step.episode for turn in turns for step in turn.steps}
    named.update(episode.id for turn in turns for episode in turn.opened)
    c = t.episode.c
    present = set(connection.execute(sa.select(c.id).where(c.id.in_(named))).scalars())
    query = sa.select(t.step.c.episode, t.step.c.n).where(t.step.c.episode.in_(named))
    steps = {(row.episode, row.n) for row in connection.execute(query)}
    subjects = {episode.subject for turn in turns for episode in turn.opened}
    query_open = sa.select(c.id, c.subject, c.kind, c.part).where(
        c.subject.in_(subjects), c.closed_at.is_(None)
    )
    is_open = {(r.subject, r.kind, r.part): r.id for r in connection.execute(query_open)}
    return {turn.unit for turn in turns if _clash(turn, present, steps, is_open)}


def _clash(
    turn: UnitTurn,
    present: set[str],
    steps: set[tuple[str, int]],
    is_open: dict[tuple[str, str, str], str],
) -> bool:
    closing = {step.episode for step in turn.steps if closes(step)}
    for episode in turn.opened:
        other = is_open.get((episode.subject, episode.kind, episode.part))
        if episode.id in present or (other is not None and other not in closing):
            return True
    known = present | {episode.id for episode in turn.opened}
    return any(s.episode not in known or (s.episode, s.n) in steps for s in turn.steps)


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
        connection.execute(upsert(dialect, t.day), days)
    if turns:
        connection.execute(upsert(dialect, t.assessment), [_assessment_row(x) for x in turns])
        connection.execute(upsert(dialect, t.summary), [_summary_row(x) for x in turns])
    changed = {x.unit for x in turns if old_summaries.get(x.unit) != _still(x.summary)}
    changed |= {turn.unit for turn in turns if turn.steps or turn.opened}
    changed |= _write_due(connection, turns)
    for turn in turns:
        clear_touches(connection, "unit", [(turn.unit, day, seq) for day, _, seq in turn.touches])
    return changed


def _old_summaries(connection: sa.Connection, units: list[str]) -> dict[str, bytes]:
    query = sa.select(t.summary.c.unit, t.summary.c.doc).where(t.summary.c.unit.in_(units))
    return {row.unit: _still(_summary(row.doc)) for row in connection.execute(query)}


def _still(summary: UnitSummary) -> bytes:
    """The summary without the moment it was made: what a page would show differently."""
    return _encode(msgspec.structs.replace(summary, at=0))


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
        "doc": _encode(turn.summary),
    }


def _write_due(connection: sa.Connection, turns: Sequence[UnitTurn]) -> set[str]:
    """Replace the due items of units where they differ; returns those units."""
    c = t.due.c
    query = sa.select(c.unit, c.task, c.doc).where(c.unit.in_([turn.unit for turn in turns]))
    old: dict[str, dict[str, bytes]] = defaultdict(dict)
    for row in connection.execute(query):
        old[row.unit][row.task] = row.doc
    new = {turn.unit: {item.task: item for item in turn.due} for turn in turns}
    docs = {unit: {k: _encode(item) for k, item in items.items()} for unit, items in new.items()}
    changed = sorted(unit for unit, items in docs.items() if items != old.get(unit, {}))
    if changed:
        connection.execute(sa.delete(t.due).where(c.unit.in_(changed)))
    rows = [_due_row(u, item, docs[u][item.task]) for u in changed for item in new[u].values()]
    if rows:
        connection.execute(sa.insert(t.due), rows)
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


def _write_alerts(
    connection: sa.Connection, turns: Sequence[UnitTurn], customers: dict[str, str], now: int
) -> None:
    opened = [(episode, customers[turn.unit]) for turn in turns for episode in turn.opened]
    write_episodes(connection, opened, [step for turn in turns for step in turn.steps])
    notices = [notice for turn in turns for notice in turn.notices]
    write_notices(connection, notices, [c for turn in turns for c in turn.withdrawn], now)


def _tidy(reg: Registry, connection: sa.Connection, now: int) -> bool:
    """Forget changes no page can still be waiting for, once an hour and process."""
    if now - reg.tidied.get("turn", 0) < TIDY_EVERY_S:
        return False
    connection.execute(sa.delete(t.change).where(t.change.c.at < now - CHANGES_KEPT_S))
    return True

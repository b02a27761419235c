"""Lists for the fleet pages and the API. Every function takes a Scope."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Any

import sqlalchemy as sa

from fleet.model import DUE_NOW, SEVERITIES, Customer, DueItem, Episode, Scope, Site, Unit
from fleet.registry.base import documents, tables
from fleet.registry.base.engine import Registry
from fleet.registry.base.scoped import customer_in
from fleet.registry.facts.intake import FACTS_QUERY, facts_of
from fleet.registry.facts.rows import DeviceFacts
from fleet.registry.lists.rows import Counts
from fleet.registry.lists.unit import UnitRow, unit_row, units_query
from fleet.registry.told.episodes import episodes_of

_MOST = 1_000
SILENT = "not_reporting"
"""What decides `unknown` where a unit is silent (`scheduler.readiness`)."""
PHONE_SIGNS = frozenset("+0123456789 ()./-")
PHONE_DIGITS, PHONE_END = 5, 8
"""A search of these signs with so many digits is a phone number; its last digits are looked for,
so that a number with its country's prefix is found by one without. Common practice, no source."""


def units(
    reg: Registry,
    scope: Scope,
    search: str = "",
    area: str | None = None,
    limit: int = 100,
    cursor: str | None = None,
    *,
    condition: str | None = None,
    severity: str | None = None,
    readiness: str | None = None,
) -> list[UnitRow]:
    """Units by id, after the id `cursor`; at most `limit` (1,000) of them.

    search: every word must occur in id, site, customer, address, make, model, serial, area, phone
    or device; a phone number is found however it is written. severity: gravest finding; '' those
    without any. readiness: one of its words, or of the unknown `silent` or `too_new`.
    """
    query = units_query(scope)
    if search.strip():
        query = query.where(_found(search.lower()))
    if readiness is not None:
        query = query.where(_readiness(readiness))
    if area is not None:
        query = query.where(tables.unit.c.area == area)
    if condition is not None:
        query = query.where(tables.summary.c.condition == condition)
    if severity is not None:
        query = query.where(tables.summary.c.severity == severity)
    if cursor is not None:
        query = query.where(tables.unit.c.id > cursor)
    with reg.read() as connection:
        rows = connection.execute(query.order_by(tables.unit.c.id).limit(min(limit, _MOST))).all()
    return [unit_row(row) for row in rows]


def _found(search: str) -> sa.ColumnElement[bool]:
    """True for units that hold every word, or whose phone number this is."""
    words = sa.and_(sa.true(), *(_holds(word) for word in search.split()))
    digits = "".join(filter(str.isdigit, search))
    if len(digits) < PHONE_DIGITS or set(search) - PHONE_SIGNS:
        return words
    end = digits[-PHONE_END:]
    return sa.or_(words, tables.unit.c.words.contains(end, autoescape=True))


def _readiness(word: str) -> sa.ColumnElement[bool]:
    """True for units of this readiness; the unknown are also told apart."""
    c = tables.summary.c
    silent = sa.and_(c.readiness == "unknown", c.ready_why == SILENT)
    unseen = sa.or_(c.unit.is_(None), c.readiness == "")
    if word == "silent":
        return silent
    if word == "too_new":
        return sa.or_(unseen, sa.and_(c.readiness == "unknown", c.ready_why != SILENT))
    return sa.or_(unseen, c.readiness == word) if word == "unknown" else c.readiness == word


def areas(reg: Registry, scope: Scope) -> list[str]:
    """Areas by name; '' where a unit names none is left out."""
    c = tables.unit.c
    query = sa.select(c.area).where(customer_in(scope, c.customer), c.area != "").distinct()
    with reg.read() as connection:
        return sorted(connection.execute(query).scalars(), key=str.lower)


def _holds(word: str) -> sa.ColumnElement[bool]:
    """True for units whose words, or the id of whose device, contain this one."""
    device = sa.func.lower(tables.fitting.c.device).contains(word, autoescape=True)
    fitted = sa.select(tables.fitting.c.unit).where(tables.fitting.c.to_at.is_(None), device)
    return sa.or_(tables.unit.c.words.contains(word, autoescape=True), tables.unit.c.id.in_(fitted))


def counts(reg: Registry, scope: Scope) -> Counts:
    """How many units, by condition, by gravest finding and by readiness."""
    c = tables.summary.c
    silent = sa.and_(c.readiness == "unknown", c.ready_why == SILENT)
    query = (
        sa.select(
            c.condition,
            c.severity,
            c.readiness,
            sa.func.count().label("n"),
            sa.func.sum(sa.case((silent, 1), else_=0)).label("silent"),
        )
        .select_from(tables.unit.outerjoin(tables.summary, c.unit == tables.unit.c.id))
        .where(customer_in(scope, tables.unit.c.customer))
        .group_by(c.condition, c.severity, c.readiness)
    )
    with reg.read() as connection:
        rows = connection.execute(query).all()
    conditions: dict[Any, int] = {}
    severities: dict[str, int] = {}
    ready: dict[Any, int] = {}
    for row in rows:
        if row.condition is not None:
            conditions[row.condition] = conditions.get(row.condition, 0) + row.n
            severities[row.severity] = severities.get(row.severity, 0) + row.n
        if row.readiness:
            ready[row.readiness] = ready.get(row.readiness, 0) + row.n
    total = sum(row.n for row in rows)
    return Counts(
        units=total,
        by_condition=conditions,
        by_severity=severities,
        not_assessed=total - sum(conditions.values()),
        by_readiness=ready,
        silent=sum(int(row.silent or 0) for row in rows),
    )


def due(
    reg: Registry,
    scope: Scope,
    unit: str | None = None,
    until: str | None = None,
    states: Iterable[str] | None = None,
) -> list[tuple[DueItem, Unit, Site, Customer]]:
    """Due work, the most overdue share first.

    until: local ISO date; what is due or likely due by then, and what is due already.
    states: only these. Without any filter every task of every unit.
    """
    c = tables.due.c
    joined = tables.due.join(tables.unit, tables.unit.c.id == c.unit).join(
        tables.site, tables.site.c.id == tables.unit.c.site
    )
    joined = joined.join(tables.customer, tables.customer.c.id == tables.unit.c.customer)
    query = (
        sa.select(
            c.doc,
            tables.unit.c.doc.label("u"),
            tables.site.c.doc.label("s"),
            tables.customer.c.doc.label("o"),
        )
        .select_from(joined)
        .where(customer_in(scope, tables.unit.c.customer))
        .order_by(c.share.desc(), c.unit, c.task)
    )
    if unit is not None:
        query = query.where(c.unit == unit)
    if until is not None:
        query = query.where(sa.or_(c.on_date <= until, c.state.in_(DUE_NOW)))
    if states is not None:
        query = query.where(c.state.in_(list(states)))
    with reg.read() as connection:
        rows = connection.execute(query).all()
    return [
        (
            documents.due_item(r.doc),
            documents.unit(r.u),
            documents.site(r.s),
            documents.customer(r.o),
        )
        for r in rows
    ]


def episodes(
    reg: Registry,
    scope: Scope,
    open_only: bool = True,
    unit: str | None = None,
    limit: int = 100,
    cursor: str | None = None,
    kinds: Iterable[str] | None = None,
) -> list[Episode]:
    """Alert episodes with their steps, at most `limit`, after the episode whose id is `cursor`.

    kinds: only these kinds of finding.
    open_only: open ones, gravest first, then the oldest first. Else all, newest first. A
    restricted scope sees the episodes of its units only. An unknown cursor gives an empty list.
    """
    c = tables.episode.c
    query = sa.select(tables.episode).where(customer_in(scope, c.customer))
    rank = sa.case({s: i for i, s in enumerate(SEVERITIES)}, value=c.severity, else_=9)
    if unit is not None:
        query = query.where(c.subject == f"unit:{unit}")
    if open_only:
        query = query.where(c.closed_at.is_(None))
    if kinds is not None:
        query = query.where(c.kind.in_(list(kinds)))
    place: tuple[Any, ...] = (rank, c.opened_at, c.id) if open_only else (-c.opened_at, c.id)
    with reg.read() as connection:
        if cursor is not None:
            at = connection.execute(sa.select(*place).where(c.id == cursor)).first()
            if at is None:
                return []
            query = query.where(sa.tuple_(*place) > sa.tuple_(*_literals(at)))
        rows = connection.execute(query.order_by(*place).limit(min(limit, _MOST))).all()
        return episodes_of(connection, rows)


def devices(reg: Registry, scope: Scope) -> list[tuple[DeviceFacts, Unit | None]]:
    """Devices in id order with the unit they speak for now.

    A restricted scope sees those fitted now to its units; unregistered and spare ones are seen
    by everything only.
    """
    query = FACTS_QUERY.order_by(tables.device.c.id)
    if scope.customers is not None:
        query = query.where(customer_in(scope, tables.unit.c.customer))
    with reg.read() as connection:
        rows = connection.execute(query).all()
    return [(facts_of(r), documents.unit(r.unit_doc) if r.unit_doc else None) for r in rows]


def changes_since(
    reg: Registry, scope: Scope, id: int, limit: int = 500
) -> list[tuple[int, int, str]]:
    """Changes after number `id`, rising: (number, moment [s UTC], unit)."""
    c = tables.change.c
    query = sa.select(c.id, c.at, c.unit).where(c.id > id, customer_in(scope, c.customer))
    with reg.read() as connection:
        rows = connection.execute(query.order_by(c.id).limit(limit)).all()
    return [(row.id, row.at, row.unit) for row in rows]


def latest_change(reg: Registry, scope: Scope) -> int:
    """Number of the newest change that the scope sees; 0 before the first."""
    c = tables.change.c
    query = sa.select(c.id).where(customer_in(scope, c.customer)).order_by(c.id.desc()).limit(1)
    with reg.read() as connection:
        return int(connection.execute(query).scalar() or 0)


def customers(reg: Registry, scope: Scope) -> list[Customer]:
    """Customers by name."""
    c = tables.customer.c
    query = sa.select(c.doc).where(customer_in(scope, c.id)).order_by(c.name, c.id)
    with reg.read() as connection:
        return [documents.customer(doc) for doc in connection.execute(query).scalars()]


def _literals(values: Sequence[Any]) -> list[sa.ColumnElement[Any]]:
    return [sa.literal(value) for value in values]


DIGITS_LEAST = 4
"""Digits from which on what is typed may be a phone number. A bound of ours."""
_BETWEEN = (" ", "-", "/", "(", ")", ".")


def find_sets(reg: Registry, scope: Scope, typed: str, limit: int = 12) -> list[UnitRow]:
    """Sets that fit what was typed, at most `limit`. Digits alone are looked for as a number."""
    digits = re.sub(r"[\s/().+-]", "", typed)
    if not digits.isdigit() or len(digits) < DIGITS_LEAST:
        return units(reg, scope, search=typed, limit=limit)
    digits = digits.removeprefix("00")
    squeezed: sa.ColumnElement[str] = tables.unit.c.words
    for sign in _BETWEEN:
        squeezed = sa.func.replace(squeezed, sign, "")
    tails = [digits] if len(digits) < 9 else [digits, digits[2:], digits.removeprefix("0")]
    fits = [squeezed.contains(tail, autoescape=True) for tail in tails]
    query = units_query(scope).where(sa.or_(*fits)).order_by(tables.unit.c.id).limit(limit)
    with reg.read() as connection:
        return [unit_row(row) for row in connection.execute(query).all()]

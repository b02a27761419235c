"""A Scope as SQL conditions: what a reader may not see is never selected."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa

from fleet.model import Scope
from fleet.registry.base import tables


def customer_in(scope: Scope, column: sa.ColumnElement[Any]) -> sa.ColumnElement[bool]:
    """True for rows whose customer column is in the scope; NULL is seen by everything only."""
    if scope.customers is None:
        return sa.true()
    return column.in_(sorted(scope.customers))


def unit_seen(scope: Scope, column: sa.ColumnElement[Any]) -> sa.ColumnElement[bool]:
    """True for rows whose unit column names a unit of the scope."""
    if scope.customers is None:
        return sa.true()
    mine = sa.select(tables.unit.c.id).where(customer_in(scope, tables.unit.c.customer))
    return column.in_(mine)


def spoke_for(
    device: sa.ColumnElement[Any], at: sa.ColumnElement[Any]
) -> tuple[sa.ColumnElement[bool], ...]:
    """Conditions on `fitting`: the one that held for this device at this moment."""
    f = tables.fitting.c
    return (
        f.device == device,
        sa.or_(f.from_at.is_(None), f.from_at <= at),
        sa.or_(f.to_at.is_(None), f.to_at > at),
    )


def device_seen(
    scope: Scope, device: sa.ColumnElement[Any], at: sa.ColumnElement[Any]
) -> sa.ColumnElement[bool]:
    """True where the device spoke for a unit of the scope at that moment."""
    if scope.customers is None:
        return sa.true()
    joined = tables.fitting.join(tables.unit, tables.unit.c.id == tables.fitting.c.unit)
    mine = customer_in(scope, tables.unit.c.customer)
    return sa.exists(
        sa.select(sa.literal(1)).select_from(joined).where(*spoke_for(device, at), mine)
    )

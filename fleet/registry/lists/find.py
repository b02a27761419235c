"""The phone rings: sets by surname, street or the digits of a number, however they are spaced."""

from __future__ import annotations

import re

import sqlalchemy as sa

from fleet.model import Scope
from fleet.registry import lists
from fleet.registry.base import tables as t
from fleet.registry.base.engine import Registry
from fleet.registry.lists.unit import UnitRow, unit_row, units_query

DIGITS_LEAST = 4
"""Digits from which on what is typed may be a phone number. A bound of ours."""
_BETWEEN = (" ", "-", "/", "(", ")", ".")


def find_sets(reg: Registry, scope: Scope, typed: str, limit: int = 12) -> list[UnitRow]:
    """Sets that fit what was typed, at most `limit`. Digits alone are looked for as a number."""
    digits = re.sub(r"[\s/().+-]", "", typed)
    if not digits.isdigit() or len(digits) < DIGITS_LEAST:
        return lists.units(reg, scope, search=typed, limit=limit)
    digits = digits.removeprefix("00")
    squeezed: sa.ColumnElement[str] = t.unit.c.words
    for sign in _BETWEEN:
        squeezed = sa.func.replace(squeezed, sign, "")
    tails = [digits] if len(digits) < 9 else [digits, digits[2:], digits.removeprefix("0")]
    fits = [squeezed.contains(tail, autoescape=True) for tail in tails]
    query = units_query(scope).where(sa.or_(*fits)).order_by(t.unit.c.id).limit(limit)
    with reg.read() as connection:
        return [unit_row(row) for row in connection.execute(query).all()]

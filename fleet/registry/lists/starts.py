"""How the sets of a model, and all sets, have started: counts out of their summaries."""

from __future__ import annotations

import msgspec
import sqlalchemy as sa

from fleet.model import Scope
from fleet.registry.base import documents, tables
from fleet.registry.base.engine import Registry
from fleet.registry.base.scoped import customer_in
from fleet.registry.lists.rows import StartCount


class _Counted(msgspec.Struct, frozen=True):
    demands: int = 0
    demands_failed: int = 0


class _Named(msgspec.Struct, frozen=True):
    make: str = ""
    model: str = ""


_counted = documents.decoder(_Counted)
_named = documents.decoder(_Named)


def start_counts(reg: Registry, scope: Scope, make: str, model: str) -> tuple[StartCount, ...]:
    """(of this make and model, of all sets) that the scope sees; letter case aside.

    An empty model is no model: its count is of no set.
    """
    query = (
        sa.select(tables.unit.c.doc, tables.summary.c.doc.label("summary"))
        .join(tables.summary, tables.summary.c.unit == tables.unit.c.id)
        .where(customer_in(scope, tables.unit.c.customer))
    )
    wanted = (make.casefold(), model.casefold())
    mine, every = [0, 0, 0], [0, 0, 0]
    with reg.read() as connection:
        for row in connection.execute(query):
            counted = _counted(row.summary)
            named = _named(row.doc)
            alike = bool(model) and (named.make.casefold(), named.model.casefold()) == wanted
            for total in (every, mine) if alike else (every,):
                total[0] += 1
                total[1] += counted.demands
                total[2] += counted.demands_failed
    return StartCount(*mine), StartCount(*every)

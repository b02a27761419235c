"""Signs of life of the programs: all that a program asks of the registry which only says that it lives."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa

from fleet.registry.base import documents, tables
from fleet.registry.base.engine import Registry
from fleet.registry.base.statements import upsert

_any = documents.decoder(dict[str, Any])


def heartbeat(reg: Registry, program: str, now: int, doc: dict[str, Any]) -> None:
    """Say that `program` lives at `now` [s UTC], with what it wants shown. Raises RegistryDown."""
    row = {"program": program, "at": now, "doc": documents.encode(doc)}
    with reg.write() as connection:
        connection.execute(upsert(reg.dialect, tables.heartbeat), row)


def heartbeats(reg: Registry) -> dict[str, tuple[int, dict[str, Any]]]:
    """Program to (moment of its last sign of life [s UTC], its document)."""
    with reg.read() as connection:
        return beats(connection)


def beats(connection: sa.Connection) -> dict[str, tuple[int, dict[str, Any]]]:
    """The same in the caller's transaction."""
    rows = connection.execute(sa.select(tables.heartbeat)).all()
    return {row.program: (row.at, _any(row.doc)) for row in rows}

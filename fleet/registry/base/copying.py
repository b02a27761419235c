"""A registry on PostgreSQL to files and back, by the database's own COPY in one snapshot.

That is what its own dump program does inside, without its client having to be installed and of the
server's version: a file a table in COPY's text format, for a database that has only our schema.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import msgspec
import sqlalchemy as sa
from psycopg import sql

from fleet.registry.base.engine import Registry, schema_of, schemas, upgrade
from fleet.registry.base.faults import RegistryFault
from fleet.registry.base.tables import metadata

CHUNK = 1 << 20
"""Bytes copied at once. A size of a buffer."""


class Table(msgspec.Struct, frozen=True):
    """One table as it was copied. columns: in the order of the file; rows: how many."""

    name: str
    columns: tuple[str, ...]
    rows: int


class Copied(msgspec.Struct, frozen=True):
    """A registry as it was copied. sequences: where its counters stand."""

    schema: str
    tables: tuple[Table, ...]
    sequences: dict[str, int]


def copy_out(registry: Registry, folder: Path) -> Copied:
    """Every table of ours as FOLDER/NAME.copy, all of one moment; nobody who writes waits.

    Raises RegistryDown; RegistryFault where the database holds no registry or a newer one.
    """
    with registry.read() as connection:
        schema = schema_of(connection)
        if schema is None:
            raise RegistryFault(
                f"The database at {registry.where} holds no registry: give the settings that "
                "`hourhand up` runs with."
            )
        if schema not in schemas():
            raise RegistryFault(
                f"The registry is of a newer Hourhand (schema {schema}): back it up with that one."
            )
        tables = tuple(
            _out(connection, name, folder / f"{name}.copy")
            for name in sa.inspect(connection).get_table_names()
            if name in metadata.tables
        )
        # Counted up outside of transactions: at least where the tables stand.
        found = connection.execute(
            sa.text(
                "SELECT sequencename, last_value FROM pg_sequences "
                "WHERE schemaname = current_schema() AND last_value IS NOT NULL"
            )
        )
        return Copied(schema, tables, {row.sequencename: row.last_value for row in found})


def _out(connection: sa.Connection, name: str, path: Path) -> Table:
    columns = tuple(column["name"] for column in sa.inspect(connection).get_columns(name))
    with path.open("wb") as file, _driver(connection).cursor() as cursor:
        with cursor.copy(_copy("COPY {} ({}) TO STDOUT", name, columns)) as copied:
            for part in copied:
                file.write(part)
        return Table(name, columns, cursor.rowcount)


def copy_in(connection: sa.Connection, copied: Copied, folder: Path) -> None:
    """Into a database without tables, in the caller's transaction; then up to this version's schema.

    Raises RegistryFault where the database holds tables already, or where a file does not fit.
    """
    if sa.inspect(connection).get_table_names():
        raise RegistryFault(
            "The database of the registry holds tables already, and a restore overwrites nothing: "
            "create an empty one, and name it in HOURHAND_REGISTRY_URL."
        )
    upgrade(connection, None, copied.schema)
    known = {table.name: table for table in copied.tables}
    ordered = [str(n) for n, _ in sa.inspect(connection).get_sorted_table_and_fkc_names() if n]
    strange = known.keys() - set(ordered)
    if strange:
        raise RegistryFault(f"The backup holds a table {sorted(strange)[0]} that is none of ours.")
    with _driver(connection).cursor() as cursor:
        names = sql.SQL(", ").join(map(sql.Identifier, sorted(known)))
        cursor.execute(sql.SQL("TRUNCATE {}").format(names))
        for name in ordered:
            if name in known:
                _in(cursor, known[name], folder / f"{name}.copy")
        for name, value in copied.sequences.items():
            cursor.execute("SELECT setval(quote_ident(%s)::regclass, %s)", (name, value))
    upgrade(connection, copied.schema)


def _in(cursor: Any, table: Table, path: Path) -> None:
    with (
        path.open("rb") as file,
        cursor.copy(_copy("COPY {} ({}) FROM STDIN", table.name, table.columns)) as copying,
    ):
        while part := file.read(CHUNK):
            copying.write(part)
    if cursor.rowcount != table.rows:
        raise RegistryFault(
            f"Of table {table.name} {cursor.rowcount} rows came back instead of {table.rows}."
        )


def _copy(form: str, name: str, columns: Sequence[str]) -> sql.Composed:
    listed = sql.SQL(", ").join(map(sql.Identifier, columns))
    return sql.SQL(form).format(sql.Identifier(name), listed)


def _driver(connection: sa.Connection) -> Any:
    """psycopg's own connection under SQLAlchemy's, in the same transaction."""
    return connection.connection.driver_connection


def counts(tables: Sequence[Table]) -> Mapping[str, int]:
    """Rows by table."""
    return {table.name: table.rows for table in tables}

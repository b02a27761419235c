"""Who leads: of several schedulers on one registry, one judges and the others stand by."""

from __future__ import annotations

import sqlalchemy as sa
from sqlalchemy.exc import DBAPIError

from fleet.registry.base.engine import Registry
from fleet.registry.base.faults import RegistryFault

KEY = 0x486F7572
"""Of the advisory lock: 'Hour'. Definition."""


class Lead:
    """The lead of one registry, held or waited for.

    On PostgreSQL an advisory lock of a connection of its own: it ends with the connection, so a
    scheduler that is killed or cut off loses it at once. On SQLite there is one machine, and the
    lock file of the data folder has already seen to it.
    """

    def __init__(self, registry: Registry) -> None:
        self._registry = registry
        self._connection: sa.Connection | None = None

    def held(self) -> bool:
        """Whether we lead now; asks for the lead where it is free. False while cut off."""
        if self._registry.dialect != "postgresql":
            return True
        if self._connection is not None:
            if self._alive(self._connection):
                return True
            self.give_up()
        try:
            self._connection = self._ask()
        except (DBAPIError, RegistryFault):
            return False
        return self._connection is not None

    def _ask(self) -> sa.Connection | None:
        connection = self._registry.engine.connect().execution_options(isolation_level="AUTOCOMMIT")
        try:
            if connection.execute(sa.select(sa.func.pg_try_advisory_lock(KEY))).scalar():
                return connection
        except BaseException:
            connection.invalidate()
            connection.close()
            raise
        connection.close()
        return None

    @staticmethod
    def _alive(connection: sa.Connection) -> bool:
        try:
            connection.execute(sa.select(1))
        except DBAPIError:
            return False
        return True

    def give_up(self) -> None:
        """Let another lead. The connection is thrown away, and the lock with it."""
        if self._connection is not None:
            self._connection.invalidate()
            self._connection.close()
            self._connection = None

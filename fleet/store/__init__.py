"""Telemetry store: one port, several adapters. Raw values only.

An adapter is imported where it is chosen: whoever only names a fault of the store loads none.
"""

from __future__ import annotations

from fleet.private import make_folder
from fleet.store.port import (
    ReadingsRefused,
    Store,
    StoreDown,
    StoreFault,
    StoreSettings,
    WriteResult,
)

__all__ = ["ReadingsRefused", "Store", "StoreDown", "StoreFault", "WriteResult", "open_store"]


def open_store(settings: StoreSettings, writing: bool) -> Store:
    """The telemetry store that the settings name. One process opens it for writing: ingest.

    Raises StoreFault for a kind of store that does not exist, a second writer, or a file that is
    not ours; StoreDown when it cannot be opened now.
    """
    if settings.store == "embedded":
        from fleet.store.embedded import EmbeddedStore

        if writing:
            make_folder(settings.data)
        return EmbeddedStore(settings.data / "store.db", writing, settings.retention_days)
    if settings.store == "influx":
        from fleet.store.influx import open_influx  # its client takes long to import

        return open_influx(settings, writing)
    raise StoreFault(
        f"There is no telemetry store called {settings.store!r}. Set `store` to `embedded` or"
        " `influx`."
    )

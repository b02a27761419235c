"""Which store the settings name."""

from __future__ import annotations

from pathlib import Path
from typing import Protocol

from fleet.store.embedded import EmbeddedStore
from fleet.store.port import Store, StoreFault


class StoreSettings(Protocol):
    """What a store needs to know. retention_days 0: keep for ever."""

    @property
    def data(self) -> Path: ...

    @property
    def store(self) -> str: ...

    @property
    def retention_days(self) -> int: ...


def open_store(settings: StoreSettings, writing: bool) -> Store:
    """The telemetry store in the data folder. One process opens it for writing: ingest.

    Raises StoreFault for a kind of store that does not exist, a second writer, or a file that is
    not ours; StoreDown when it cannot be opened now.
    """
    if settings.store == "embedded":
        if writing:
            settings.data.mkdir(parents=True, exist_ok=True)
        return EmbeddedStore(settings.data / "store.db", writing, settings.retention_days)
    raise StoreFault(
        f"There is no telemetry store called {settings.store!r}. Set `store` to `embedded`."
    )

"""What a registry refuses, and what says where it is kept."""

from __future__ import annotations

from typing import Any, Protocol


class RegistryFault(Exception):
    """The registry refused something that waiting will not mend. Says what and what to do."""


class RegistryDown(RegistryFault):
    """The registry cannot be read or written now (locked, disk full, server away): try again."""


class OutOfScope(Exception):
    """Asked for what the Scope does not see at all. Says who may."""


class Place(Protocol):
    """Whatever says where the registry is kept; `fleet.settings.Settings` does."""

    @property
    def registry_url(self) -> str: ...

    @property
    def registry_file(self) -> Any: ...

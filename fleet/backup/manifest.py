"""What a backup says of itself: versions, what it holds, the digest of each member."""

from __future__ import annotations

import re
from importlib.metadata import version

import msgspec

from fleet.backup.places import BackupFault
from fleet.registry.base.copying import Copied
from fleet.registry.base.engine import HEAD, schemas
from fleet.store import schema as store_schema

FORMAT = 1
"""Of the file. Raised when an older Hourhand could not restore it any more. Definition."""
NAME = "hourhand-backup.json"
AT_MOST = 64 << 20
"""Bytes of a manifest. A bound of ours."""
_PART = re.compile(r"[^/\\\x00-\x1f\x7f]+")


class Member(msgspec.Struct, frozen=True):
    """One file of the backup. name: its path in the data folder; size in bytes."""

    name: str
    size: int
    sha256: str


class RegistryPart(msgspec.Struct, frozen=True):
    """The registry as it was copied. rows: by table; copied: only of one on PostgreSQL."""

    kind: str
    schema: str
    rows: dict[str, int]
    copied: Copied | None = None


class StorePart(msgspec.Struct, frozen=True):
    """The readings as they were copied. kind: the store's; version None: they are not in the file."""

    kind: str
    version: int | None = None
    devices: int = 0


class Format(msgspec.Struct, frozen=True):
    """Read first: the rest of a newer format may be anything."""

    format: int
    hourhand: str


class Manifest(msgspec.Struct, frozen=True, kw_only=True):
    """made_at: UTC seconds, when the first part was begun. left_out: sentences; environment:
    settings that were given there."""

    format: int
    hourhand: str
    made_at: int
    made: str
    registry: RegistryPart
    store: StorePart
    members: tuple[Member, ...]
    left_out: tuple[str, ...] = ()
    environment: tuple[str, ...] = ()


def our_version() -> str:
    """The version of this Hourhand."""
    return version("hourhand")


def encode(manifest: Manifest) -> bytes:
    """As it stands in the file."""
    return msgspec.json.format(msgspec.json.encode(manifest), indent=1)


def decode(body: bytes) -> Manifest:
    """A manifest that this Hourhand can restore. Raises BackupFault."""
    try:
        first = msgspec.json.decode(body, type=Format)
        if first.format > FORMAT:
            raise BackupFault(
                f"The backup was made by Hourhand {first.hourhand[:20]} in a newer format "
                f"({first.format}; this version reads up to {FORMAT}): restore it with that "
                "version or a newer one."
            )
        found = msgspec.json.decode(body, type=Manifest)
    except msgspec.MsgspecError as fault:
        raise BackupFault(
            f"{NAME} in the file cannot be read ({fault}): the file is damaged, take another backup."
        ) from None
    _check_versions(found)
    for member in found.members:
        check_name(member.name)
    return found


def _check_versions(found: Manifest) -> None:
    newer = "it is newer than this Hourhand: restore it with that version or a newer one"
    if found.registry.schema not in schemas():
        raise BackupFault(
            f"The backup holds a registry of schema {found.registry.schema[:20]} (this version "
            f"speaks {HEAD}), made by Hourhand {found.hourhand[:20]}: {newer}."
        )
    if found.store.version is not None and found.store.version > store_schema.VERSION:
        raise BackupFault(
            f"The backup holds readings of store version {found.store.version} (this version reads "
            f"{store_schema.VERSION}), made by Hourhand {found.hourhand[:20]}: {newer}."
        )


def check_name(name: str) -> None:
    """Refuse a member that would be written outside the folder. Raises BackupFault."""
    parts = name.split("/")
    if len(name) > 1000 or any(not _PART.fullmatch(part) or part in (".", "..") for part in parts):
        raise BackupFault(
            f"The file names a member {name[:80]!r} that would lie outside the data folder: it was "
            "not made by `hourhand backup`. Nothing was taken from it."
        )

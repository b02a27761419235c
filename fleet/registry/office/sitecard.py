"""Site cards, and what is on them that only the technician of the day may see.

Key places and codes are encrypted with a key of the installation (Fernet: AES-128-CBC and
HMAC-SHA256); every look at them is written into the audit, in the transaction that reads them.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any, Protocol

import msgspec
import sqlalchemy as sa
from cryptography.fernet import Fernet, InvalidToken

from fleet.model import Scope, SiteCard
from fleet.registry.base import documents, tables
from fleet.registry.base.engine import Registry
from fleet.registry.base.faults import RegistryFault
from fleet.registry.base.scoped import customer_in
from fleet.registry.base.statements import upsert
from fleet.registry.people.audit import note
from fleet.registry.people.model import Actor

KEY_FILE = "codes.key"
CODES_MOST = 1_000
"""Characters of keys and codes. A bound of ours."""
_card = documents.decoder(SiteCard)


class CardRefused(RegistryFault):
    """A site card cannot be kept or shown. A sentence: what was wrong and what to do."""


class KeyPlace(Protocol):
    """Where the key of the codes comes from; `fleet.settings.Settings` does."""

    @property
    def codes_key(self) -> str: ...

    @property
    def data(self) -> Path: ...


def key_of(place: KeyPlace) -> bytes:
    """The key of this installation: the setting, else DATA/codes.key, made at the first use.

    Raises CardRefused where it cannot be read or is none.
    """
    if place.codes_key:
        return _sound(place.codes_key.encode(), "the setting codes_key")
    path = place.data / KEY_FILE
    try:
        made = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        try:
            return _sound(path.read_bytes().strip(), str(path))
        except OSError as fault:
            raise CardRefused(f"The key of the codes cannot be read: {fault}.") from None
    except OSError as fault:
        raise CardRefused(f"The key of the codes cannot be made: {fault}.") from None
    with os.fdopen(made, "wb") as file:
        key = Fernet.generate_key()
        file.write(key + b"\n")
        file.flush()
        os.fsync(file.fileno())
    return key


def _sound(key: bytes, where: str) -> bytes:
    try:
        Fernet(key)
    except ValueError:
        raise CardRefused(
            f"{where} holds no key: it is 32 random bytes in URL-safe base64. "
            "Put the old one back, `hourhand restore FILE` takes it out of a backup; with a new one "
            "the kept codes stay closed."
        ) from None
    return key


def save_card(
    reg: Registry, scope: Scope, card: SiteCard, codes: str | None, key: bytes, now: int, by: Actor
) -> None:
    """Keep a site's card. codes: None leaves those kept as they are, "" takes them away.

    Raises CardRefused where the scope has no such site.
    """
    if codes is not None and len(codes) > CODES_MOST:
        raise CardRefused(f"Key and codes: at most {CODES_MOST} letters.")
    sealed = Fernet(key).encrypt(codes.encode()) if codes else None
    c = tables.site_card.c
    with reg.write() as connection:
        _seen(connection, scope, card.site)
        if codes is None:
            kept = connection.execute(sa.select(c.codes).where(c.site == card.site)).scalar()
            sealed = kept
        row: dict[str, Any] = {
            "site": card.site,
            "codes": sealed,
            "changed_at": now,
            "doc": documents.encode(msgspec.structs.replace(card, has_codes=bool(sealed))),
        }
        connection.execute(upsert(reg.dialect, tables.site_card), row)
        said = "" if codes is None else "with key and codes" if codes else "key and codes removed"
        note(connection, now, "site_card_changed", by, card.site, said)


def _seen(connection: sa.Connection, scope: Scope, site: str) -> None:
    query = sa.select(tables.site.c.id).where(
        tables.site.c.id == site, customer_in(scope, tables.site.c.customer)
    )
    if connection.execute(query).first() is None:
        raise CardRefused("There is no such site here.")


def card(reg: Registry, scope: Scope, site: str) -> SiteCard | None:
    """A site's card, empty where none was written; None where the scope has no such site."""
    joined = tables.site.outerjoin(tables.site_card, tables.site_card.c.site == tables.site.c.id)
    query = (
        sa.select(tables.site.c.id, tables.site_card.c.doc)
        .select_from(joined)
        .where(tables.site.c.id == site, customer_in(scope, tables.site.c.customer))
    )
    with reg.read() as connection:
        row = connection.execute(query).first()
    if row is None:
        return None
    return _card(row.doc) if row.doc else SiteCard(site=site)


def cards(reg: Registry, scope: Scope) -> dict[str, SiteCard]:
    """The cards that were written, by site; without codes, which are never among them."""
    joined = tables.site_card.join(tables.site, tables.site_card.c.site == tables.site.c.id)
    query = (
        sa.select(tables.site_card.c.doc)
        .select_from(joined)
        .where(customer_in(scope, tables.site.c.customer))
    )
    with reg.read() as connection:
        found = [_card(doc) for doc in connection.execute(query).scalars()]
    return {one.site: one for one in found}


def look_at_codes(
    reg: Registry, scope: Scope, site: str, key: bytes, now: int, by: Actor, why: str
) -> str:
    """Key place and codes of a site; "" where none are kept. The look is logged first.

    Raises CardRefused where the scope has no such site or the key does not open them.
    """
    with reg.write() as connection:
        _seen(connection, scope, site)
        c = tables.site_card.c
        sealed = connection.execute(sa.select(c.codes).where(c.site == site)).scalar()
        note(connection, now, "codes_seen", by, site, why)
    if not sealed:
        return ""
    try:
        return Fernet(key).decrypt(sealed).decode()
    except InvalidToken:
        raise CardRefused(
            "The key of this installation does not open these codes. "
            "Put the old key back, or write the codes anew."
        ) from None

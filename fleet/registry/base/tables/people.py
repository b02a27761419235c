"""Tables of people, how they get in, and what they did.

No secret is kept: of passwords an Argon2 hash, of every token its SHA-256.
"""

from __future__ import annotations

from sqlalchemy import Boolean, Column, ForeignKey, LargeBinary, Table, Text, UniqueConstraint

from fleet.registry.base.tables.base import Counted, Seconds, metadata

person = Table(
    "person",
    metadata,
    Column("id", Text, primary_key=True),
    Column("login", Text, nullable=False),
    Column("name", Text, nullable=False),
    Column("role", Text, nullable=False),
    Column("customers", LargeBinary),
    Column("password", Text, nullable=False),
    Column("active", Boolean, nullable=False),
    Column("made_at", Seconds, nullable=False),
    UniqueConstraint("login"),
)
"""customers: JSON list of customer ids; NULL: all. password: an Argon2 hash, '' before the first."""

invitation = Table(
    "invitation",
    metadata,
    Column("digest", Text, primary_key=True),
    Column("person", Text, ForeignKey("person.id", ondelete="CASCADE"), index=True),
    Column("until", Seconds, nullable=False),
)
"""One use: to choose a password; person NULL: to make the first owner."""

session = Table(
    "session",
    metadata,
    Column("digest", Text, primary_key=True),
    Column("id", Text, nullable=False),
    Column("person", Text, ForeignKey("person.id", ondelete="CASCADE"), nullable=False, index=True),
    Column("phone", Boolean, nullable=False),
    Column("agent", Text, nullable=False),
    Column("address", Text, nullable=False),
    Column("made_at", Seconds, nullable=False),
    Column("seen_at", Seconds, nullable=False, index=True),
    UniqueConstraint("id"),
)
"""digest: SHA-256 of the token in the cookie, which is kept nowhere else. id: to name it by."""

api_token = Table(
    "api_token",
    metadata,
    Column("id", Text, primary_key=True),
    Column("digest", Text, nullable=False),
    Column("name", Text, nullable=False),
    Column("rights", Text, nullable=False),
    Column("customers", LargeBinary),
    Column("made_at", Seconds, nullable=False),
    Column("made_by", Text, nullable=False),
    Column("until", Seconds),
    Column("used_at", Seconds),
    Column("revoked_at", Seconds),
    UniqueConstraint("digest"),
)

share_link = Table(
    "share_link",
    metadata,
    Column("id", Text, primary_key=True),
    Column("digest", Text, nullable=False),
    Column("name", Text, nullable=False),
    Column("customers", LargeBinary, nullable=False),
    Column("made_at", Seconds, nullable=False),
    Column("made_by", Text, nullable=False),
    Column("until", Seconds, nullable=False),
    Column("used_at", Seconds),
    Column("revoked_at", Seconds),
    UniqueConstraint("digest"),
)

audit = Table(
    "audit",
    metadata,
    Column("id", Counted, primary_key=True, autoincrement=True),
    Column("at", Seconds, nullable=False, index=True),
    Column("kind", Text, nullable=False, index=True),
    Column("who", Text, nullable=False),
    Column("person", Text),
    Column("address", Text, nullable=False),
    Column("subject", Text, nullable=False),
    Column("detail", Text, nullable=False),
    sqlite_autoincrement=True,
)
"""Who did what with access and records. person: id, no key: rows outlive whom they name."""

"""Tables of jobs, technicians, site cards and rounds.

Appended: job_step, and round_plan where `published` (what people were told). A job's row is the
newest state of its steps. A draft plan is derived and may be thrown away.
"""

from __future__ import annotations

from sqlalchemy import (
    Boolean,
    Column,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    Table,
    Text,
    UniqueConstraint,
    text,
)

from fleet.registry.base.tables.base import Counted, Seconds, metadata

job = Table(
    "job",
    metadata,
    Column("id", Text, primary_key=True),
    Column("customer", Text, ForeignKey("customer.id"), index=True),
    Column("site", Text, ForeignKey("site.id"), index=True),
    Column("unit", Text, ForeignKey("unit.id"), index=True),
    Column("origin", Text),
    Column("state", Text, nullable=False, index=True),
    Column("opened_at", Seconds, nullable=False),
    Column("changed_at", Seconds, nullable=False),
    Column("n", Integer, nullable=False),
    Column("doc", LargeBinary, nullable=False),
    Index(
        "ux_job_origin",
        "origin",
        unique=True,
        sqlite_where=text("origin IS NOT NULL"),
        postgresql_where=text("origin IS NOT NULL"),
    ),
)
"""customer, site, unit NULL: an errand. origin: a due task in one of its cycles; once only."""

job_step = Table(
    "job_step",
    metadata,
    Column("job", Text, ForeignKey("job.id"), primary_key=True),
    Column("n", Integer, primary_key=True),
    Column("at", Seconds, nullable=False),
    Column("kind", Text, nullable=False),
    Column("doc", LargeBinary, nullable=False),
)

technician = Table(
    "technician",
    metadata,
    Column("id", Text, primary_key=True),
    Column("person", Text, ForeignKey("person.id")),
    Column("doc", LargeBinary, nullable=False),
    UniqueConstraint("person"),
)

site_card = Table(
    "site_card",
    metadata,
    Column("site", Text, ForeignKey("site.id"), primary_key=True),
    Column("doc", LargeBinary, nullable=False),
    Column("codes", LargeBinary),
    Column("changed_at", Seconds, nullable=False),
)
"""codes: key place and codes, encrypted; NULL: none."""

contract = Table(
    "contract",
    metadata,
    Column("customer", Text, ForeignKey("customer.id"), primary_key=True),
    Column("doc", LargeBinary, nullable=False),
)

round_plan = Table(
    "round_plan",
    metadata,
    Column("id", Counted, primary_key=True, autoincrement=True),
    Column("published", Boolean, nullable=False, index=True),
    Column("made_at", Seconds, nullable=False),
    Column("made_by", Text, nullable=False),
    Column("fingerprint", Text, nullable=False),
    Column("note", Text, nullable=False),
    Column("doc", LargeBinary, nullable=False),
    sqlite_autoincrement=True,
)
"""The newest published row is the plan in force. doc: a RoundPlan of the planner."""

round_ask = Table(
    "round_ask",
    metadata,
    Column("id", Counted, primary_key=True, autoincrement=True),
    Column("at", Seconds, nullable=False),
    Column("by", Text, nullable=False),
    Column("state", Text, nullable=False, index=True),
    Column("said", Text, nullable=False),
    Column("changed_at", Seconds, nullable=False),
    Column("doc", LargeBinary, nullable=False),
    sqlite_autoincrement=True,
)
"""A plan asked for by a person or the night. state: waiting, working, done, failed."""

feed = Table(
    "feed",
    metadata,
    Column("id", Text, primary_key=True),
    Column("technician", Text, ForeignKey("technician.id"), nullable=False, index=True),
    Column("digest", Text, nullable=False),
    Column("made_at", Seconds, nullable=False),
    Column("made_by", Text, nullable=False),
    Column("revoked_at", Seconds),
    UniqueConstraint("digest"),
)
"""A secret address of a technician's calendar; of the secret its SHA-256."""

feed_event = Table(
    "feed_event",
    metadata,
    Column("uid", Text, primary_key=True),
    Column("technician", Text, nullable=False, index=True),
    Column("sequence", Integer, nullable=False),
    Column("digest", Text, nullable=False),
    Column("changed_at", Seconds, nullable=False),
    Column("cancelled", Boolean, nullable=False),
    Column("doc", LargeBinary, nullable=False),
)
"""What calendars were told of one visit: its sequence rises with each change (RFC 5545)."""

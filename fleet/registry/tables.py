"""Every table of the registry, for SQLite and PostgreSQL alike.

Facts are appended: record, device_event. What we told people is appended: episode and step.
Derived, may be thrown away: day, assessment, summary, due; fitting and calibration are worked
out from the register and records. Documents (`doc`) are msgspec JSON, kept as bytes so that
comparing them never depends on a collation. Moments are whole UTC seconds.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    Table,
    Text,
    UniqueConstraint,
    text,
)

from fleet.registry.tables_alerts import (
    agreed,
    call,
    delivery,
    mark,
    notice,
    outage,
    outage_member,
    target,
)
from fleet.registry.tables_base import Counted, Seconds, metadata
from fleet.registry.tables_jobs import (
    contract,
    feed,
    feed_event,
    job,
    job_step,
    round_ask,
    round_plan,
    site_card,
    technician,
)
from fleet.registry.tables_people import (
    api_token,
    audit,
    invitation,
    person,
    session,
    share_link,
)

__all__ = [
    "agreed",
    "api_token",
    "assessment",
    "audit",
    "calibration",
    "call",
    "change",
    "claim",
    "contract",
    "counter",
    "customer",
    "day",
    "delivery",
    "device",
    "device_event",
    "due",
    "episode",
    "feed",
    "feed_event",
    "fitting",
    "heartbeat",
    "inbox",
    "invitation",
    "job",
    "job_step",
    "mark",
    "metadata",
    "notice",
    "outage",
    "outage_member",
    "person",
    "plan",
    "pulse",
    "quarantine",
    "quarantine_count",
    "receipt",
    "record",
    "round_ask",
    "round_plan",
    "session",
    "share_link",
    "site",
    "site_card",
    "step",
    "summary",
    "target",
    "technician",
    "touch",
    "unit",
]  # fmt: skip

counter = Table(
    "counter",
    metadata,
    Column("name", Text, primary_key=True),
    Column("n", BigInteger, nullable=False),
)

customer = Table(
    "customer",
    metadata,
    Column("id", Text, primary_key=True),
    Column("name", Text, nullable=False),
    Column("doc", LargeBinary, nullable=False),
)

site = Table(
    "site",
    metadata,
    Column("id", Text, primary_key=True),
    Column("customer", Text, ForeignKey("customer.id"), nullable=False, index=True),
    Column("zone", Text, nullable=False),
    Column("doc", LargeBinary, nullable=False),
)

unit = Table(
    "unit",
    metadata,
    Column("id", Text, primary_key=True),
    Column("customer", Text, ForeignKey("customer.id"), nullable=False, index=True),
    Column("site", Text, ForeignKey("site.id"), nullable=False, index=True),
    Column("area", Text, nullable=False),
    Column("plan", Text, nullable=False, index=True),
    Column("words", Text, nullable=False),
    Column("facts_seq", BigInteger, nullable=False),
    Column("doc", LargeBinary, nullable=False),
)
"""words: what a search looks in, lower case. doc: a Unit, its device the one fitted now."""

plan = Table(
    "plan",
    metadata,
    Column("id", Text, primary_key=True),
    Column("doc", LargeBinary, nullable=False),
)

device = Table(
    "device",
    metadata,
    Column("id", Text, primary_key=True),
    Column("grp", Text, nullable=False),
    Column("registered", Boolean, nullable=False, index=True),
    Column("profile", Text, nullable=False),
    Column("first_at", Seconds, nullable=False),
)

claim = Table(
    "claim",
    metadata,
    Column("id", Text, primary_key=True),
    Column("unit", Text, ForeignKey("unit.id"), nullable=False, index=True),
    Column("device", Text, ForeignKey("device.id"), nullable=False, index=True),
    Column("from_at", Seconds),
    Column("said_at", Seconds, nullable=False),
    Column("said_by", Text, nullable=False),
)
"""Who said which device speaks for a unit from when on. from_at NULL: the register, always."""

fitting = Table(
    "fitting",
    metadata,
    Column("id", Text, primary_key=True),
    Column("device", Text, ForeignKey("device.id"), nullable=False, index=True),
    Column("unit", Text, ForeignKey("unit.id"), nullable=False, index=True),
    Column("from_at", Seconds),
    Column("to_at", Seconds),
    Column("said_by", Text, nullable=False),
)

record = Table(
    "record",
    metadata,
    Column("id", Text, primary_key=True),
    Column("unit", Text, ForeignKey("unit.id"), nullable=False),
    Column("at", Seconds, nullable=False),
    Column("made_at", Seconds, nullable=False),
    Column("kind", Text, nullable=False),
    Column("corrects", Text, ForeignKey("record.id")),
    Column("doc", LargeBinary, nullable=False),
    UniqueConstraint("corrects"),
    Index("ix_record_unit_at", "unit", "at"),
)

calibration = Table(
    "calibration",
    metadata,
    Column("id", Text, ForeignKey("record.id"), primary_key=True),
    Column("unit", Text, ForeignKey("unit.id"), nullable=False, index=True),
    Column("fitting", Text, index=True),
    Column("channel", Text, nullable=False),
    Column("gain", Float, nullable=False),
    Column("zero", Float, nullable=False),
    Column("from_at", Seconds, nullable=False),
    Column("doc", LargeBinary, nullable=False),
)
"""fitting NULL: no device was fitted at that moment, so it is not in effect."""

pulse = Table(
    "pulse",
    metadata,
    Column("device", Text, primary_key=True),
    Column("heard_at", Seconds, index=True),
    Column("newest_at", Seconds),
    Column("doc", LargeBinary, nullable=False),
)

device_event = Table(
    "device_event",
    metadata,
    Column("device", Text, primary_key=True),
    Column("at", Seconds, primary_key=True),
    Column("event", Text, primary_key=True),
    Column("channel", Text, primary_key=True),
    Column("received_at", Seconds, nullable=False),
    Column("doc", LargeBinary, nullable=False),
)

quarantine = Table(
    "quarantine",
    metadata,
    Column("id", Counted, primary_key=True, autoincrement=True),
    Column("digest", Text, nullable=False),
    Column("device", Text, nullable=False),
    Column("day", Integer, nullable=False),
    Column("received_at", Seconds, nullable=False, index=True),
    Column("topic", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("ours", Boolean, nullable=False),
    Column("size", Integer, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    UniqueConstraint("digest"),
    Index("ix_quarantine_device_id", "device", "id"),
    sqlite_autoincrement=True,
)

quarantine_count = Table(
    "quarantine_count",
    metadata,
    Column("device", Text, primary_key=True),
    Column("day", Integer, primary_key=True),
    Column("kept", Integer, nullable=False),
    Column("over", Integer, nullable=False),
)

receipt = Table(
    "receipt",
    metadata,
    Column("key", Text, primary_key=True),
    Column("at", Seconds, nullable=False, index=True),
)

inbox = Table(
    "inbox",
    metadata,
    Column("file", Text, primary_key=True),
    Column("doc", LargeBinary, nullable=False),
)

touch = Table(
    "touch",
    metadata,
    Column("whose", Text, primary_key=True),
    Column("id", Text, primary_key=True),
    Column("day", Integer, primary_key=True),
    Column("onward", Integer, nullable=False),
    Column("priority", Integer, nullable=False),
    Column("since", Seconds, nullable=False),
    Column("seq", BigInteger, nullable=False),
)
"""whose: device or unit. since: when first touched, for fairness. seq: a new token each time."""

day = Table(
    "day",
    metadata,
    Column("unit", Text, ForeignKey("unit.id"), primary_key=True),
    Column("day", Integer, primary_key=True),
    Column("fingerprint", Text, nullable=False),
    Column("carry_in", Text, nullable=False),
    Column("doc", LargeBinary, nullable=False),
)

assessment = Table(
    "assessment",
    metadata,
    Column("unit", Text, ForeignKey("unit.id"), primary_key=True),
    Column("at", Seconds, nullable=False),
    Column("look_again_at", Seconds, nullable=False, index=True),
    Column("doc", LargeBinary, nullable=False),
)

summary = Table(
    "summary",
    metadata,
    Column("unit", Text, ForeignKey("unit.id"), primary_key=True),
    Column("condition", Text, nullable=False),
    Column("severity", Text, nullable=False),
    Column("readiness", Text, nullable=False, server_default=""),
    Column("ready_why", Text, nullable=False, server_default=""),
    Column("doc", LargeBinary, nullable=False),
    Index("ix_summary_readiness", "readiness"),
)
"""readiness: its word, '' before the first verdict of this release; ready_why: what decided it."""

due = Table(
    "due",
    metadata,
    Column("unit", Text, ForeignKey("unit.id"), primary_key=True),
    Column("task", Text, primary_key=True),
    Column("state", Text, nullable=False, index=True),
    Column("on_date", Text),
    Column("share", Float, nullable=False),
    Column("doc", LargeBinary, nullable=False),
)

episode = Table(
    "episode",
    metadata,
    Column("id", Text, primary_key=True),
    Column("subject", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Column("part", Text, nullable=False),
    Column("customer", Text, index=True),
    Column("severity", Text, nullable=False),
    Column("opened_at", Seconds, nullable=False, index=True),
    Column("closed_at", Seconds),
    Column("acknowledged_at", Seconds),
    Column("doc", LargeBinary, nullable=False),
    Index("ix_episode_subject_opened_at", "subject", "opened_at"),
    Index(
        "ux_episode_open",
        "subject",
        "kind",
        "part",
        unique=True,
        sqlite_where=text("closed_at IS NULL"),
        postgresql_where=text("closed_at IS NULL"),
    ),
)
"""customer: of a unit's episode; NULL where the subject is no unit. doc: the newest finding."""

step = Table(
    "step",
    metadata,
    Column("episode", Text, ForeignKey("episode.id"), primary_key=True),
    Column("n", Integer, primary_key=True),
    Column("at", Seconds, nullable=False),
    Column("kind", Text, nullable=False),
    Column("doc", LargeBinary, nullable=False),
)

change = Table(
    "change",
    metadata,
    Column("id", Counted, primary_key=True, autoincrement=True),
    Column("at", Seconds, nullable=False),
    Column("unit", Text, nullable=False),
    Column("customer", Text, nullable=False),
    sqlite_autoincrement=True,
)

heartbeat = Table(
    "heartbeat",
    metadata,
    Column("program", Text, primary_key=True),
    Column("at", Seconds, nullable=False),
    Column("doc", LargeBinary, nullable=False),
)

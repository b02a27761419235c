"""Tables of what people are told: findings over time, outages, calls, marks, what is agreed, and the outbox.

Appended: episode, step, call, agreed. An outage's members are brought up to date while it lasts and then stay.
"""

from __future__ import annotations

from sqlalchemy import Column, ForeignKey, Index, Integer, LargeBinary, Table, Text, text

from fleet.registry.base.tables.base import Seconds, metadata

outage = Table(
    "outage",
    metadata,
    Column("id", Text, ForeignKey("episode.id"), primary_key=True),
    Column("began_at", Seconds, nullable=False, index=True),
    Column("ended_at", Seconds, index=True),
    Column("doc", LargeBinary, nullable=False),
)
"""id: of its episode. doc: an Outage without its members."""

outage_member = Table(
    "outage_member",
    metadata,
    Column("outage", Text, ForeignKey("outage.id"), primary_key=True),
    Column("unit", Text, ForeignKey("unit.id"), primary_key=True, index=True),
    Column("customer", Text, nullable=False),
    Column("doc", LargeBinary, nullable=False),
)

call = Table(
    "call",
    metadata,
    Column("id", Text, primary_key=True),
    Column("episode", Text, ForeignKey("episode.id"), nullable=False),
    Column("unit", Text),
    Column("at", Seconds, nullable=False),
    Column("doc", LargeBinary, nullable=False),
    Index("ix_call_episode_at", "episode", "at"),
)
"""Who was called about an alert or an outage, and what came of it. unit NULL: the whole outage."""

mark = Table(
    "mark",
    metadata,
    Column("episode", Text, ForeignKey("episode.id"), primary_key=True),
    Column("at", Seconds, nullable=False, index=True),
    Column("doc", LargeBinary, nullable=False),
)
"""Whether an alert was right, wrong or known already; the newest opinion."""

agreed = Table(
    "agreed",
    metadata,
    Column("name", Text, primary_key=True),
    Column("n", Integer, primary_key=True),
    Column("at", Seconds, nullable=False),
    Column("said_by", Text, nullable=False),
    Column("doc", LargeBinary, nullable=False),
)
"""What was agreed: `rota`, `waking`, `quiet_hours:<person>`. The highest n holds; the older ones stay."""

notice = Table(
    "notice",
    metadata,
    Column("id", Text, primary_key=True),
    Column("cause", Text, nullable=False, index=True),
    Column("person", Text, nullable=False),
    Column("way", Text, nullable=False),
    Column("state", Text, nullable=False),
    Column("not_before", Seconds, nullable=False),
    Column("again_at", Seconds),
    Column("tries", Integer, nullable=False, server_default="0"),
    Column("doc", LargeBinary, nullable=False),
    Index("ix_notice_state_not_before", "state", "not_before"),
    Index("ix_notice_state_again_at", "state", "again_at"),
)
"""The outbox: a Notice each. state: `waiting` when written, then `claimed` (until again_at, when it
is tried again), `sent` or `failed`."""

target = Table(
    "target",
    metadata,
    Column("id", Text, primary_key=True),
    Column("person", Text, ForeignKey("person.id"), nullable=False, index=True),
    Column("way", Text, nullable=False),
    Column("shown", Text, nullable=False),
    Column("sealed", LargeBinary, nullable=False),
    Column("made_at", Seconds, nullable=False),
    Column("made_by", Text, nullable=False),
    Column("removed_at", Seconds),
)
"""Where a person is reached. sealed: the address, encrypted; shown: what may be seen of it."""

delivery = Table(
    "delivery",
    metadata,
    Column("notice", Text, primary_key=True),
    Column("n", Integer, primary_key=True),
    Column("target", Text, nullable=False, index=True),
    Column("at", Seconds, nullable=False, index=True),
    Column("outcome", Text, nullable=False),
    Column("detail", Text, nullable=False),
)
"""Each try to reach a target with a notice. Appended."""


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

"""Every table of the registry, for SQLite and PostgreSQL alike.

Facts are appended: record, device_event. What we told people is appended: episode and step.
Derived, may be thrown away: day, assessment, summary, due; fitting and calibration are worked
out from the register and records. Documents (`doc`) are msgspec JSON, kept as bytes so that
comparing them never depends on a collation. Moments are whole UTC seconds.
"""

from __future__ import annotations

from fleet.registry.base.tables.alerts import (
    agreed,
    call,
    delivery,
    episode,
    mark,
    notice,
    outage,
    outage_member,
    step,
    target,
)
from fleet.registry.base.tables.base import metadata
from fleet.registry.base.tables.derived import (
    assessment,
    change,
    counter,
    day,
    due,
    heartbeat,
    shard,
    summary,
)
from fleet.registry.base.tables.facts import (
    calibration,
    inbox,
    quarantine,
    quarantine_count,
    receipt,
    record,
    touch,
    unsure,
)
from fleet.registry.base.tables.jobs import (
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
from fleet.registry.base.tables.people import (
    api_token,
    audit,
    invitation,
    person,
    session,
    share_link,
)
from fleet.registry.base.tables.register import (
    claim,
    customer,
    device,
    device_event,
    fitting,
    plan,
    pulse,
    site,
    unit,
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
    "shard",
    "share_link",
    "site",
    "site_card",
    "step",
    "summary",
    "target",
    "technician",
    "touch",
    "unit",
    "unsure",
]

"""Messages to people: the outbox, each try, where people are reached, and what has not arrived."""

from fleet.registry.told.outbox.address_book import (
    MOST_TARGETS,
    Target,
    TargetRefused,
    add_target,
    remove_target,
    targets,
)
from fleet.registry.told.outbox.outbox import (
    GIVE_UP_S,
    LEASE_S,
    PAUSES_S,
    Claimed,
    add_tries,
    claim,
    record,
    release,
)
from fleet.registry.told.outbox.tries import (
    Outcome,
    Tried,
    Try,
    Unreached,
    answer,
    answers,
    last_tries,
    of_cause,
    outbox_counts,
    tries_of,
    unreached,
)
from fleet.registry.told.outbox.writing import put_notices, write_notices

__all__ = [
    "GIVE_UP_S",
    "LEASE_S",
    "MOST_TARGETS",
    "PAUSES_S",
    "Claimed",
    "Outcome",
    "Target",
    "TargetRefused",
    "Tried",
    "Try",
    "Unreached",
    "add_target",
    "add_tries",
    "answer",
    "answers",
    "claim",
    "last_tries",
    "of_cause",
    "outbox_counts",
    "put_notices",
    "record",
    "release",
    "remove_target",
    "targets",
    "tries_of",
    "unreached",
    "write_notices",
]

"""One UTC day of one unit, digested: the only place where the rules of a day meet.

`digest` is a pure function of what is known of the day and of the open state before it. The same
readings and events give the same bytes, in whatever order or batches they arrived.
"""

from scheduler.day.assemble import digest
from scheduler.day.document import (
    CODE,
    Carry,
    Day,
    DayFacts,
    Halt,
    MainsEdge,
    carry_key,
    decode,
    encode,
    facts_of,
    fingerprint,
    plate_of,
)
from scheduler.day.plausible import span
from scheduler.day.unfinished import close_open, look_again_at, open_demand
from scheduler.rules.reporting import Gap, Spot
from scheduler.rules.signal import allowed_gaps
from scheduler.rules.spells import Spell

__all__ = [
    "CODE",
    "Carry",
    "Day",
    "DayFacts",
    "Gap",
    "Halt",
    "MainsEdge",
    "Spell",
    "Spot",
    "allowed_gaps",
    "carry_key",
    "close_open",
    "decode",
    "digest",
    "encode",
    "facts_of",
    "fingerprint",
    "look_again_at",
    "open_demand",
    "plate_of",
    "span",
]

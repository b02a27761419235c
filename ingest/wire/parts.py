"""The larger parts of a message: the trace of an event, the habit of a birth.

Each is read whole or refused with a sentence.
"""

from __future__ import annotations

import math
from typing import Any, cast, get_args

import msgspec

from fleet.channels import CHANNELS
from fleet.model import Habit, HabitMode
from ingest.profiles import Profile
from ingest.wire.message import ENTRIES_AT_MOST
from ingest.wire.numbers import number
from ingest.wire.objects import Object

MODES: tuple[str, ...] = get_args(HabitMode)
HABIT_AT_MOST_S = 31 * 86_400
TRACE_STEP_AT_MOST_S = 60
"""The longest habit and the widest step of a trace that the contract takes. A bound of ours."""


class Trace(msgspec.Struct, frozen=True):
    """Samples of one channel, `step_s` apart, from the event's time on."""

    channel: str = ""
    step_s: float = 0.0
    samples: tuple[float, ...] = ()


NO_TRACE = Trace()


def read_trace(entry: Object, profile: Profile) -> Trace | str:
    """The trace of an event, or why it is none."""
    said = entry.get("channel")
    mapped = profile.channels.get(said) if isinstance(said, str) else None
    channel = CHANNELS.get(mapped.to if mapped else str(said))
    step = number(entry.get("step_s"), "s", False).value
    samples = entry.get("samples")
    if channel is None:
        return "a trace names a channel of the glossary"
    if step is None or not 0 < step <= TRACE_STEP_AT_MOST_S:
        return f"a trace has step_s, more than 0 and at most {TRACE_STEP_AT_MOST_S} seconds"
    if not isinstance(samples, list) or not 0 < len(samples) <= ENTRIES_AT_MOST:
        return f"a trace has 1 to {ENTRIES_AT_MOST} samples"
    values: list[float] = []
    for sample in samples:
        value = number(sample, channel.unit, channel.role == "state").value
        if value is not None and mapped is not None:
            value = None if value in mapped.sentinels else mapped.scaled(value)
        if value is None or not channel.is_possible(value):
            return "a sample of the trace is missing, no number or not possible"
        values.append(value)
    return Trace(channel.name, step, tuple(values))


def read_habit(raw: Any) -> Habit | str | None:
    """The habit a device declares, or why it is none. None: it declares none."""
    if raw is None:
        return None
    mode = raw.get("mode", "steady") if isinstance(raw, Object) else None
    mode = mode.strip().lower() if isinstance(mode, str) else None
    if mode not in MODES:
        return f"a habit is an object whose mode is one of {', '.join(MODES)}"
    lengths: dict[str, int] = {}
    for name in ("standing_s", "running_s", "heartbeat_s"):
        length = number(raw.get(name), "s", False).value
        if length is not None and 1 <= length <= HABIT_AT_MOST_S:
            lengths[name] = math.ceil(length)
        elif raw.get(name) is not None:
            return f"the habit's {name} is not 1 second to 31 days"
    return Habit(mode=cast(HabitMode, mode), source="declared", **lengths)

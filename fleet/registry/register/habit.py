"""A reporting habit as a cell."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, get_args

import msgspec

from fleet.model import Habit, HabitMode
from fleet.registry.base import cells
from fleet.registry.base.cells import CellFault


def habit(value: Any) -> Habit:
    """A reporting habit: 'steady 900 60' (seconds standing, running), 'on_change 86400'
    (heartbeat), 'sleeping 21600' (seconds between reports), or JSON with those names."""
    if isinstance(value, Mapping) or str(value).lstrip().startswith("{"):
        return _habit_of_json(value)
    first, *rest = str(value).split()
    mode: Any = cells.word(first, get_args(HabitMode))
    lengths = [cells.whole(one, 1, 40 * 86_400) for one in rest]
    if mode == "steady" and len(lengths) in (1, 2):
        return Habit(mode=mode, standing_s=lengths[0], running_s=lengths[-1], source="register")
    if mode == "on_change" and len(lengths) == 1:
        return Habit(mode=mode, heartbeat_s=lengths[0], source="register")
    if mode == "sleeping" and len(lengths) in (1, 2):
        return Habit(mode=mode, standing_s=lengths[0], running_s=lengths[-1], source="register")
    raise CellFault(
        f"is {cells.shown(value)}: expected 'steady 900 60' (seconds standing, running), "
        "'on_change 86400' (heartbeat) or 'sleeping 21600'."
    )


def _habit_of_json(value: Any) -> Habit:
    try:
        given = value if isinstance(value, Mapping) else msgspec.json.decode(str(value))
        told = {**given, "source": "register"}
        if "mode" in given:
            told["mode"] = cells.word(given["mode"], get_args(HabitMode))
        found = msgspec.convert(told, Habit)
    except (msgspec.DecodeError, msgspec.ValidationError, TypeError) as fault:
        raise CellFault(f"cannot be read as JSON: {fault}.") from None
    unknown = sorted(set(given) - set(Habit.__struct_fields__))
    if unknown:
        raise CellFault(f"names {unknown[0]}.{cells.nearest(unknown[0], Habit.__struct_fields__)}")
    if min(found.standing_s, found.running_s, found.heartbeat_s) < 1:
        raise CellFault("has a length under 1 s.")
    return found


def habit_text(found: Habit | None) -> str:
    """The habit as its cell."""
    if found is None:
        return ""
    if found.mode == "on_change":
        return f"on_change {found.heartbeat_s}"
    return f"{found.mode} {found.standing_s} {found.running_s}"

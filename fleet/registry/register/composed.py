"""Cells of the register that say more than one value: the reporting habit, the exercise, the running signal."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, get_args

import msgspec
from dateutil.rrule import rrulestr

from fleet import wiring
from fleet.defaults import RUNNING_HOLD_OFF_S, RUNNING_HOLD_ON_S, RUNNING_OFF_SHARE
from fleet.model import Habit, HabitMode, RunningSignal, SignalChannel, Unit
from fleet.registry.base import cells
from fleet.registry.base.cells import CellFault


def running_of(cell: Mapping[str, Any]) -> RunningSignal:
    """The running signal of a row's read cells. Raises KeyError never, CellFault with a column.

    off defaults to 90 % of on; hold_s is the hold before a stop counts.
    """
    first = _signal(cell, "")
    second = _signal(cell, "_2") if "running_signal_2" in cell else None
    if second is None and ("running_on_2" in cell or "running_off_2" in cell):
        raise ColumnFault("running_signal_2", "is missing though running_on_2 or _off_2 is given.")
    return RunningSignal(
        first=first,
        second=second,
        join=cell.get("running_join", "either"),
        hold_on_s=RUNNING_HOLD_ON_S,
        hold_off_s=cell.get("running_hold_s", RUNNING_HOLD_OFF_S),
    )


def usual_off(on: float | str | None) -> float | None:
    """The off threshold of a running signal for which none is said."""
    return round(on * RUNNING_OFF_SHARE, 6) if isinstance(on, float) else None


class ColumnFault(CellFault):
    """A row contradicts itself at a column."""

    def __init__(self, column: str, message: str) -> None:
        super().__init__(message)
        self.column = column


def _signal(cell: Mapping[str, Any], suffix: str) -> SignalChannel:
    channel = cell["running_signal" + suffix]
    if "running_on" + suffix not in cell:
        raise ColumnFault(
            "running_on" + suffix, f"is missing: from which value on does {channel} mean running?"
        )
    on = cell["running_on" + suffix]
    off = cell.get("running_off" + suffix, usual_off(on))
    if off > on:
        raise ColumnFault("running_off" + suffix, f"is {off:g}, above running_on{suffix} ({on:g}).")
    return SignalChannel(channel, on, off)


def check_wiring(unit: Unit, cell: Mapping[str, Any]) -> None:
    """Raises ColumnFault where the columns that say how a set is connected contradict each other."""
    if not unit.system:
        for name in ("line_v", "senses"):
            if name in cell and not (name == "senses" and set(unit.senses) <= {"mains_v"}):
                raise ColumnFault(name, "needs a system: give single, split, wye or delta too.")
        return
    try:
        wiring.check(
            wiring.Wiring(
                system=unit.system,
                nominal_v=unit.nominal_v,
                line_v=unit.line_v,
                senses=unit.senses,
            )
        )
    except wiring.WiringFault as fault:
        raise ColumnFault(fault.name, str(fault)) from None


def recurrence(value: Any) -> str:
    """An exercise: 'DTSTART:20260106T100000 RRULE:FREQ=WEEKLY;BYDAY=TU' (RFC 5545), local time.

    Kept with a line break between the two. Refused: no start, a zone or Z on it, a rule more
    often than daily.
    """
    plain = re.sub(r"\s*([:;=,])\s*", r"\1", str(value).strip())
    lines = re.split(r"[\s]+(?=RRULE:)", plain, flags=re.IGNORECASE)
    start = re.fullmatch(r"DTSTART[:=](\d{8}T\d{6})", lines[0].strip(), flags=re.IGNORECASE)
    expected = (
        "expected 'DTSTART:20260106T100000 RRULE:FREQ=WEEKLY;BYDAY=TU', local time of the site."
    )
    if start is None or len(lines) != 2:
        raise CellFault(f"is {cells.shown(value)}: {expected}")
    rule = f"DTSTART:{start[1].upper()}\n{lines[1].strip().upper()}"
    try:
        found = rrulestr(rule)
        first = next(iter(found), None)
    except (ValueError, TypeError, KeyError) as fault:
        raise CellFault(f"is {cells.shown(value)} ({fault}): {expected}") from None
    if first is None:
        raise CellFault(f"is {cells.shown(value)}, which never happens.")
    if re.search(r"FREQ=(HOURLY|MINUTELY|SECONDLY)", rule):
        raise CellFault(f"is {cells.shown(value)}: an exercise is daily at most.")
    return rule


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

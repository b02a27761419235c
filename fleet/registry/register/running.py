"""The running signal of a row: its columns read together."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fleet.defaults import RUNNING_HOLD_OFF_S, RUNNING_HOLD_ON_S, RUNNING_OFF_SHARE
from fleet.model import RunningSignal, SignalChannel
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

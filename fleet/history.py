"""Reads a unit: joins its fittings, its calibrations and the telemetry store, under a Scope.

Readings belong to devices; which device spoke for the unit at a moment is a dated fitting. So a
swapped board, a lent set or a fitting entered late needs no rewriting. Where two fittings overlap,
the one that began later wins second by second.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fleet.calibration import apply, apply_window
from fleet.model import Calibration, Fitting, Scope, Series, Window, no_series
from fleet.registry import lists
from fleet.registry.base.engine import Registry
from fleet.registry.facts.rows import UnitInputs
from fleet.settings import Settings
from fleet.store import Store, StoreDown, StoreFault, open_store

__all__ = [
    "History",
    "Part",
    "StoreDown",
    "StoreFault",
    "UnitUnknown",
    "open_history",
    "parts",
    "read_days",
    "read_series",
    "read_window",
]


class UnitUnknown(LookupError):
    """There is no such unit, or this reader may not see it."""


@dataclass(frozen=True, slots=True)
class Part:
    """A stretch [start, end) of seconds for which one fitting speaks."""

    fitting: Fitting
    start: int
    end: int


def parts(fittings: Iterable[Fitting], start: int, end: int) -> list[Part]:
    """The stretches of [start, end) that fittings cover, the earlier begun first."""
    found = []
    for fitting in sorted(fittings, key=_begun):
        low = start if fitting.from_at is None else max(start, fitting.from_at)
        high = end if fitting.to_at is None else min(end, fitting.to_at)
        if low < high:
            found.append(Part(fitting, low, high))
    return found


def read_series(
    store: Store,
    inputs: UnitInputs,
    channels: Sequence[str] | None,
    start: int,
    end: int,
    raw: bool = False,
    judged: bool = False,
) -> dict[str, Series]:
    """Values of a unit in [start, end) by channel, calibrated unless raw.

    judged: without readings of unknown time, which say nothing of the second they stand at.
    A channel asked for and not found gives an empty series; None asks for every channel there is.
    Raises StoreDown or StoreFault.
    """
    read: dict[str, list[Series]] = {name: [] for name in channels or ()}
    for part in parts(inputs.fittings, start, end):
        found = store.read(part.fitting.device, channels, part.start, part.end)
        for name, series in found.items():
            lines = [] if raw else _lines(inputs, part.fitting, name)
            if judged:
                series = _of_known_time(series, inputs.unsure.get(part.fitting.device, ()))
            read.setdefault(name, []).append(apply(series, lines))
    merged = {name: _merge(several) for name, several in read.items()}
    return {name: one for name, one in merged.items() if channels is not None or len(one)}


def read_window(
    store: Store,
    inputs: UnitInputs,
    channels: Sequence[str],
    start: int,
    end: int,
    n: int,
    raw: bool = False,
) -> dict[str, Window]:
    """n equal buckets of a unit in [start, end), calibrated unless raw.

    A bucket in which a fitting begins or ends, in which two overlap, or in which a calibration
    begins is made from its readings. Raises ValueError for an empty range or no buckets,
    StoreDown or StoreFault.
    """
    if end <= start or n < 1:
        raise ValueError(f"no buckets in {start} to {end} by {n}")
    width = -(-(end - start) // n)
    windows = {name: _blank(start, width, n) for name in channels}
    again = {name: np.zeros(n, np.bool_) for name in channels}
    taken = np.zeros(n, np.bool_)
    for part in parts(inputs.fittings, start, end):
        low, high = (part.start - start) // width, -(-(part.end - start) // width)
        whole = -(-(part.start - start) // width), (part.end - start) // width
        for redo in again.values():
            redo[low:high] |= taken[low:high]
            redo[low : whole[0]] = True
            redo[max(low, whole[1]) : high] = True
        taken[low:high] = True
        if whole[0] < whole[1]:
            _fill(store, inputs, part, windows, again, whole, raw)
    for name, window in windows.items():
        _redo(store, inputs, name, window, np.flatnonzero(again[name]), end, raw)
    return windows


def read_days(store: Store, inputs: UnitInputs, start: int, end: int) -> list[int]:
    """UTC days in [start, end) seconds that hold at least one reading of the unit, rising."""
    found: set[int] = set()
    for part in parts(inputs.fittings, start, end):
        found.update(store.days(part.fitting.device, part.start, part.end))
    return sorted(found)


class History:
    """Reads units under a Scope, for pages. Raises UnitUnknown, StoreDown or StoreFault."""

    def __init__(self, registry: Registry, store: Store) -> None:
        self.registry = registry
        self.store = store

    def series(
        self,
        scope: Scope,
        unit: str,
        channels: Sequence[str] | None,
        start: int,
        end: int,
        raw: bool = False,
    ) -> dict[str, Series]:
        """See `read_series`."""
        return read_series(self.store, self._inputs(scope, unit), channels, start, end, raw)

    def window(
        self,
        scope: Scope,
        unit: str,
        channels: Sequence[str],
        start: int,
        end: int,
        n: int,
        raw: bool = False,
    ) -> dict[str, Window]:
        """See `read_window`."""
        return read_window(self.store, self._inputs(scope, unit), channels, start, end, n, raw)

    def days(self, scope: Scope, unit: str, start: int, end: int) -> list[int]:
        """See `read_days`."""
        return read_days(self.store, self._inputs(scope, unit), start, end)

    def close(self) -> None:
        """Close the store; the registry belongs to whoever opened it."""
        self.store.close()

    def _inputs(self, scope: Scope, unit: str) -> UnitInputs:
        inputs = lists.inputs(self.registry, scope, unit)
        if inputs is None:
            raise UnitUnknown(f"there is no unit {unit[:64]!r} here")
        return inputs


def open_history(settings: Settings, registry: Registry) -> History:
    """History over the settings' telemetry store, for reading. Raises StoreDown or StoreFault."""
    return History(registry, open_store(settings, writing=False))


def _begun(fitting: Fitting) -> tuple[int, int, str]:
    return (0 if fitting.from_at is None else 1, fitting.from_at or 0, fitting.id)


def _lines(inputs: UnitInputs, fitting: Fitting, channel: str) -> list[Calibration]:
    return [c for c in inputs.calibrations if c.fitting == fitting.id and c.channel == channel]


def _of_known_time(series: Series, unsure: Sequence[int]) -> Series:
    if not unsure or not len(series):
        return series
    keep = ~np.isin(series.t, np.asarray(unsure, np.int64))
    return series if keep.all() else Series(series.t[keep], series.v[keep])


def _merge(several: list[Series]) -> Series:
    """One series in time order; of one second the later given part's value is kept."""
    several = [series for series in several if len(series)]
    if len(several) < 2:
        return several[0] if several else no_series()
    t = np.concatenate([series.t for series in several])
    v = np.concatenate([series.v for series in several])
    order = np.argsort(t, kind="stable")
    t, v = t[order], v[order]
    last = np.append(t[1:] != t[:-1], True)
    return Series(t[last], v[last])


def _blank(start: int, width: int, n: int) -> Window:
    low, high, mean, last = np.full((4, n), np.nan)
    starts = start + width * np.arange(n, dtype=np.int64)
    return Window(starts, width, low, high, mean, last, np.zeros(n, np.int64))


def _fill(
    store: Store,
    inputs: UnitInputs,
    part: Part,
    windows: dict[str, Window],
    again: dict[str, NDArray[np.bool_]],
    whole: tuple[int, int],
    raw: bool,
) -> None:
    """Put the store's summaries of a part's whole buckets in place; note those to redo."""
    first, last = whole
    any_window = next(iter(windows.values()), None)
    if any_window is None:
        return
    width = any_window.width_s
    low = int(any_window.start[0]) + first * width
    found = store.window(
        part.fitting.device, list(windows), low, low + (last - first) * width, last - first
    )
    for name, summary in found.items():
        mixed = np.empty(0, np.int64)
        if not raw:
            summary, mixed = apply_window(summary, _lines(inputs, part.fitting, name))
        again[name][first + mixed] = True
        for field in ("minimum", "maximum", "mean", "last", "count"):
            getattr(windows[name], field)[first:last] = getattr(summary, field)


def _redo(
    store: Store,
    inputs: UnitInputs,
    name: str,
    window: Window,
    indices: NDArray[np.int64],
    end: int,
    raw: bool,
) -> None:
    """Make these buckets again from the readings themselves."""
    for index in indices.tolist():
        low = int(window.start[index])
        high = min(low + window.width_s, end)
        v = read_series(store, inputs, [name], low, high, raw)[name].v if low < high else None
        if v is None or not len(v):
            window.count[index] = 0
            for empty in (window.minimum, window.maximum, window.mean, window.last):
                empty[index] = np.nan
            continue
        window.count[index] = len(v)
        window.minimum[index], window.maximum[index] = v.min(), v.max()
        window.mean[index], window.last[index] = v.mean(), v[-1]

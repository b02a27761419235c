"""What the one writer knows of the store without asking: how far each device has written.

A reading newer than everything its device has in that UTC day cannot meet an older value, so it is
written without a look. Marks may be too high (after a failed write or a deletion), never too low.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence

from fleet.calendar import DAY_S
from fleet.store.influx.lines import Row

DAYS_OF_DEVICES = 2_000
"""Devices whose days are remembered; a device that sends late costs a query the first time. A size
of a batch."""
DEVICES_AT_ONCE = 100
"""Devices of one question. A size of a batch."""
GAP_S = 6 * 3600
"""Late seconds nearer than this to each other are looked at in one range. A size of a batch."""

DayTops = dict[int, int]
"""Newest second by UTC day."""


class Tops:
    """Marks by device. newest: second by device, of all devices that ever wrote; load: a device's
    newest second by day, from the server."""

    def __init__(self, newest: dict[str, int], load: Callable[[str], DayTops]) -> None:
        self._newest = newest
        self._load = load
        self._days: dict[str, DayTops] = {}

    def is_new(self, device: str, at: int) -> bool:
        """Whether nothing can be there yet. May ask the server once a device."""
        if at > self._newest.get(device, -1):
            return True
        days = self._days.get(device)
        if days is None:
            if len(self._days) >= DAYS_OF_DEVICES:
                self._days.clear()
            days = self._days[device] = self._load(device)
        return at > days.get(at // DAY_S, -1)

    def raise_to(self, rows: Iterable[Row]) -> None:
        """Count rows as written. Called before they are sent: a failed request may have arrived."""
        newest = self._newest
        for row in rows:
            if row.at > newest.get(row.device, -1):
                newest[row.device] = row.at
            days = self._days.get(row.device)
            if days is not None and row.at > days.get(row.at // DAY_S, -1):
                days[row.at // DAY_S] = row.at


def looks(late: Sequence[Row]) -> Iterator[tuple[list[str], int, int]]:
    """Ranges to look at before writing late rows: (devices, start, end), each holding few seconds
    that are not asked for; devices late on the same days share one."""
    seconds: dict[str, list[int]] = {}
    for row in late:
        seconds.setdefault(row.device, []).append(row.at)
    together: dict[tuple[int, int], list[tuple[str, int, int]]] = {}
    for device, ats in seconds.items():
        for low, high in _stretches(sorted(ats)):
            days = (low // DAY_S, high // DAY_S)
            together.setdefault(days, []).append((device, low, high))
    for same_days in together.values():
        for k in range(0, len(same_days), DEVICES_AT_ONCE):
            some = same_days[k : k + DEVICES_AT_ONCE]
            devices = sorted({device for device, _, _ in some})
            yield devices, min(low for _, low, _ in some), max(high for _, _, high in some) + 1


def _stretches(ats: Sequence[int]) -> Iterator[tuple[int, int]]:
    """(first, last) of rising seconds without a gap over GAP_S."""
    first = last = ats[0]
    for at in ats[1:]:
        if at - last > GAP_S:
            yield first, last
            first = at
        last = at
    yield first, last

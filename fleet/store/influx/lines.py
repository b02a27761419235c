"""Readings as InfluxDB's line protocol: names, merging by second, lines. Pure.

    reading,device=ID clock=2.0,battery_v=12.6,ac_v=0.0 1728000000
    device,device=ID seen=1.0 7258118400

One line a reading (a device-second), every channel a field, always floats; `clock` is the rank of
block.CLOCK_RANK. A `device` line marks a device that ever wrote, at a time that no retention of a
bucket reaches. In tags and field keys everything but [A-Za-z0-9_.~-] stands as %XX, so nothing
ever needs escaping, in line protocol or in Flux.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from urllib.parse import quote, unquote

from fleet.model import Reading
from fleet.store import extremes
from fleet.store.block import CLOCK_RANK
from fleet.store.port import ReadingsRefused

READINGS = "reading"
DEVICES = "device"
CLOCK = "clock"
MARK_AT = 7_258_118_400
"""2200-01-01: where device marks stand. Definition."""
LATEST = 9_223_372_036
"""2262-04-11: InfluxDB counts nanoseconds in 64 bits; no reading is that late. A bound of a
format."""

_RESERVED = frozenset({CLOCK, "time"})
_BIGGEST = 1.7976931348623157e308


def field_key(channel: str) -> str:
    """A channel's name as a field key. `time`, `clock` and a leading underscore are InfluxDB's or
    ours, so a channel called so begins with %XX."""
    if not channel:
        return "%"
    key = quote(channel, safe="", errors="surrogatepass")
    if key in _RESERVED or key.startswith("_"):
        return f"%{ord(key[0]):02X}{key[1:]}"
    return key


@functools.lru_cache(maxsize=20_000)
def tag_value(device: str) -> str:
    """A device's id as a tag value; the empty one, which InfluxDB does not know, as %."""
    return quote(device, safe="", errors="surrogatepass") or "%"


def name_of(key: str) -> str:
    """The channel or device that stands behind a field key or tag value."""
    return "" if key == "%" else unquote(key, errors="surrogatepass")


class Keys(dict[str, str]):
    """Field key by channel name, each made once."""

    def __missing__(self, channel: str) -> str:
        if len(self) > 10_000:
            self.clear()
        key = self[channel] = field_key(channel)
        return key


@dataclass(slots=True)
class Row:
    """All values of one device-second, and the readings they came from.

    values: by field key, finite, negative zero as zero, the clock's rank among them.
    clashes: values that differed from another of the row.
    """

    device: str
    at: int
    values: dict[str, float]
    readings: list[Reading] = field(default_factory=list)
    clashes: int = 0

    def into(self, there: dict[str, float], keys: Keys) -> int:
        """Bring every reading of the row into what the store holds; returns the clashes."""
        return sum(merge(there, _values(reading, keys)) for reading in self.readings)

    def line(self) -> str:
        """One line of line protocol."""
        fields = ",".join([f"{key}={value!r}" for key, value in self.values.items()])
        return f"{READINGS},device={tag_value(self.device)} {fields} {self.at}"


def mark(device: str) -> str:
    """The line that marks a device as one that ever wrote."""
    return f"{DEVICES},device={tag_value(device)} seen=1.0 {MARK_AT}"


def gather(readings: Sequence[Reading], keys: Keys) -> dict[tuple[str, int], Row]:
    """Rows by (device, second).

    NaN is no value; a reading without values gives no row. Raises ReadingsRefused for readings
    with a time or a value that cannot be kept, StoreFault for what is no number.
    """
    rows: dict[tuple[str, int], Row] = {}
    refused: list[Reading] = []
    for reading in readings:
        try:
            values = _values(reading, keys)
        except (OverflowError, TypeError, ValueError):
            refused.append(reading)
            continue
        if len(values) < 2:
            continue
        where = (reading.device, reading.at)
        row = rows.get(where)
        if row is None:
            rows[where] = Row(reading.device, reading.at, values, [reading])
        else:
            row.clashes += merge(row.values, values)
            row.readings.append(reading)
    if refused:
        raise ReadingsRefused(_why(refused), refused)
    return rows


def merge(kept: dict[str, float], given: Mapping[str, float]) -> int:
    """Bring values of the same second into `kept`, as `extremes` says; missing ones are added.
    Returns how many channels clashed; of two clocks the higher number is kept, which is no
    clash."""
    clock = max(kept.pop(CLOCK, 0.0), given.get(CLOCK, 0.0))
    values = {key: value for key, value in given.items() if key != CLOCK}
    clashes = extremes.join(kept, values, name_of)
    kept[CLOCK] = clock
    return clashes


def _values(reading: Reading, keys: Keys) -> dict[str, float]:
    """A reading's fields. Raises ValueError, TypeError or OverflowError where it cannot be kept."""
    if not 0 <= reading.at < LATEST:
        raise ValueError
    values = {CLOCK: float(CLOCK_RANK[reading.clock])}
    for name, value in reading.values.items():
        number = value + 0.0  # an int becomes a float, negative zero becomes zero
        if -_BIGGEST <= number <= _BIGGEST:
            values[keys[name]] = number
        elif number == number:
            raise ValueError
    return values


def _why(refused: Sequence[Reading]) -> str:
    first = refused[0]
    more = f" and {len(refused) - 1} more" if len(refused) > 1 else ""
    return (
        f"A reading of device {first.device[:64]!r} at second {str(first.at)[:24]}{more} cannot be kept:"
        " times are whole UTC seconds from 1970 to 2262, values finite numbers."
    )

"""The entries of an array as one course: which is meant of an hour that comes twice, and readings
that one stamp claims told apart. Pure.

An array is a batch that a device kept: its entries are in the order in which it kept them (or the
reverse, or numbered by `seq`), and that order says what a wall clock alone does not.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from datetime import tzinfo
from statistics import median

import msgspec

from fleet.channels import GLOSSARY
from fleet.model import Reading
from ingest.wire.times import both_times

APART_AT_MOST_S = 59
"""So far a reading is put behind another of the same stamp. Common practice, no source."""


COUNTERS = tuple(channel.name for channel in GLOSSARY if channel.role == "counter")


class Entry(msgspec.Struct, frozen=True):
    """One stamp of an array. place: where it stands in it; digits_s: the wall clock's digits, taken
    as UTC [s]; seq: the device's number; says: what it says."""

    place: int
    digits_s: int
    seq: int | None = None
    says: object = None


def folds(entries: Sequence[Entry], zone: tzinfo, latest: int) -> dict[int, int]:
    """Which of the two hours (0, 1) each entry of an hour that comes twice is of, by its place.

    zone: of the wall clock; latest: no entry is later [s UTC].
    """
    times = {entry.place: both_times(entry.digits_s, zone) for entry in entries}
    if all(second <= first for first, second in times.values()):
        return {}
    ordered = _in_order(entries)
    if ordered is None:
        return _of_pairs(entries, times)
    found: dict[int, int] = {}
    start = 0
    while start < len(ordered):
        end = start
        while end < len(ordered) and _twice(times[ordered[end].place]):
            end += 1
        if end > start:
            found |= _of_run(ordered, start, end, times, latest)
        start = max(end, start + 1)
    return found


def told_apart(readings: Sequence[Reading], reverse: bool) -> tuple[list[Reading], int]:
    """Readings of which those that one second claims with different values stand in seconds of
    their own, in order, as far as no other is there; and how many were moved.

    reverse: the newest stands first.
    """
    claimed = {reading.at for reading in readings}
    if len(claimed) == len(readings):
        return list(readings), 0
    found = list(readings)
    there: dict[int, dict[str, float]] = {}
    moved = 0
    places = range(len(found))
    for place in reversed(places) if reverse else places:
        reading = found[place]
        at = reading.at
        while _clash(there.get(at), reading.values):
            at += 1
            if at in claimed or at > reading.at + APART_AT_MOST_S:
                at = reading.at
                break
        if at != reading.at:
            moved += 1
            found[place] = msgspec.structs.replace(reading, at=at, clock="corrected")
        there.setdefault(at, {}).update(reading.values)
    return found, moved


def is_reversed(digits: Sequence[int]) -> bool:
    """Whether the newest stands first."""
    falls = sum(b < a for a, b in itertools.pairwise(digits))
    rises = sum(b > a for a, b in itertools.pairwise(digits))
    return falls > rises


def _clash(there: dict[str, float] | None, values: dict[str, float]) -> bool:
    return there is not None and any(
        there.get(name, value) != value for name, value in values.items()
    )


def _twice(times: tuple[int, int]) -> bool:
    return times[1] > times[0]


def _in_order(entries: Sequence[Entry]) -> list[Entry] | None:
    """The entries as the device kept them; None: they are in no order."""
    if all(entry.seq is not None for entry in entries):
        return sorted(entries, key=lambda entry: entry.seq or 0)
    digits = [entry.digits_s for entry in entries]
    ordered = list(reversed(entries)) if is_reversed(digits) else list(entries)
    falls = sum(b.digits_s < a.digits_s for a, b in itertools.pairwise(ordered))
    counted = any(_counts_back(a.says, b.says) for a, b in itertools.pairwise(ordered))
    return ordered if falls <= 1 and not counted else None


def _of_pairs(entries: Sequence[Entry], times: dict[int, tuple[int, int]]) -> dict[int, int]:
    """In no order: of two that say different things under one stamp, the one whose counters are
    lower is the earlier; where they have none, the first."""
    found: dict[int, int] = {}
    before: dict[int, Entry] = {}
    for entry in entries:
        if not _twice(times[entry.place]):
            continue
        first = before.setdefault(entry.digits_s, entry)
        if first is not entry and first.says != entry.says:
            back = _counts_back(first.says, entry.says)
            found[first.place], found[entry.place] = int(back), int(not back)
    return found


def _counts_back(first: object, second: object) -> bool:
    """Whether a counter of the second entry is lower than that of the first."""
    a, b = _counted(first), _counted(second)
    return any(b[name] < value for name, value in a.items() if name in b)


def _counted(says: object) -> dict[str, float]:
    """The counters an entry gives as plain numbers."""
    if not isinstance(says, dict):
        return {}
    values = says.get("values")
    there = values if isinstance(values, dict) else says
    return {name: there[name] for name in COUNTERS if type(there.get(name)) in (int, float)}


def _of_run(
    ordered: Sequence[Entry],
    start: int,
    end: int,
    times: dict[int, tuple[int, int]],
    latest: int,
) -> dict[int, int]:
    """Entries [start, end) lie in the hour that comes twice."""
    run = ordered[start:end]
    for k in range(1, len(run)):
        back = run[k].digits_s - run[k - 1].digits_s
        if back < 0 or (back == 0 and run[k].says != run[k - 1].says):
            return {entry.place: int(n >= k) for n, entry in enumerate(run)}
    fold = _of_neighbours(ordered, start, end, times)
    if fold is None or times[run[-1].place][fold] > latest:
        return {}
    return {entry.place: fold for entry in run}


def _of_neighbours(
    ordered: Sequence[Entry], start: int, end: int, times: dict[int, tuple[int, int]]
) -> int | None:
    """The hour in which the entries keep the step of those around them; None: both do, or none."""
    digits = [entry.digits_s for entry in ordered]
    steps = [b - a for a, b in itertools.pairwise(digits) if b > a]
    if not steps:
        return None
    step = median(steps)
    off = [0.0, 0.0]
    for fold in (0, 1):
        if start > 0:
            gap = times[ordered[start].place][fold] - times[ordered[start - 1].place][0]
            off[fold] += abs(gap - step)
        if end < len(ordered):
            gap = times[ordered[end].place][0] - times[ordered[end - 1].place][fold]
            off[fold] += abs(gap - step)
    return None if off[0] == off[1] else int(off[1] < off[0])

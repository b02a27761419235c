"""Counting the numbers a device skipped. Pure.

A gap is reported, never repaired by guess; a late arrival that fills it takes it back. Which
numbers are missing is remembered in memory only: after a restart a filled gap stays counted.
"""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

RANGES_AT_MOST = 64
"""Ranges of missing numbers remembered for one device; older ones stay counted. A bound of
ours."""


class Numbering(msgspec.Struct, frozen=True):
    """last: highest number of the present count; gaps: numbers that never came.

    missing: ranges (first, last) that may still come.
    """

    last: int | None = None
    gaps: int = 0
    missing: tuple[tuple[int, int], ...] = ()


def heard(
    numbering: Numbering, pairs: Iterable[tuple[int, int]], newest_at: int | None
) -> Numbering:
    """Take (at, seq) pairs in order of arrival.

    newest_at: newest time known before [s UTC]. A lower number at a newer time is a device that
    began to count again; at an older time it is a late arrival or a repetition.
    """
    last, gaps, missing = numbering.last, numbering.gaps, numbering.missing
    newest = -1 if newest_at is None else newest_at
    for at, seq in pairs:
        if last is None or seq == last + 1:
            last = seq
        elif seq > last:
            gaps += seq - last - 1
            missing = (*missing, (last + 1, seq - 1))[-RANGES_AT_MOST:]
            last = seq
        elif any(first <= seq <= end for first, end in missing):
            gaps -= 1
            missing = _without(missing, seq)
        elif seq < last and at > newest:
            last, missing = seq, ()
        newest = max(newest, at)
    return Numbering(last, gaps, missing)


def anothers(numbering: Numbering) -> Numbering:
    """The same where two devices count under one id: what is missing still may be the other's."""
    missing = sum(end - first + 1 for first, end in numbering.missing)
    return Numbering(numbering.last, max(0, numbering.gaps - missing))


def _without(ranges: tuple[tuple[int, int], ...], seq: int) -> tuple[tuple[int, int], ...]:
    left: list[tuple[int, int]] = []
    for first, end in ranges:
        if not first <= seq <= end:
            left.append((first, end))
            continue
        if first < seq:
            left.append((first, seq - 1))
        if seq < end:
            left.append((seq + 1, end))
    return tuple(left)

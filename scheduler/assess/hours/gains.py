"""Hours gained over time: by the meter, or by the runs seen, each with where it ends and how surely."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from itertools import accumulate

from fleet.model import Run
from scheduler.day import Day

Span = tuple[int, int, float]
"""from, to (UTC seconds), hours gained in between [h]."""
Stretch = tuple[int, int]
"""from, to (UTC seconds)."""


class Gains:
    """Hours gained over time; inside a span they are taken as even."""

    def __init__(self, spans: Iterable[Span]) -> None:
        self.spans = sorted(spans)
        self.ends = [end for _, end, _ in self.spans]
        self.sums = [0.0, *accumulate(hours for _, _, hours in self.spans)]

    def until(self, at: int) -> float:
        """Hours gained up to a moment [h]."""
        index = bisect_right(self.ends, at)
        total = self.sums[index]
        if index < len(self.spans):
            start, end, hours = self.spans[index]
            total += hours * max(0, at - start) / max(end - start, 1)
        return total

    def between(self, start: int, end: int) -> float:
        return self.until(end) - self.until(start)

    def ending_from(self, at: int) -> float:
        """Hours of all spans that end at or after a moment, whole [h]."""
        return self.sums[-1] - self.sums[bisect_left(self.ends, at)]

    def when(self, hours: float) -> int | None:
        """The first moment at which the hours gained reach `hours`; None if they never do."""
        for (start, end, gained), before in zip(self.spans, self.sums, strict=False):
            if before + gained >= hours:
                share = (hours - before) / gained if gained > 0 else 0.0
                return start + round(max(0.0, share) * (end - start))
        return None


def spliced(meter: Gains, runs: Gains, stretches: Sequence[Stretch]) -> Gains:
    """The meter's gains, and in the stretches (rising, apart) those of the runs instead.

    Gives: gains in hours [h]. Arithmetic.
    """
    if not stretches:
        return meter
    inside = [part for span in runs.spans for part in _inside(span, stretches)]
    edges = [-FOREVER, *(edge for stretch in stretches for edge in stretch), FOREVER]
    outside = list(zip(edges[::2], edges[1::2], strict=True))
    return Gains([*inside, *(part for span in meter.spans for part in _inside(span, outside))])


FOREVER = 2**62
"""A moment behind every other [UTC s]. Definition."""


def _inside(span: Span, stretches: Iterable[Stretch]) -> Iterable[Span]:
    start, end, hours = span
    for low, high in stretches:
        first, last = max(start, low), min(end, high)
        if first < last:
            yield first, last, hours * (last - first) / (end - start)


def merged(stretches: Iterable[Stretch]) -> tuple[Stretch, ...]:
    """The same moments as stretches that lie apart, rising.

    Gives: moments [UTC s]. Arithmetic.
    """
    found: list[Stretch] = []
    for low, high in sorted(stretches):
        if found and low <= found[-1][1]:
            found[-1] = (found[-1][0], max(high, found[-1][1]))
        elif low < high:
            found.append((low, high))
    return tuple(found)


def all_runs(days: Sequence[Day], open_run: Run | None) -> list[Run]:
    """Every run known, in order, with the one still open at its end.

    Gives: records. Definition.
    """
    runs = [run for day in days for run in day.runs]
    if open_run is not None and (not runs or runs[-1].start != open_run.start):
        runs.append(open_run)
    return runs


def run_end(run: Run) -> int:
    """Where a run's hours count to: its end, or the last moment it was seen running.

    Gives: [UTC s]. Definition.
    """
    return max(run.start, run.last_on_at if run.end is None else run.end)


def uncertain_s(run: Run) -> int:
    """By how much start and end of a run together may be off [s].

    Gives: [s]. Arithmetic.
    """
    late = (run.end_latest or run_end(run)) - run_end(run)
    early = run.start - (run.start_earliest if run.start_earliest is not None else run.start)
    return max(0, late) + max(0, early)


def surely_until(run: Run, hides_s: int) -> int:
    """Until when a run surely lasted (UTC seconds), where its habit can hide the end.

    Gives: [UTC s]. Definition.
    """
    end = run_end(run)
    return min(run.last_on_at, end) if hides_s and run.last_on_at else end

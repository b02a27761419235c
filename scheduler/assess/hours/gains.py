"""Hours gained over time."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable
from itertools import accumulate

Span = tuple[int, int, float]
"""from, to (UTC seconds), hours gained in between [h]."""


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

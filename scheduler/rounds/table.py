"""Distances from a road server that answers like OSRM's table service, in blocks; the rest estimated.

`/table/v1/driving/LON,LAT;...?annotations=duration,distance&sources=...&destinations=...` in blocks
of 100 x 100, the server's default limit. Any block that fails, and any cell without a way, is
estimated, and the plan says how many.
"""

from __future__ import annotations

import json
import urllib.parse
import urllib.request
from http.client import HTTPException
from threading import Lock
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from scheduler.rounds.model import Distances
from scheduler.rounds.travel import Degrees, Estimate

BLOCK = 100
TIMEOUT_S = 5.0
MOST_BYTES = 32 << 20
"""Places of a block; seconds that the server has for it; bytes of its answer. A bound of ours."""
GIVE_UP = 3
"""After so many failed blocks in a row the server is not asked again in this call. A bound of
ours."""
MOST_METRES = 2_000_000.0
"""Longer ways and times are no answer of a road server for a round. A bound of ours."""
Spot = tuple[float, float]


class Cells(NamedTuple):
    """Square tables over the places, filled in place: metres, seconds, and which cells are guessed."""

    metres: Any
    seconds: Any
    guessed: NDArray[np.bool_]


class Table:
    """Asks a road server; remembers its last and largest answer by place.

    Raises ValueError for an address that is not http or https.
    """

    def __init__(self, url: str, timeout_s: float = TIMEOUT_S, block: int = BLOCK) -> None:
        parts = urllib.parse.urlsplit(url)
        if parts.scheme not in ("http", "https") or not parts.netloc:
            raise ValueError("The road server's address must begin with http:// or https://.")
        self.url, self.timeout_s, self.block = url.rstrip("/"), timeout_s, block
        self.estimate = Estimate()
        self._spots: dict[Spot, int] = {}
        self._known: Distances | None = None
        self._lock = Lock()

    def between(self, lat: Degrees, lon: Degrees) -> Distances:
        """All pairs; cells the server did not answer are estimates and marked as such."""
        with self._lock:  # one memory for every page that asks
            return self._between(lat, lon)

    def _between(self, lat: Degrees, lon: Degrees) -> Distances:
        guess = self.estimate.between(lat, lon)
        metres, seconds = guess.metres, guess.seconds
        guessed = np.ones(metres.shape, np.bool_)
        np.fill_diagonal(guessed, False)
        spots = [(round(float(a), 6), round(float(b), 6)) for a, b in zip(lat, lon, strict=True)]
        self._recall(spots, metres, seconds, guessed)
        failed = 0
        for rows in _blocks(len(spots), self.block):
            for columns in _blocks(len(spots), self.block):
                if failed >= GIVE_UP or not guessed[np.ix_(rows, columns)].any():
                    continue
                taken = self._ask(spots, rows, columns, Cells(metres, seconds, guessed))
                failed = 0 if taken else failed + 1
        share = float(guessed.sum() / max(1, guessed.size - len(spots)))
        found = Distances(
            metres=metres, seconds=seconds, estimated=share, guessed=guessed, by=self.url
        )
        if self._known is None or len(spots) >= len(self._spots):
            self._known, self._spots = found, {spot: n for n, spot in enumerate(spots)}
        return found

    def _recall(
        self, spots: list[Spot], metres: Any, seconds: Any, guessed: NDArray[np.bool_]
    ) -> None:
        """Cells answered before, by place."""
        if self._known is None or self._known.guessed is None:
            return
        here = np.array([n for n, spot in enumerate(spots) if spot in self._spots], np.int64)
        there = np.array([self._spots[spots[n]] for n in here], np.int64)
        known = ~self._known.guessed[np.ix_(there, there)]
        for into, kept in ((metres, self._known.metres), (seconds, self._known.seconds)):
            cells = into[np.ix_(here, here)]
            cells[known] = kept[np.ix_(there, there)][known]
            into[np.ix_(here, here)] = cells
        open_cells = guessed[np.ix_(here, here)]
        guessed[np.ix_(here, here)] = open_cells & ~known

    def _ask(
        self,
        spots: list[Spot],
        rows: range,
        columns: range,
        known: Cells,
    ) -> bool:
        """One block into the matrices; False: the server did not answer it."""
        metres, seconds, guessed = known
        size = (len(rows), len(columns))
        answer = self._fetch(spots, rows, columns)
        if answer is None:
            return False
        far, long = _cells(answer.get("distances"), size), _cells(answer.get("durations"), size)
        if far is None or long is None:
            return False
        good = np.isfinite(far) & np.isfinite(long) & (far >= 0) & (long >= 0)
        good &= (far <= MOST_METRES) & (long <= MOST_METRES)
        at = np.ix_(rows, columns)
        good &= np.array(rows)[:, None] != np.array(columns)[None, :]
        for into, cells in ((metres, far), (seconds, long)):
            whole = np.ceil(np.where(good, cells, 0)).astype(np.int32)
            into[at] = np.where(good, whole, into[at])
        guessed[at] &= ~good
        return True

    def _fetch(self, spots: list[Spot], rows: range, columns: range) -> dict[str, Any] | None:
        places = list(dict.fromkeys([*rows, *columns]))
        at = {place: n for n, place in enumerate(places)}
        way = ";".join(f"{spots[n][1]:.6f},{spots[n][0]:.6f}" for n in places)
        query = urllib.parse.urlencode(
            {
                "annotations": "duration,distance",
                "sources": ";".join(str(at[n]) for n in rows),
                "destinations": ";".join(str(at[n]) for n in columns),
            },
            safe=";,",
        )
        try:
            with urllib.request.urlopen(
                f"{self.url}/table/v1/driving/{way}?{query}", timeout=self.timeout_s
            ) as response:
                answer = json.loads(response.read(MOST_BYTES))
        except (OSError, ValueError, HTTPException):
            return None
        if not isinstance(answer, dict) or answer.get("code") != "Ok":
            return None
        return answer


def _blocks(count: int, size: int) -> list[range]:
    return [range(n, min(n + size, count)) for n in range(0, count, size)]


def _cells(rows: object, size: tuple[int, int]) -> NDArray[np.float64] | None:
    """A table of numbers, null as not a number; None where it is no such table."""
    try:
        cells = np.array(rows, np.float64)
    except (TypeError, ValueError):
        return None
    return cells if cells.shape == size else None

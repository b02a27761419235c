"""Distances without a road table: great-circle metres, a stated road factor, speed by length.

Seconds are a concave function of metres, so the way over a third place is never shorter; a
table of speeds by steps would break that.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fleet.geo import EARTH_RADIUS_KM
from scheduler.rounds.model import Distances, Matrix

ROAD_FACTOR = 1.3
"""Road metres over great-circle metres; common practice, no source."""
SLOW_KMH, FASTER_KMH, REACH_KM = 25.0, 60.0, 25.0
"""Speed [km/h] = 25 + 60 (1 - exp(-km / 25)); common practice, no source."""

Degrees = NDArray[np.float64]


class Estimate:
    """Distances by great circle and road factor."""

    def __init__(self, road_factor: float = ROAD_FACTOR) -> None:
        self.road_factor = road_factor

    def between(self, lat: Degrees, lon: Degrees) -> Distances:
        """All pairs, row by row so that memory stays bounded. lat, lon: degrees."""
        n = len(lat)
        metres, seconds = np.empty((n, n), np.int32), np.empty((n, n), np.int32)
        for row in range(n):
            road = self.road_factor * great_circle_m(lat[row], lon[row], lat, lon)
            metres[row], seconds[row] = _whole(road), _whole(driving_s(road))
        np.fill_diagonal(metres, 0)
        np.fill_diagonal(seconds, 0)
        return Distances(metres=metres, seconds=seconds)

    def from_to(
        self, lat: Degrees, lon: Degrees, to_lat: Degrees, to_lon: Degrees
    ) -> tuple[Matrix, Matrix]:
        """Metres and seconds from each of the first places (rows) to each of the second."""
        rows = [
            self.road_factor * great_circle_m(a, b, to_lat, to_lon)
            for a, b in zip(lat, lon, strict=True)
        ]
        road = np.array(rows).reshape(len(lat), len(to_lat))
        return _whole(road), _whole(driving_s(road))


def great_circle_m(
    lat: float, lon: float, to_lat: Degrees, to_lon: Degrees, radius_km: float = EARTH_RADIUS_KM
) -> NDArray[np.float64]:
    """Great-circle metres from one place to many (haversine, as `fleet.geo.distance_km`)."""
    phi, phi_to = np.radians(lat), np.radians(to_lat)
    north = np.sin((phi_to - phi) / 2) ** 2
    east = np.sin(np.radians(to_lon - lon) / 2) ** 2
    chord = north + np.cos(phi) * np.cos(phi_to) * east
    found: NDArray[np.float64] = 2000 * radius_km * np.arcsin(np.sqrt(np.minimum(1.0, chord)))
    return found


def driving_s(metres: NDArray[np.float64]) -> NDArray[np.float64]:
    """Seconds for so many road metres."""
    km = metres / 1000
    kmh = SLOW_KMH + FASTER_KMH * (1 - np.exp(-km / REACH_KM))
    found: NDArray[np.float64] = 3600 * km / kmh
    return found


def _whole(values: NDArray[np.float64]) -> Matrix:
    found: Matrix = np.ceil(values).astype(np.int32)
    return found

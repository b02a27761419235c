"""What a separate trip later to each site would cost."""

from __future__ import annotations

import numpy as np

from scheduler.rounds.money import money
from scheduler.rounds.nouns import PlanRequest
from scheduler.rounds.travel import Degrees, Estimate

STOPS_A_DAY = 4
"""A separate trip later is shared by so many stops; common practice, no source."""


def trip_later(request: PlanRequest, asked: set[str]) -> dict[str, int]:
    """Money of a separate trip later to each site, by the estimate whatever the travel source.

    There and back to the nearest base shared by `STOPS_A_DAY`, plus the way to the third nearest
    site, driven at 60 km/h (common practice, no source).
    """
    sites = [site for site in request.sites if site.id not in asked]
    if not sites or not request.technicians:
        return {}
    lat = np.array([site.lat for site in sites], np.float64)
    lon = np.array([site.lon for site in sites], np.float64)
    bases = np.array([(t.lat, t.lon) for t in request.technicians], np.float64)
    estimate = Estimate()
    home = estimate.from_to(bases[:, 0], bases[:, 1], lat, lon)[0].min(axis=0)
    hop = _third_nearest_m(lat, lon) * estimate.road_factor
    e = request.economics
    km = (2 * home / STOPS_A_DAY + hop) / 1000
    return {
        site.id: money(float(length) * (e.km + e.hour / 60))
        for site, length in zip(sites, km, strict=True)
    }


def _third_nearest_m(lat: Degrees, lon: Degrees) -> Degrees:
    """Great-circle metres to the third nearest other site (fewer sites: the farthest there is)."""
    from scipy.spatial import cKDTree  # here: the worker has no use for it and starts sooner

    phi, lam = np.radians(lat), np.radians(lon)
    xyz = np.column_stack([np.cos(phi) * np.cos(lam), np.cos(phi) * np.sin(lam), np.sin(phi)])
    chord, _ = cKDTree(xyz).query(xyz, k=min(4, len(lat)))
    last = chord if chord.ndim == 1 else chord[:, -1]
    found: Degrees = 2 * 6_371_008.8 * np.arcsin(np.minimum(1.0, last / 2))
    return found

"""Distances between sites as the crow flies."""

from __future__ import annotations

from math import asin, cos, radians, sin, sqrt

EARTH_RADIUS_KM = 6371.0088
"""Mean radius R1 of the Geodetic Reference System 1980. Source: Moritz, Journal of Geodesy 2000,
for the IUGG."""


def distance_km(
    lat_1: float, lon_1: float, lat_2: float, lon_2: float, radius_km: float = EARTH_RADIUS_KM
) -> float:
    """Great-circle distance [km] between two points in degrees, by the haversine formula.

    The sphere departs from the ellipsoid by up to about 0.5 %. Raises ValueError for a latitude
    beyond 90 or a longitude beyond 360 degrees, which is most often the two swapped.
    """
    for lat, lon in ((lat_1, lon_1), (lat_2, lon_2)):
        if not (abs(lat) <= 90 and abs(lon) <= 360):
            raise ValueError(f"latitude {lat:g}, longitude {lon:g} is no place: are they swapped?")
    north = sin(radians(lat_2 - lat_1) / 2) ** 2
    east = sin(radians(lon_2 - lon_1) / 2) ** 2
    chord = north + cos(radians(lat_1)) * cos(radians(lat_2)) * east
    return 2 * radius_km * asin(sqrt(min(1.0, chord)))

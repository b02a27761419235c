"""Distances, held to published values."""

import json
from pathlib import Path

import pytest
from checks import Checks
from hypothesis import given
from hypothesis import strategies as st

from fleet.geo import EARTH_RADIUS_KM, distance_km


def test_nashville_to_los_angeles_on_two_spheres(shared: Path, checked: Checks) -> None:
    """The haversine example many texts carry: (36.12, -86.67) to (33.94, -118.40)."""
    case = json.loads((shared / "check/check-values.json").read_text())["geodesy"]
    case = case["haversine_36.12,-86.67_33.94,-118.40_km"]
    points = (36.12, -86.67, 33.94, -118.40)
    got = [distance_km(*points, radius_km=radius) for radius in (6371, 6372.8)]
    checked(
        "Distance on a sphere [km]",
        "haversine example of many texts",
        [case["R6371"], case["R6372.8"]],
        got,
        1e-6,
    )
    assert distance_km(*points) == pytest.approx(case["wgs84"], rel=0.005)


@pytest.mark.parametrize(
    ("points", "ellipsoid_km"),
    [
        # national geodesy agency's test line Flinders Peak - Buninyong, 54,972.271 m
        (
            (-37.95103341666667, 144.42486788888888, -37.65282113888889, 143.92649552777777),
            54.972271,
        ),
        # Land's End - John o'Groats, 969,954.166 m on WGS 84
        ((50.06632, -5.71475, 58.64402, -3.07009), 969.954166),
        # one degree of the equator and half of it, WGS 84 (Karney)
        ((0.0, 0.0, 0.0, 1.0), 111.3194908),
        ((0.0, 0.0, 0.0, 180.0), 20003.9314586),
    ],
)
def test_within_half_a_percent_of_the_ellipsoid(
    points: tuple[float, float, float, float], ellipsoid_km: float, checked: Checks
) -> None:
    checked(
        "Distance over the ellipsoid's [1]",
        "national geodesy agency; Karney (WGS 84)",
        1.0,
        distance_km(*points) / ellipsoid_km,
        0.0056,
    )


def test_one_degree_on_a_sphere_of_6371_km(checked: Checks) -> None:
    assert EARTH_RADIUS_KM == 6371.0088
    got = distance_km(0, 0, 0, 1, radius_km=6371)
    checked("Distance on a sphere [km]", "one degree at R = 6371 km", 111.1949, got, 1e-4)


def test_a_place_that_is_none_is_refused() -> None:
    with pytest.raises(ValueError, match="swapped"):
        distance_km(118.4, 33.9, 36.1, -86.7)


PLACES = st.tuples(st.floats(-90, 90), st.floats(-180, 180))


@given(PLACES, PLACES, PLACES)
def test_it_is_a_distance(
    a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]
) -> None:
    assert distance_km(*a, *b) == pytest.approx(distance_km(*b, *a), abs=1e-9)
    assert distance_km(*a, *c) <= distance_km(*a, *b) + distance_km(*b, *c) + 1e-6
    assert distance_km(*a, *a) == 0

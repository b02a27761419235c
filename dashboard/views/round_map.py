"""Rounds as a map: server-made SVG, no tiles, nothing from outside. Pure.

Equirectangular about the mean latitude: x = longitude times its cosine, y = latitude.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import cos, radians

import msgspec
from markupsafe import Markup, escape

WIDE, HIGH, EDGE = 720.0, 520.0, 34.0
"""Of the drawing, and the edge kept free, in its own units. Definition."""
KM_A_DEGREE = 111.19
"""Of latitude, on a sphere of 6371.0088 km. Arithmetic."""
DASHES = ("a", "b", "c", "d")
BARS_KM = (1, 2, 5, 10, 20, 50, 100, 200)
"""Lengths of the scale's bar. Definition."""


class Spot(msgspec.Struct, frozen=True):
    """A place on the map. label: its number in the round, or a short name."""

    lat: float
    lon: float
    label: str = ""
    title: str = ""


class Route(msgspec.Struct, frozen=True):
    """A round: its base and its stops in order."""

    name: str
    base: Spot
    stops: tuple[Spot, ...]


def round_map(routes: Sequence[Route], left_out: Sequence[Spot] = (), said: str = "") -> Markup:
    """The rounds on one map; said: the same in words, for who does not see it."""
    spots = [spot for route in routes for spot in (route.base, *route.stops)] + list(left_out)
    if not spots:
        return Markup("")
    place = _projection(spots)
    parts = [_scale(place.km_px)]
    for spot in left_out:
        x, y = place.at(spot)
        parts.append(
            f'<circle class="left" cx="{x:.1f}" cy="{y:.1f}" r="5">{_title(spot)}</circle>'
        )
    for n, route in enumerate(routes):
        points = " ".join(
            "{:.1f},{:.1f}".format(*place.at(s)) for s in (route.base, *route.stops, route.base)
        )
        parts.append(f'<polyline class="way {DASHES[n % len(DASHES)]}" points="{points}"/>')
    for route in routes:
        x, y = place.at(route.base)
        parts.append(f'<path class="base" d="M{x:.1f} {y - 7:.1f}l7 6v8h-14v-8z"/>')
        parts.append(
            f'<text class="soft" x="{x + 12:.1f}" y="{y + 5:.1f}">{escape(route.name)}</text>'
        )
        parts += [_stop(place.at(spot), spot) for spot in route.stops]
    label = escape(said or "Map of the rounds")
    return Markup(
        f'<svg class="map" viewBox="0 0 {WIDE:.0f} {HIGH:.0f}" role="img" aria-label="{label}">'
        f"{''.join(parts)}</svg>"
    )


def _stop(at: tuple[float, float], spot: Spot) -> str:
    x, y = at
    return (
        f'<g><circle class="stop" cx="{x:.1f}" cy="{y:.1f}" r="12">{_title(spot)}</circle>'
        f'<text class="no" x="{x:.1f}" y="{y + 5:.1f}" text-anchor="middle">'
        f"{escape(spot.label)}</text></g>"
    )


def _title(spot: Spot) -> str:
    return f"<title>{escape(spot.title)}</title>" if spot.title else ""


class _Place(msgspec.Struct, frozen=True):
    west: float
    north: float
    shrink: float
    unit: float
    left: float
    top: float

    @property
    def km_px(self) -> float:
        return self.unit / KM_A_DEGREE

    def at(self, spot: Spot) -> tuple[float, float]:
        return (
            self.left + (spot.lon - self.west) * self.shrink * self.unit,
            self.top + (self.north - spot.lat) * self.unit,
        )


def _projection(spots: Sequence[Spot]) -> _Place:
    south, north = min(s.lat for s in spots), max(s.lat for s in spots)
    west, east = min(s.lon for s in spots), max(s.lon for s in spots)
    shrink = max(0.05, cos(radians((south + north) / 2)))
    wide, high = max((east - west) * shrink, 0.02), max(north - south, 0.02)
    unit = min((WIDE - 2 * EDGE) / wide, (HIGH - 2 * EDGE) / high)
    left = (WIDE - (east - west) * shrink * unit) / 2
    top = (HIGH - (north - south) * unit) / 2
    return _Place(west, north, shrink, unit, left, top)


def _scale(km_px: float) -> str:
    km = max((bar for bar in BARS_KM if bar * km_px <= WIDE / 4), default=BARS_KM[0])
    y, length = HIGH - 12, km * km_px
    return (
        f'<path class="grat" d="M12 {y:.0f}v-6v6h{length:.1f}v-6"/>'
        f'<text class="soft" x="{16 + length:.1f}" y="{y:.0f}">{km} km</text>'
    )

"""The visits of a plan as rows, GeoJSON (RFC 7946) and GPX 1.1. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TypedDict
from xml.etree import ElementTree as xml

import msgspec

from dashboard.exports.sheets import csv_of
from fleet.calendar import utc_text

COLUMNS = (
    "day",
    "technician",
    "visit",
    "site",
    "address",
    "arrive",
    "start",
    "finish",
    "half_day",
    "work",
    "units",
    "jobs",
    "km",
    "lat",
    "lon",
)
GPX = "http://www.topografix.com/GPX/1/1"


class Visit(msgspec.Struct, frozen=True, kw_only=True):
    """One visit as it leaves the house. Times are UTC seconds, lengths metres."""

    day: str
    technician: str
    n: int
    site: str
    address: str
    arrive: int
    start: int
    finish: int
    half: str
    work: tuple[str, ...]
    units: tuple[str, ...]
    jobs: tuple[str, ...]
    metres: int
    lat: float | None
    lon: float | None


class Leg(msgspec.Struct, frozen=True, kw_only=True):
    """A round: who, when, from which base, and its visits in order."""

    day: str
    technician: str
    name: str
    lat: float
    lon: float
    visits: tuple[Visit, ...]


def as_csv(legs: Iterable[Leg]) -> str:
    """A row a visit."""
    rows = [
        (
            v.day,
            leg.name,
            v.n,
            v.site,
            v.address,
            utc_text(v.arrive),
            utc_text(v.start),
            utc_text(v.finish),
            v.half,
            "; ".join(v.work),
            " ".join(v.units),
            " ".join(v.jobs),
            round(v.metres / 1000, 1),
            v.lat,
            v.lon,
        )
        for leg in legs
        for v in leg.visits
    ]
    return csv_of(COLUMNS, rows)


class Geometry(TypedDict):
    """A place or a line of a map: longitude, then latitude."""

    type: str
    coordinates: list[float] | list[list[float]]


class _Feature(TypedDict):
    type: str
    geometry: Geometry
    properties: dict[str, object]


class Feature(_Feature, total=False):
    """One thing on a map, with whatever is known of it."""

    id: str


class FeatureCollection(TypedDict):
    """A map as RFC 7946 has it."""

    type: str
    features: list[Feature]


def geojson(legs: Iterable[Leg]) -> FeatureCollection:
    """A FeatureCollection: a Point a visit, a LineString a round; longitude first, then latitude."""
    features: list[Feature] = []
    for leg in legs:
        placed = [v for v in leg.visits if v.lat is not None and v.lon is not None]
        base = [round(leg.lon, 6), round(leg.lat, 6)]
        line = [base, *([round(v.lon or 0, 6), round(v.lat or 0, 6)] for v in placed), base]
        features.append(
            {
                "type": "Feature",
                "geometry": {"type": "LineString", "coordinates": line},
                "properties": {
                    "kind": "round",
                    "day": leg.day,
                    "technician": leg.name,
                    "straight_lines": True,
                },
            }
        )
        for v in placed:
            features.append(
                {
                    "type": "Feature",
                    "id": f"{leg.day}-{leg.technician}-{v.n}",
                    "geometry": {
                        "type": "Point",
                        "coordinates": [round(v.lon or 0, 6), round(v.lat or 0, 6)],
                    },
                    "properties": {
                        "kind": "visit",
                        "day": v.day,
                        "technician": leg.name,
                        "visit": v.n,
                        "site": v.site,
                        "address": v.address,
                        "arrive": utc_text(v.arrive),
                        "start": utc_text(v.start),
                        "finish": utc_text(v.finish),
                        "half_day": v.half,
                        "work": list(v.work),
                        "units": list(v.units),
                        "jobs": list(v.jobs),
                    },
                }
            )
    return {"type": "FeatureCollection", "features": features}


def gpx(legs: Iterable[Leg], made_at: int) -> bytes:
    """A route (`rte`) a round, its visits as route points. made_at: UTC seconds."""
    xml.register_namespace("", GPX)
    root = xml.Element(f"{{{GPX}}}gpx", {"version": "1.1", "creator": "Hourhand"})
    about = xml.SubElement(root, f"{{{GPX}}}metadata")
    xml.SubElement(about, f"{{{GPX}}}time").text = utc_text(made_at)
    for leg in legs:
        route = xml.SubElement(root, f"{{{GPX}}}rte")
        xml.SubElement(route, f"{{{GPX}}}name").text = clean(f"{leg.day} {leg.name}")
        for v in leg.visits:
            if v.lat is None or v.lon is None:
                continue
            point = xml.SubElement(
                route, f"{{{GPX}}}rtept", {"lat": f"{v.lat:.6f}", "lon": f"{v.lon:.6f}"}
            )
            xml.SubElement(point, f"{{{GPX}}}time").text = utc_text(v.arrive)
            xml.SubElement(point, f"{{{GPX}}}name").text = clean(f"{v.n} {v.site}")
            xml.SubElement(point, f"{{{GPX}}}desc").text = clean("; ".join(v.work))
    text: bytes = xml.tostring(root, encoding="utf-8", xml_declaration=True)
    return text


def clean(text: str) -> str:
    """Text without the signs XML 1.0 cannot hold."""
    return "".join(
        sign
        for sign in text
        if sign in "\t\n\r"
        or "\x20" <= sign <= "\ud7ff"
        or "\ue000" <= sign <= "\ufffd"
        or sign >= "\U00010000"
    )

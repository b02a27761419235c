"""Arrays to Plotly figures, as plain dicts (typed arrays in base64), for exploring on a page.

Pure. plotly itself is used only to serve its script and, in tests, to check these dicts.
Colours are the light theme's; `layout.meta` says which token of app.css each stands for, so the
page can put its own theme's colours in.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, TypedDict
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from dashboard import phrases
from fleet.channels import CHANNELS
from fleet.model import Run, Window

INKS = {
    "#2c3439": "--trace",
    "#727b80": "--ghost",
    "#bcc3c6": "--line",
    "#434b50": "--ink2",
    "#fbfbfb": "--raised",
    "#b3babe": "--band",
    "#171c1f": "--ink",
}
TRACE, GHOST, LINE, INK2, RAISED, BAND = list(INKS)[:6]
DASHES = ("solid", "dash", "dot")
LINES = ("solid", "dashed", "dotted")

PANELS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("Battery, V", ("battery_v",)),
    ("Charging output, V", ("charge_v",)),
    ("Output and mains, V", ("ac_v", "mains_v", "ac_l1_v", "ac_l2_v", "ac_l3_v")),
    ("Line to line, V", ("ac_l12_v", "ac_l23_v", "ac_l31_v")),
    ("Frequency, Hz", ("frequency_hz",)),
    ("Load, kW", ("load_kw",)),
    ("Current, A", ("current_a",)),
    ("Fuel, %", ("fuel_pct",)),
    ("Temperature, °C", ("engine_temp_c", "ambient_temp_c")),
    ("Oil pressure, kPa", ("oil_pressure_kpa",)),
    ("Speed, rpm", ("speed_rpm",)),
    ("Hour meter, h", ("run_hours_h",)),
    ("Radio signal, dBm", ("signal_dbm",)),
)
"""Which channels share a panel, in reading order."""

Open = dict[str, object]
"""A part of a figure whose names are the drawing library's own and are as many as it has panels."""


class Typed(TypedDict):
    """A typed array in base64, little endian."""

    dtype: str
    bdata: str


class Trace(TypedDict):
    """A line of a figure."""

    type: str
    mode: str
    name: str
    x: Typed
    y: Typed
    yaxis: str
    connectgaps: bool
    line: Open
    hovertemplate: str


class Heading(TypedDict):
    """A text over a panel, placed by shares of the figure."""

    text: str
    xref: str
    yref: str
    x: float
    y: float
    xanchor: str
    yanchor: str
    showarrow: bool
    font: Open


class Shade(TypedDict):
    """A run, shaded from x0 to x1 (milliseconds of the axis) over the whole height."""

    type: str
    xref: str
    yref: str
    layer: str
    x0: float
    x1: float
    y0: float
    y1: float
    fillcolor: str
    opacity: float
    line: Open


class Figure(TypedDict):
    """What the drawing library is given: its lines, and how they lie."""

    data: list[Trace]
    layout: Open


RUNS_AT_MOST = 400
PANEL_PX = 150
"""Runs drawn, and pixels of a panel. A page's length."""


@dataclass(frozen=True, slots=True)
class Panel:
    """One panel: its title and the windows drawn in it, by channel."""

    title: str
    windows: dict[str, Window]


def chart_channels(available: set[str]) -> list[str]:
    """Channels worth drawing, in panel order, of those a unit reports."""
    return [name for _, names in PANELS for name in names if name in available]


def panels(windows: dict[str, Window]) -> list[Panel]:
    """Windows sorted into panels; panels without a reading are left out."""
    found = []
    for title, names in PANELS:
        held = {n: windows[n] for n in names if n in windows and (windows[n].count > 0).any()}
        if held:
            found.append(Panel(title, held))
    return found


def min_max_line(window: Window, gap_s: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Least and most of each filled bucket in time order, with NaN where reporting paused.

    t [s UTC], v: up to two points a bucket, plus one NaN between two filled buckets with more
    than gap_s seconds of silence between them. Keeps every dip and peak of the window.
    """
    filled = np.flatnonzero(window.count > 0)
    start, low, high = window.start[filled], window.minimum[filled], window.maximum[filled]
    single = low == high
    quarter = max(0, window.width_s // 4)
    t = np.stack(
        [
            np.where(single, start + 2 * quarter, start + quarter),
            start + 3 * quarter,
            start + window.width_s,
        ],
        axis=1,
    )
    v = np.stack([low, high, np.full(len(filled), np.nan)], axis=1)
    silent = np.diff(start, append=start[-1:]) - window.width_s > gap_s
    keep = np.stack([np.ones(len(filled), bool), ~single, silent], axis=1)
    return t[keep].astype(np.int64), v[keep]


def local_ms(t: NDArray[np.int64], zone: str) -> NDArray[np.float64]:
    """UTC seconds to milliseconds that read as the site's wall clock on a UTC axis."""
    if not len(t):
        return np.empty(0, np.float64)
    hours, where = np.unique(t // 900, return_inverse=True)
    info = ZoneInfo(zone)
    offsets = np.array([_offset(int(quarter) * 900, info) for quarter in hours], np.float64)
    return (t + offsets[where]) * 1000.0


def _offset(at: int, info: ZoneInfo) -> float:
    offset = datetime.fromtimestamp(at, UTC).astimezone(info).utcoffset()
    return offset.total_seconds() if offset else 0.0


def typed(values: NDArray[Any], dtype: str) -> Typed:
    """A typed array as plotly.js reads it: {"dtype", "bdata"} in base64, little endian."""
    kinds = {"f4": "<f4", "f8": "<f8"}
    return {
        "dtype": dtype,
        "bdata": base64.b64encode(np.ascontiguousarray(values, kinds[dtype]).tobytes()).decode(),
    }


def figure(
    drawn: Sequence[Panel], runs: Sequence[Run], start: int, end: int, gap_s: int, zone: str
) -> Figure:
    """A history figure: one panel under another on one time axis, runs shaded, gaps broken.

    start, end: UTC seconds shown; zone: the axis reads as the site's clock.
    """
    traces: list[Trace] = []
    headings: list[Heading] = []
    layout = _layout(len(drawn), start, end, zone)
    for row, panel in enumerate(drawn):
        axis = "y" if row == 0 else f"y{row + 1}"
        domain = _domain(row, len(drawn))
        layout[f"yaxis{'' if row == 0 else row + 1}"] = _yaxis(domain)
        headings.append(_heading(panel, domain[1]))
        for nth, (channel, window) in enumerate(panel.windows.items()):
            traces.append(_trace(channel, window, gap_s, zone, axis, nth))
    layout["annotations"] = headings
    layout["shapes"] = _shades(runs, start, end, zone)
    return {"data": traces, "layout": layout}


def _trace(channel: str, window: Window, gap_s: int, zone: str, axis: str, nth: int) -> Trace:
    t, v = min_max_line(window, gap_s)
    unit = CHANNELS[channel].unit if channel in CHANNELS else ""
    counted = channel in CHANNELS and CHANNELS[channel].role == "counter"
    return {
        "type": "scatter",
        "mode": "lines",
        "name": phrases.called(channel),
        "x": typed(local_ms(t, zone), "f8"),
        "y": typed(v, "f8" if counted else "f4"),
        "yaxis": axis,
        "connectgaps": False,
        "line": {"width": 1.4, "color": TRACE if nth == 0 else GHOST, "dash": DASHES[nth % 3]},
        "hovertemplate": f"%{{y:.2f}} {unit}",
    }


def _layout(rows: int, start: int, end: int, zone: str) -> Open:
    ends = [float(ms) for ms in local_ms(np.array([start, end]), zone)]
    return {
        "height": 60 + PANEL_PX * max(1, rows),
        "margin": {"l": 48, "r": 8, "t": 8, "b": 36},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": RAISED,
        "font": {"size": 12, "color": INK2},
        "hovermode": "x",
        "hoverlabel": {"bgcolor": RAISED, "font": {"color": INK2}},
        "showlegend": False,
        "dragmode": "zoom",
        "meta": {"inks": INKS},
        "xaxis": {
            "type": "date",
            "range": ends,
            "anchor": "y" if rows <= 1 else f"y{rows}",
            "gridcolor": LINE,
            "linecolor": LINE,
        },
    }


def _domain(row: int, rows: int) -> list[float]:
    """Bottom and top of a panel, as shares of the height; room for its heading above."""
    room = 1 / rows
    top = 1 - row * room
    return [round(top - room * 0.96, 4), round(top - room * 0.16, 4)]


def _yaxis(domain: list[float]) -> Open:
    return {
        "domain": domain,
        "gridcolor": LINE,
        "zeroline": False,
        "nticks": 5,
        "fixedrange": True,
    }


def _heading(panel: Panel, top: float) -> Heading:
    """The panel's title above it; which line is which where it holds several."""
    text = panel.title
    if len(panel.windows) > 1:
        names = [
            phrases.called(channel) + ("" if nth == 0 else f" ({LINES[nth % 3]})")
            for nth, channel in enumerate(panel.windows)
        ]
        text = f"{', '.join(names)}, {panel.title.rpartition(', ')[2]}"
    return {
        "text": text,
        "xref": "paper",
        "yref": "paper",
        "x": 0,
        "y": top,
        "xanchor": "left",
        "yanchor": "bottom",
        "showarrow": False,
        "font": {"size": 12, "color": INK2},
    }


def _shades(runs: Sequence[Run], start: int, end: int, zone: str) -> list[Shade]:
    seen = [r for r in runs if r.start < end and (r.end is None or r.end > start)][-RUNS_AT_MOST:]
    if not seen:
        return []
    left = local_ms(np.array([max(r.start, start) for r in seen]), zone)
    right = local_ms(np.array([min(end if r.end is None else r.end, end) for r in seen]), zone)
    return [
        {
            "type": "rect",
            "xref": "x",
            "yref": "paper",
            "layer": "below",
            "x0": float(x0),
            "x1": float(x1),
            "y0": 0,
            "y1": 1,
            "fillcolor": BAND,
            "opacity": 0.55,
            "line": {"width": 1, "color": BAND},
        }
        for x0, x1 in zip(left, right, strict=True)
    ]

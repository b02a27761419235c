"""Figures: checked by plotly itself, no dip lost, broken at gaps, on the site's clock."""

from __future__ import annotations

import base64
import re
from datetime import UTC, datetime
from typing import Any

import numpy as np
import orjson
import plotly.graph_objects as go
import pytest
from drawn import HOUR, run, window
from hypothesis import given
from hypothesis import strategies as st

from dashboard import charts
from fleet.model import Window


def unpacked(array: dict[str, str]) -> np.ndarray:
    kind = {"f4": "<f4", "f8": "<f8"}[array["dtype"]]
    return np.frombuffer(base64.b64decode(array["bdata"]), kind)


def at(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp())


def figure(zone: str = "UTC", gap_s: int = HOUR) -> Any:
    windows = {
        "battery_v": window([12.6, 12.7, None, None, None, 12.5]),
        "mains_v": window([230.0] * 6),
        "run_hours_h": window([812.0] * 6),
    }
    return charts.figure(
        charts.panels(windows), [run(HOUR, 2 * HOUR), run(5 * HOUR, None)], 0, 6 * HOUR, gap_s, zone
    )


def test_plotly_itself_accepts_the_figure() -> None:
    drawn = go.Figure(orjson.loads(orjson.dumps(figure())))
    assert [trace.name for trace in drawn.data] == ["Battery", "Mains", "Hour meter"]
    assert len(drawn.layout.shapes) == 2
    assert {trace.yaxis for trace in drawn.data} == {"y", "y2", "y3"}


def test_svg_traces_only() -> None:
    """WebGL traces try eval under the content policy (measured)."""
    assert {trace["type"] for trace in figure()["data"]} == {"scatter"}


def test_the_line_breaks_at_the_pause() -> None:
    battery = unpacked(figure()["data"][0]["y"])
    # Two filled hours (2 points each), a pause of three hours, one filled hour.
    assert len(battery) == 7
    assert np.flatnonzero(np.isnan(battery)).tolist() == [4]
    unbroken = unpacked(figure(gap_s=3 * HOUR)["data"][0]["y"])
    assert not np.isnan(unbroken).any()


@given(st.lists(st.integers(0, 99), min_size=1, max_size=60, unique=True))
def test_no_dip_is_lost_and_time_only_goes_on(dips: list[int]) -> None:
    """Every-nth sampling kept 1 of 52 crank dips, least and greatest kept 52 of 52 (measured)."""
    mean = np.full(100, 12.6)
    low = mean.copy()
    low[dips] = 9.4
    made = Window(
        start=np.arange(100, dtype=np.int64) * 60,
        width_s=60,
        minimum=low,
        maximum=mean,
        mean=mean,
        last=mean,
        count=np.ones(100, np.int64),
    )
    t, v = charts.min_max_line(made, 180)
    assert (v == 9.4).sum() == len(dips)
    assert (np.diff(t) > 0).all()
    assert not np.isnan(v).any()


@pytest.mark.parametrize(
    ("zone", "utc", "wall"),
    [
        # Central European Time is UTC+1, summer time UTC+2 from 2025-03-30 01:00 UTC
        # (Directive 2000/84/EC: last Sunday in March, 01:00 UTC).
        ("Europe/Berlin", "2025-03-30T00:59:00", "2025-03-30T01:59:00"),
        ("Europe/Berlin", "2025-03-30T01:00:00", "2025-03-30T03:00:00"),
        ("UTC", "2025-03-30T01:00:00", "2025-03-30T01:00:00"),
        # Nepal is UTC+5:45.
        ("Asia/Kathmandu", "2025-01-01T00:00:00", "2025-01-01T05:45:00"),
    ],
)
def test_the_axis_reads_as_the_clock_at_the_site(zone: str, utc: str, wall: str) -> None:
    assert charts.local_ms(np.array([at(utc)]), zone).tolist() == [at(wall) * 1000.0]


def test_runs_are_shaded_to_the_end_of_an_open_one() -> None:
    shades = figure()["layout"]["shapes"]
    assert [(s["x0"], s["x1"]) for s in shades] == [
        (HOUR * 1000.0, 2 * HOUR * 1000.0),
        (5 * HOUR * 1000.0, 6 * HOUR * 1000.0),
    ]
    assert all(shade["layer"] == "below" for shade in shades)


def test_every_colour_can_be_put_into_the_pages_theme() -> None:
    text = orjson.dumps({k: v for k, v in figure()["layout"].items() if k != "meta"}).decode()
    text += orjson.dumps([trace["line"] for trace in figure()["data"]]).decode()
    used = set(re.findall(r"#[0-9a-f]{6}", text))
    assert used <= set(charts.INKS)


def test_panels_are_in_reading_order_and_empty_ones_left_out() -> None:
    windows = {"mains_v": window([230.0]), "battery_v": window([12.6]), "fuel_pct": window([None])}
    assert [panel.title for panel in charts.panels(windows)] == [
        "Battery, V",
        "Output and mains, V",
    ]
    assert charts.chart_channels({"mains_v", "battery_v", "odd_one"}) == ["battery_v", "mains_v"]
    empty = charts.figure([], [], 0, HOUR, HOUR, "UTC")
    go.Figure(orjson.loads(orjson.dumps(empty)))

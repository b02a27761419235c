"""Small pictures: where a mark lies, what is shaded, where a line breaks, and that text is text."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest
from drawn import HOUR, run, window
from hypothesis import given
from hypothesis import strategies as st

from dashboard import svg


def parsed(text: str) -> ElementTree.Element:
    return ElementTree.fromstring(text)


def attribute(drawn: ElementTree.Element, path: str, name: str) -> str:
    """An attribute of the first element there; both are there."""
    found = drawn.find(path)
    assert found is not None
    told = found.get(name)
    assert told is not None
    return told


def test_a_value_inside_its_usual_range_is_a_pointer_in_the_grey() -> None:
    drawn = parsed(svg.band_bar(13.4, (13.2, 13.8), (12.0, 15.0), "Battery 13.4 V"))
    band = drawn.findall("rect")[1]
    # 13.2 of 12..15 is 40 %, 13.8 is 60 %: a band of 20 % from 40 %; 13.4 is 46.7 %.
    assert band.get("x") == "40%"
    assert band.get("width") == "20%"
    assert attribute(drawn, "svg", "x") == "46.7%"
    assert attribute(drawn, "svg/path", "class") == "m"


def test_outside_its_usual_range_the_marker_changes_shape() -> None:
    drawn = parsed(svg.band_bar(8.1, (9.2, 10.0), (7.0, 12.0), "Lowest volts 8.1 V"))
    assert "out" in attribute(drawn, "svg/path", "class").split()
    assert drawn.get("aria-label") == "Lowest volts 8.1 V"
    assert drawn.get("role") == "img"


def test_without_a_usual_range_there_is_no_grey() -> None:
    drawn = parsed(svg.band_bar(5.0, None, (0.0, 10.0), "x"))
    assert len(drawn.findall("rect")) == 1
    assert attribute(drawn, "svg/path", "class") == "m"


@pytest.mark.parametrize("hostile", ['"><script>alert(1)</script>', "a&b<c", "' onload='x"])
def test_text_from_outside_stays_text(hostile: str) -> None:
    for drawn in (
        svg.band_bar(1, (0, 2), (0, 3), hostile),
        svg.meter(1, 2, False, hostile),
        svg.run_strip([], 0, 10, hostile),
        svg.sparkline([1, 2], hostile),
    ):
        assert "<script" not in drawn
        element = parsed(drawn)
        assert element.get("aria-label") == hostile
        assert set(element.attrib) <= {
            "class",
            "viewBox",
            "preserveAspectRatio",
            "role",
            "aria-label",
        }


def test_no_picture_carries_a_style() -> None:
    drawn = svg.strip(window([12.0, 13.0]), [run(0, 60)], 0, 2 * HOUR, HOUR, "x")
    assert drawn is not None
    picture, _ = drawn
    assert "style" not in picture


def test_hours_past_the_limit_pass_the_tick() -> None:
    """The tick at the limit lies at 86 % of the width: 125 of 250 h fills 43 %."""
    half = parsed(svg.meter(125, 250, False, "125 of 250 h"))
    assert half.findall("rect")[1].get("width") == "43%"
    assert attribute(half, "svg", "x") == "86%"
    over = parsed(svg.meter(1000, 250, True, "x"))
    assert over.findall("rect")[1].get("width") == "100%"
    assert "day" in str(over.findall("rect")[1].get("class")).split()


def test_a_line_breaks_where_reporting_paused_and_nowhere_else() -> None:
    values = [12.0, 12.1, None, 12.2, None, None, None, 12.3, 12.4]
    # One empty hour is a pause of an hour, three are three hours; the allowed gap is two.
    outline, line = svg.band_path(window(values), 0, 9 * HOUR, 10, 14, gap_s=2 * HOUR)
    assert line.count("M") == 2
    assert outline.count("M") == outline.count("Z") == 2
    assert svg.band_path(window(values), 0, 9 * HOUR, 10, 14, gap_s=3 * HOUR)[1].count("M") == 1
    assert svg.band_path(window(values), 0, 9 * HOUR, 10, 14, gap_s=0)[1].count("M") == 3


def test_a_strip_without_a_reading_is_no_picture() -> None:
    assert svg.strip(window([None, None]), [], 0, 2 * HOUR, HOUR, "x") is None


def test_runs_are_shaded_where_they_were_and_a_short_one_can_be_seen() -> None:
    rects = svg.run_rects(
        [run(250, 500), run(900, 901), run(990, None), run(-50, -10)], 0, 1000, 1000
    )
    boxes = [
        (float(x), float(w)) for x, w in re.findall(r'x="([\d.]+)" y="0" width="([\d.]+)"', rects)
    ]
    assert boxes == [(250, 250), (900, 1.5), (990, 10)]


@given(st.floats(-1e4, 1e4), st.floats(0.001, 1e4), st.floats(-1e4, 1e4), st.booleans())
def test_a_bar_always_holds_its_value_and_its_range(
    low: float, width: float, value: float, floored: bool
) -> None:
    floor = 0.0 if floored else None
    left, right = svg.bar_span(value, (low, low + width), floor)
    assert left <= min(low, value)
    assert right >= max(low + width, value)
    assert 0 <= svg.share(value, (left, right)) <= 1


@given(st.floats(-1e5, 1e5), st.floats(0.01, 1e5))
def test_axis_ends_are_round_and_hold_everything(low: float, width: float) -> None:
    bottom, top, step = svg.nice_ends(low, low + width)
    tolerance = 1e-6 * max(1.0, abs(low), width)
    assert bottom <= low + tolerance
    assert top >= low + width - tolerance
    assert 1 <= round((top - bottom) / step) <= 7


@given(st.floats(-1e6, 1e6), st.floats(0, 1e-9))
def test_values_that_differ_by_their_rounding_have_an_axis(low: float, width: float) -> None:
    bottom, top, step = svg.nice_ends(low, low + width)
    assert bottom < top
    assert bottom < low + width + step
    assert top > low - step

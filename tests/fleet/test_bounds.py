"""What a number, a date and an argument from outside may be."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.__main__ import _options as dashboard_options
from fleet import bounds, calendar
from hourhand.command_line import parser

NUMBERS = (
    "²",
    "١٢",
    "１２",
    "+5",
    "-1",
    "1_000",
    "0x10",
    "",
    " ",
    "1e3",
    "NaN",
    "9" * 20,
    "9" * 5000,
    str(2**63),
    "½",
    "1.0",
    "\u00a07\u00a0x",
)


@given(st.text(max_size=30), st.integers(-5, 10), st.integers(10, 10**12))
def test_a_whole_number_lies_within_or_is_refused_in_words(
    text: str, least: int, most: int
) -> None:
    said = ""
    try:
        found = bounds.whole(text, least, most)
    except ValueError as fault:
        said = str(fault)
    if said:
        assert f"from {least} to {most}" in said
    else:
        assert least <= found <= most
        assert text.strip().isascii()


@given(st.integers(0, bounds.ROW_MOST))
def test_every_row_number_is_read(n: int) -> None:
    assert bounds.whole(str(n), 0, bounds.ROW_MOST) == n


@pytest.mark.parametrize("text", NUMBERS)
def test_what_is_no_whole_number(text: str) -> None:
    with pytest.raises(ValueError, match="write a whole number"):
        bounds.whole(text)
    assert bounds.whole_or(text, 3) == 3


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("812.4", 812.4),
        ("812,4", 812.4),
        (" 1 000 ", 1000.0),
        ("-3", -3.0),
        ("1e3", 1000.0),
        ("1e400", None),
        ("NaN", None),
        ("inf", None),
        ("-Infinity", None),
        ("²", None),
        ("١٢", None),
        ("1_0", None),
        ("", None),
        ("9" * 50, None),
        ("1e10", None),
    ],
)
def test_a_number_is_finite(text: str, value: float | None) -> None:
    if value is None:
        with pytest.raises(ValueError, match="write"):
            bounds.number(text)
    else:
        assert bounds.number(text) == value


ZONES = st.sampled_from(["Pacific/Kiritimati", "Etc/GMT+12", "Europe/London", "Asia/Kathmandu"])


@given(st.dates(), ZONES)
def test_a_day_that_is_taken_can_be_computed_with_in_every_zone(on: date, zone: str) -> None:
    if on < date(1970, 1, 2) or on > date(2099, 12, 30):
        with pytest.raises(ValueError, match="years 1970 to 2099"):
            bounds.day(on.isoformat())
        return
    found = bounds.day(on.isoformat())
    start, end = calendar.day_bounds(found, zone)
    assert bounds.EARLIEST <= start <= end <= bounds.LATEST + 86_400
    assert calendar.day_bounds(found + timedelta(days=366), zone)[1] > end


@pytest.mark.parametrize(
    "text", ["9999-12-31", "0001-01-01", "2026-02-30", "２０２６-11-25", "", "x" * 5000]
)
def test_what_is_no_day(text: str) -> None:
    with pytest.raises(ValueError, match=r"outside the years|not a date"):
        bounds.day(text)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=10,
)


@given(JSON)
def test_a_document_that_fits_can_be_written(value: object) -> None:
    import msgspec

    try:
        bounds.fit(value)
    except ValueError:
        return
    text = msgspec.json.encode(value).decode()
    assert "\\u0000" not in text


def test_a_document_has_its_depth() -> None:
    deep: object = 1
    for _ in range(bounds.DEEP + 1):
        deep = [deep]
    with pytest.raises(ValueError, match="levels deep"):
        bounds.fit(deep)


def arguments(of: argparse.ArgumentParser) -> Iterator[tuple[str, argparse.Action]]:
    """(command, argument) of a parser and of those under it."""
    for action in of._actions:
        if isinstance(action, argparse._SubParsersAction):
            for under in action.choices.values():
                yield from arguments(under)
        else:
            yield of.prog, action


@pytest.mark.parametrize("of", [parser, dashboard_options])
def test_every_number_of_every_command_is_bounded(of: object) -> None:
    """No argument is read with int or float alone."""
    made: argparse.ArgumentParser = of()  # type: ignore[operator]
    seen = 0
    for command, action in arguments(made):
        assert action.type not in (int, float), f"{command} {action.dest}: bound it"
        if callable(action.type) and action.type.__module__ == "fleet.bounds":
            seen += 1
            for text in ("9" * 5000, "²", "1e400", "NaN", "-1", ""):
                with pytest.raises(argparse.ArgumentTypeError, match=r"write|not a number"):
                    action.type(text)
    assert seen


def test_a_command_says_what_to_write(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        parser().parse_args(["due", "--within", "9" * 30])
    assert end.value.code == 2
    assert "--within: write a whole number from 0 to 3660" in capsys.readouterr().err

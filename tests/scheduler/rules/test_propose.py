"""A running signal proposed from a recorded test run, and every reason to refuse one."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from planted import MIDNIGHT, refused, series

from fleet.model import Series
from scheduler.rules.propose import Proposal, ProposeRules, Refused, propose

START, END = MIDNIGHT + 10 * 3600, MIDNIGHT + 10 * 3600 + 1200
TIMES = range(START - 3600, END + 3600, 20)


def recorded(rest: float, work: float, noise: float = 0.0, work_noise: float = 0.0) -> Series:
    """Rest, then choke (85 % for two minutes), idle, load, then rest."""
    rng = np.random.default_rng(1)
    points = []
    for at in TIMES:
        on = START <= at < END
        level = work * (0.85 if at < START + 120 else 1.0 - 0.03 * (at > START + 600))
        value = (
            level + work_noise * rng.standard_normal()
            if on
            else rest + noise * rng.standard_normal()
        )
        points.append((at, value))
    return series(points)


def one(channels: dict[str, Series], name: str) -> Proposal | Refused:
    return next(a for a in propose(channels, START, END, 230.0, 12.0) if a.channel == name)


def test_ac_volts_between_rest_and_the_lowest_of_the_run() -> None:
    """0 V at rest, 195.5 V on choke: on at 60 %, off at 40 % of that gap."""
    found = one({"ac_v": recorded(0.0, 230.0), "mains_v": recorded(231.0, 231.0)}, "ac_v")
    assert isinstance(found, Proposal)
    assert (found.on, found.off) == (117.0, 78.0)
    assert found.running.low == pytest.approx(195.5)
    assert any("without output" in note for note in found.notes)
    assert not any("mains is not reported" in note for note in found.notes)


def test_charging_output_of_10_6_v() -> None:
    """10.6 V running and 0 V at rest (common practice; a real observation)."""
    found = one({"charge_v": recorded(0.0, 10.6), "battery_v": recorded(12.7, 14.2)}, "charge_v")
    assert isinstance(found, Proposal)
    assert 0 < found.off < found.on < 0.85 * 10.6


def test_a_trickle_at_rest_that_does_not_wander_is_no_float() -> None:
    found = one({"ac_v": recorded(20.0, 230.0, noise=0.3), "mains_v": recorded(0, 0)}, "ac_v")
    assert isinstance(found, Proposal)
    assert found.off > 20.0


@pytest.mark.parametrize(
    ("channels", "name", "why", "says"),
    [
        (
            {"charge_v": recorded(12.4, 14.0), "battery_v": recorded(12.9, 14.1)},
            "charge_v",
            "tied_to_battery",
            "always say running",
        ),
        (
            {"charge_v": recorded(3.0, 14.0, noise=1.0), "battery_v": recorded(12.9, 14.1)},
            "charge_v",
            "floats",
            "common ground",
        ),
        (
            {"ac_v": recorded(231.0, 229.0), "mains_v": recorded(231.0, 231.0)},
            "ac_v",
            "mains_side",
            "and the mains on",
        ),
        ({"speed_rpm": recorded(1450.0, 1500.0)}, "speed_rpm", "overlap", "not far enough apart"),
        (
            {"frequency_hz": recorded(0.0, 50.0, work_noise=25.0)},
            "frequency_hz",
            "overlap",
            "times",
        ),
        (
            {"ac_v": series((at, 0.0) for at in TIMES if at < START + 60)},
            "ac_v",
            "too_few",
            "Record a longer run",
        ),
    ],
)
def test_refused_saying_why(channels: dict[str, Series], name: str, why: str, says: str) -> None:
    found = one(channels, name)
    assert isinstance(found, Refused), found
    assert found.why == why
    assert says in found.sentence


def test_tied_within_one_volt_and_not_beyond() -> None:
    for apart, tied in ((0.99, True), (1.2, False)):
        charge = {"charge_v": recorded(12.6 - apart, 14.6), "battery_v": recorded(12.6, 14.6)}
        found = one(charge, "charge_v")
        assert (isinstance(found, Refused) and found.why == "tied_to_battery") == tied


def test_nothing_reported_is_said_and_proposals_come_first() -> None:
    (none,) = propose({"mains_v": recorded(230, 230)}, START, END, 230.0, 12.0)
    assert isinstance(none, Refused)
    assert none.why == "not_reported"
    both = propose(
        {"ac_v": recorded(231.0, 229.0), "charge_v": recorded(0.0, 14.0)}, START, END, 230.0, 12.0
    )
    assert [type(a) for a in both] == [Proposal, Refused]
    with pytest.raises(ValueError, match="longer than"):
        propose({}, END, START, 230.0, 12.0)


def test_watches_that_differ_by_half_a_minute_change_nothing() -> None:
    channels = {"ac_v": recorded(0.0, 230.0)}
    right = propose(channels, START, END, 230.0, 12.0)
    wrong = propose(channels, START - 25, END + 25, 230.0, 12.0)
    assert isinstance(right[0], Proposal)
    assert isinstance(wrong[0], Proposal)
    assert (right[0].on, right[0].off) == (wrong[0].on, wrong[0].off)


@given(st.floats(0, 100), st.floats(1, 500), st.floats(0, 1), st.floats(0, 1))
def test_a_proposal_lies_strictly_between(
    rest: float, above: float, noise: float, more: float
) -> None:
    found = one({"speed_rpm": recorded(rest, rest + above, noise, more)}, "speed_rpm")
    if isinstance(found, Proposal):
        assert found.rest.high < found.off < found.on < found.running.low


@pytest.mark.parametrize(
    ("over", "says"),
    [
        ({"on_share": 0.3}, "off_share"),
        ({"least": 2}, "least"),
        ({"rest_s": 10}, "rest_s"),
        ({"tied_v": 0.0}, "tied_v"),
        ({"live_share": 1.0}, "shares"),
    ],
)
def test_rules_that_cannot_be(over: dict[str, float], says: str) -> None:
    assert says in refused(ProposeRules(), **over)

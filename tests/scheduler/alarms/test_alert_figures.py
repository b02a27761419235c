"""Flood, chattering and stale beside the published figures, and their boundaries."""

from __future__ import annotations

from typing import Any

import pytest
from found import finding as made

from fleet.model import Episode, Severity, Step, StepKind
from scheduler.alarms.figures import (
    CHATTER_AT_LEAST,
    CHATTER_S,
    FLOOD_MORE_THAN,
    FLOOD_S,
    STALE_S,
    chatters,
    figures,
    flood_s,
    floods,
    is_stale,
)

DAY = 86_400


def alert(n: int, at: int, severity: Severity = "same_day", *more: tuple[StepKind, int]) -> Episode:
    finding = made("failed_start", severity=severity, since=at)
    life: list[tuple[StepKind, int]] = [("raised", at), *more]
    return Episode(
        id=f"e{n}",
        subject=f"unit:u{n}",
        kind="failed_start",
        part="",
        severity=severity,
        opened_at=at,
        finding=finding,
        steps=tuple(Step(episode=f"e{n}", n=i, at=t, kind=k) for i, (k, t) in enumerate(life, 1)),
    )


def test_published_figures(checked: Any) -> None:
    checked("alarm flood: more than n in 10 min", "IEC 62682, ANSI/ISA-18.2", 10, FLOOD_MORE_THAN)
    checked("alarm flood: window [s]", "IEC 62682, ANSI/ISA-18.2", 600, FLOOD_S)
    checked("chattering alarm: n in a minute", "IEC 62682, ANSI/ISA-18.2", 3, CHATTER_AT_LEAST)
    checked("chattering alarm: window [s]", "IEC 62682, ANSI/ISA-18.2", 60, CHATTER_S)
    checked("stale alarm: longer than [s]", "IEC 62682, ANSI/ISA-18.2", 24 * 3600, STALE_S)


def test_ten_in_ten_minutes_are_no_flood_and_eleven_are() -> None:
    assert floods([60 * n for n in range(10)]) == []
    assert len(floods([59 * n for n in range(11)])) == 1
    assert floods([60 * n for n in range(11)]) == [], "the eleventh comes as the first goes"


def test_a_flood_lasts_until_it_is_calm() -> None:
    """Eleven in the first 100 s, nothing more: in ten minutes all but four have gone by."""
    burst = [10 * n for n in range(11)]
    assert flood_s(burst) == 100 + FLOOD_S
    assert len(floods([*burst, *(n + 5 * 3600 for n in burst)])) == 2
    assert flood_s([]) == 0


def test_a_day_to_the_second_is_not_stale() -> None:
    episode = alert(1, 1000)
    assert not is_stale(episode, 1000 + STALE_S)
    assert is_stale(episode, 1001 + STALE_S)
    assert not is_stale(alert(1, 1000, "same_day", ("returned", 2000)), 9 * DAY)


@pytest.mark.parametrize(
    ("moments", "so"), [([0, 30, 59], True), ([0, 30, 60], False), ([0, 1], False), ([], False)]
)
def test_three_times_in_a_minute_is_chattering(moments: list[int], so: bool) -> None:
    assert chatters(moments) is so


def test_the_figures_of_a_week() -> None:
    episodes = [
        alert(n, n * DAY + 100, ("act_now", "same_day", "next_visit", "same_day")[n % 4])
        for n in range(8)
    ]
    found = figures(episodes, 0, 8 * DAY)
    assert (found.alerts, found.a_day, found.most_10_min) == (8, 1.0, 1)
    assert found.flood_share == 0
    assert found.stale == 7
    assert found.split == (0.25, 0.5, 0.25)
    assert found.top_10_share == 1.0
    assert figures([], 0, DAY).a_day == 0

"""The ITI (CBEMA) curve beside its published points."""

from __future__ import annotations

import math
from typing import Any

from scheduler.rules.supply import iti
from scheduler.rules.supply.circuits import HIGH_SHARE, LOW_SHARE, STANDING_SHARE


def test_the_curve_is_the_published_one(checked: Any) -> None:
    """Over: 200 % for 1 ms, 140 % for 3 ms, 120 % for half a second, 110 % for good. Under: nothing
    for 20 ms, 70 % for half a second, 80 % for 10 s, 90 % for good."""
    lasts = (0.001, 0.003, 0.5, math.inf)
    checked(
        "ITI curve, over [share]",
        "ITI (CBEMA) curve, 2000 (secondary source)",
        (2.0, 1.4, 1.2, 1.1),
        [iti.most(s) for s in lasts],
    )
    checked(
        "ITI curve, under [share]",
        "ITI (CBEMA) curve, 2000 (secondary source)",
        (0.0, 0.7, 0.8, 0.9),
        [iti.least(s) for s in (0.02, 0.5, 10.0, math.inf)],
    )


def test_the_limits_lie_on_the_curve_or_within() -> None:
    """Two readings are more than half a second apart; a sag of 60 s is more than 10 s."""
    assert iti.most(1.0) < HIGH_SHARE <= iti.most(0.5)
    assert iti.most(60.0) == STANDING_SHARE
    assert LOW_SHARE == iti.least(10.0) < iti.least(60.0)

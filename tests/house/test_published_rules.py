"""Numbers of codes and handbooks that stand in the rules: each beside its published value."""

from __future__ import annotations

from typing import Any

import pytest

from fleet.registry.register.plans import SHIPPED
from scheduler.rules.exercise.year import ANNUAL, MONTHLY_S, MONTHLY_SHARE, TESTING_H
from scheduler.rules.reliability import AT_95, triggers_of
from scheduler.rules.starting import CYCLES, LARGE

LIMITS = {"oil_filter": 500, "air_filter": 1000, "belts_hoses": 500}


def test_the_cranking_cycle_of_a_large_set(checked: Any) -> None:
    """Three cranks of at most 15 s with 15 s between: 3 x 15 + 2 x 15 = 75 s to the limiter; the
    battery carries two such time-outs, 150 s."""
    checked(
        "Cranking cycle [tries, s, s]",
        "NFPA 110 5.6.4.2; UFGS 16263A 2.11.2",
        (3, 15, 15),
        (LARGE.tries, LARGE.crank_s, LARGE.rest_s),
    )
    checked("Cranking limiter [s]", "derived: 3 x 15 + 2 x 15", 75, LARGE.total_s)
    assert CYCLES["liquid_diesel"] == CYCLES["liquid_spark"] == LARGE


def test_exercise_of_sets_under_a_code(checked: Any) -> None:
    checked(
        "NFPA 110 monthly exercise [min, share]",
        "NFPA 110 8.4.2 (secondary source)",
        (30, 0.30),
        (MONTHLY_S / 60, MONTHLY_SHARE),
    )
    checked(
        "NFPA 110 supplemental run [min, share]",
        "NFPA 110 8.4.2.3",
        (30, 0.50, 60, 0.75),
        [x for s, share in ANNUAL for x in (s / 60, share)],
    )
    checked(
        "Testing of an emergency engine in a year [h]",
        "40 CFR 63.6640(f) (secondary source)",
        100,
        TESTING_H,
    )


@pytest.mark.parametrize("plan", SHIPPED, ids=lambda plan: plan.id)
def test_no_shipped_interval_is_longer_than_the_rule_for_emergency_engines(
    plan: Any, checked: Any
) -> None:
    """Oil and filter, belts and hoses 500 h or yearly; air filter 1,000 h or yearly."""
    tasks = {task.id: task for task in plan.tasks if task.id in LIMITS}
    assert "oil_filter" in tasks
    for id, task in tasks.items():
        over = max(0.0, (task.every_h or 1e9) - LIMITS[id])
        months = max(0, (task.every_months or 10**6) - 12)
        checked(
            "Shipped interval beyond the rule's [h, months]",
            "40 CFR 63 subpart ZZZZ, tables 2c and 2d (secondary source)",
            (0.0, 0),
            (over, months),
        )
        if id == "belts_hoses":
            checked(
                "Belts and hoses [h, months]",
                "40 CFR 63 subpart ZZZZ, tables 2c and 2d (secondary source)",
                (500, 12),
                (task.every_h, task.every_months),
            )


def test_values_from_memory_are_labelled_and_stand_in_the_settings() -> None:
    assert AT_95.origin == "memory"
    mine = triggers_of("0.95", "3/20 5/50 8/100")
    assert (mine.target, mine.windows) == (AT_95.target, AT_95.windows)
    assert mine.origin == "settings"
    assert triggers_of("0.975", "4/50").windows == ((50, 4),)


@pytest.mark.parametrize(
    ("target", "windows", "says"),
    [
        ("95 %", "3/20", "share such as"),
        ("0.95", "3 of 20", "reads like"),
        ("0.95", "3/20/1", "reads like"),
        ("1.5", "3/20", "between 0 and 1"),
        ("0.95", "5/50 3/20", "rise"),
        ("0.95", "21/20", "failures"),
        ("0.95", "", "window"),
    ],
)
def test_triggers_that_cannot_be(target: str, windows: str, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        triggers_of(target, windows)

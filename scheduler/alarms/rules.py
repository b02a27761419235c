"""How each kind of finding behaves as an alert: rules as data.

On-delays and deadbands stand with the rules that find a thing (`scheduler.rules`, which judge the
signal); here stands only how long it must be gone before it is called over, what may be told of a
new set, and how far an alert may outlive its evidence. Common practice, no source (docs/engineering/alarms.md#delays).
"""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

from fleet.defaults import LIMIT_OFF_S

HOLD_S = 30 * 60
"""A measured value that swings about a limit is over only after half an hour without it."""
ANSWER_S = 7 * 86_400
"""An Act now alert that is over waits so long for somebody to say they saw it."""
FORGET_S = 86_400
"""The other severities; then it is closed and its history says that nobody answered."""


class Rule(msgspec.Struct, frozen=True, kw_only=True):
    """off_s: gone for this long before it is over. stale: stays open while its set is silent.

    early: told in the learning time of a new set. danger: keeps Act now there and on adopted sets,
    with the sentence that no meter has checked the reading.
    """

    kind: str
    off_s: int = LIMIT_OFF_S
    stale: bool = True
    early: bool = False
    danger: bool = False


def _table(*rules: Rule) -> dict[str, Rule]:
    return {rule.kind: rule for rule in rules}


def _measured(*kinds: str) -> Iterable[Rule]:
    return (Rule(kind=kind, off_s=HOLD_S) for kind in kinds)


RULES: dict[str, Rule] = _table(
    Rule(kind="failed_start", off_s=0, stale=False, early=True),
    Rule(kind="not_reporting", off_s=0, stale=False, early=True),
    Rule(kind="not_in_auto", off_s=60),
    Rule(kind="service_due", off_s=0, stale=False),
    Rule(kind="exercise_missed", off_s=0, stale=False),
    Rule(kind="exercise_short", off_s=0, stale=False),
    Rule(kind="exercise_under_loaded", off_s=0, stale=False),
    Rule(kind="exercise_time", off_s=0, stale=False),
    Rule(kind="oil_check_in_run", off_s=0, stale=False),
    Rule(kind="mains_outage", off_s=0, stale=False, early=True),
    Rule(kind="own_line", off_s=0, stale=False, early=True),
    Rule(kind="undelivered", off_s=0, stale=False, early=True),
    Rule(kind="volts_standing", early=True, danger=True),
    Rule(kind="open_neutral", early=True, danger=True),
    Rule(kind="over_voltage", early=True, danger=True),
    Rule(kind="no_output", off_s=0),
    Rule(kind="leg_out", off_s=0),
    Rule(kind="shut_down", off_s=0, stale=False),
    *_measured(
        "battery_weak",
        "battery_failed_cell",
        "battery_runs_down",
        "charger_fault",
        "over_charge",
        "fuel_low",
        "voltage_out",
        "frequency_out",
        "unbalance",
        "hunting",
    ),
)
USUAL = Rule(kind="")
"""A kind without a row of its own: five minutes, open while silent, not told of a new set."""


def rule_of(kind: str) -> Rule:
    """The rule of a kind of finding."""
    return RULES.get(kind, USUAL)

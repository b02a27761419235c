"""Why a run began: an outage, a hand, or nobody can tell
(docs/engineering/runs.md#why-a-run-began).

An exercise is told from its agreed window, which this rule does not know: such a run is unknown
here. With the panel switch out of automatic a set cannot start by itself, so a run then is by
hand, whatever the mains did (common practice, no source).
"""

from __future__ import annotations

from typing import Literal

import msgspec

from fleet.model import DemandEnd, Run, RunWhy

OUTAGE_BEFORE_S = 300
"""A run that began within 5 min of the loss of mains was started by it
(docs/engineering/runs.md#why-a-run-began). Common practice, no source."""

Confidence = Literal["high", "medium", "low"]


class MainsThen(msgspec.Struct, frozen=True, kw_only=True):
    """The mains when a run began, or its loss where that may have come first.

    absent since `since`, last known present at `earliest`; seen until `at`; by_event: only an
    event says so.
    """

    absent: bool
    since: int
    at: int
    earliest: int | None = None
    by_event: bool = False


def why(
    run: Run, end: DemandEnd | None, hand: bool, mains: MainsThen | None, fresh_s: int
) -> tuple[RunWhy, Confidence]:
    """(why, confidence) of a run. end: how its start demand ended; hand: out of automatic then.

    An outage: the mains reading nearest before the start (at most fresh_s seconds old) was below
    half of nominal, or a `mains_lost` event came within 5 min before; and no mains since. High
    when the start was seen and the loss lies within 5 min before it, else medium.

    A loss is an interval, from the last word with mains to the first without. Where the start lies
    in it (an event tells the second of a start, the mains is read later) the loss may have come
    first, and nothing else is known to have: an outage, as sure as before within 5 min, else low.

    Gives: two words. Common practice, no source.
    """
    if hand:
        return "by_hand", "high"
    if end == "by_hand":
        return "by_hand", "high" if run.start_seen == "observed" else "medium"
    if mains is None or not mains.absent:
        return "unknown", "low"
    if mains.since > run.start:
        return _before_it_was_seen(run, mains, fresh_s)
    earliest = run.start if run.start_earliest is None else run.start_earliest
    if mains.by_event:
        if mains.since < earliest - OUTAGE_BEFORE_S:
            return "unknown", "low"
    elif run.start - mains.at > fresh_s:
        return "unknown", "low"
    soon = run.start - mains.since <= OUTAGE_BEFORE_S and mains.earliest is not None
    return "outage", "high" if soon and run.start_seen == "observed" else "medium"


def _before_it_was_seen(run: Run, loss: MainsThen, fresh_s: int) -> tuple[RunWhy, Confidence]:
    """A run that began before the loss of mains was seen, by a loss that may have come first."""
    later_s = loss.since - run.start
    over = run.end is not None and loss.since > (run.end_latest or run.end)
    if loss.earliest is None or loss.earliest >= run.start or later_s > fresh_s or over:
        return "unknown", "low"
    if later_s > OUTAGE_BEFORE_S:
        return "outage", "low"
    return "outage", "high" if run.start_seen == "observed" else "medium"

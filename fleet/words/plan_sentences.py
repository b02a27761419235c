"""What is said of a whole plan: what has no day, and how it compares with rounds made by hand."""

from __future__ import annotations

from typing import NamedTuple

from fleet.findings.saying import count

ALL_HAVE_A_DAY = "Every open job has its day, and no alert waits for somebody to go."
ALL_THAT_CAN = "Every job that can be planned has its day, and no alert waits for somebody to go."
NOT_IN_PLAN = "Not in this plan"
NOT_IN_PLAN_WHY = "It was opened, or opened again, after this plan was made: plan again."


class Driven(NamedTuple):
    """Kilometres for how many jobs, how many of them due."""

    km: float
    jobs: int
    due_done: int


def in_no_round(sets: int) -> str:
    """So many sets with an alert that no round goes to."""
    if not sets:
        return ""
    verb = (
        "has an Act now or Same day alert and is"
        if sets == 1
        else "have Act now or Same day alerts and are"
    )
    return f"{count(sets, 'set')} {verb} in no round."


def yardstick(made: Driven, hand: Driven, as_much: bool) -> str:
    """A plan beside rounds by hand. as_much: it does no less than they do; only then may the
    kilometres be compared."""
    if as_much and hand.km > 0:
        percent = round(100 * (1 - made.km / hand.km))
        said = f"{abs(percent)} % {'less' if percent > 0 else 'more'} than" if percent else "like"
        return f"{said} {hand.km:.0f} km for {count(hand.jobs, 'job')}"
    return (
        f"{made.km:.0f} km for {count(made.jobs, 'job')}, {made.due_done} due; by hand "
        f"{hand.km:.0f} km for {count(hand.jobs, 'job')}, {hand.due_done} due"
    )

"""How a device reports, how long it may be silent, and when silence is news.

The reasons: docs/engineering/reporting.md.
"""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median

from fleet.calendar import DAY_S
from fleet.defaults import (
    GAP_AT_LEAST_S,
    GAP_HABITS,
    LEARNING_DAYS,
    SILENT_AT_LEAST_S,
    SILENT_HABITS,
    SILENT_SLEEPING_MARGIN,
    SILENT_SLEEPING_REPORTS,
)
from fleet.model import Delivery, Habit, Pulse
from fleet.registry.facts.rows import UnitInputs
from scheduler.day import Day
from scheduler.rules.signal import allowed_gaps

STEPS_S = (
    5,
    10,
    15,
    20,
    30,
    60,
    120,
    180,
    300,
    600,
    900,
    1200,
    1800,
    3600,
    7200,
    10_800,
    14_400,
    21_600,
    43_200,
    86_400,
)
"""A learned interval is one of these, so that jitter does not change what is known of old days.
Common practice, no source."""
HELD_AT_LEAST_S = 30
"""Less is kept back by no device: jitter. Common practice, no source."""
ALONE_AT_MOST_S = 7200
"""What one delivery alone may teach of keeping readings back. Common practice, no source."""
STEP_SLACK = 0.9
"""A median up to a tenth longer than a step still is that step. Common practice, no source."""


def habit_of(inputs: UnitInputs, recent: Sequence[Day]) -> Habit:
    """Declared in the birth, else the register's, else learned over 14 days, else the default.

    recent: days that may teach; only those within 14 days of the newest do.

    Gives: a record in seconds [s]. Common practice, no source.
    """
    said = [pulse for pulse in inputs.pulses if pulse.habit is not None]
    for pulse in sorted(said, key=lambda p: (-(p.status_at or 0), p.device)):
        if pulse.habit is not None:
            return pulse.habit
    return inputs.unit.habit or learned(recent) or Habit()


def learned(recent: Sequence[Day]) -> Habit | None:
    """A steady habit from the daily medians between reports; None where no day has any.

    Without a run to learn from, running is taken to be reported as often as standing.

    Gives: a record in seconds [s]. Common practice, no source.
    """
    newest = recent[-1].day if recent else 0
    window = [day for day in recent if day.day > newest - LEARNING_DAYS]
    standing = [d.standing_interval_s for d in window if d.standing_interval_s is not None]
    running = [d.running_interval_s for d in window if d.running_interval_s is not None]
    if not standing and not running:
        return None
    standing_s = _step(median(standing)) if standing else None
    running_s = _step(median(running)) if running else None
    return Habit(
        mode="steady",
        standing_s=standing_s or running_s or Habit().standing_s,
        running_s=running_s or standing_s or Habit().running_s,
        source="learned",
    )


def gap_s(habit: Habit, running: bool) -> int:
    """The longest silence that is no gap [s] (docs/engineering/reporting.md#gaps).

    Gives: [s]. Common practice, no source.
    """
    gaps = allowed_gaps(habit)
    return gaps.running_s if running else gaps.standing_s


def held_back_s(pulse: Pulse | None) -> int:
    """How long a device usually keeps its readings back, to send them together [s]; 0: it does not.

    The second longest of its newest deliveries, so that one backlog teaches nothing. One alone counts
    up to 2 h: the first of all of a device, and where it keeps readings back a newer one that is
    longer, for then its cadence has changed. Deliveries older than a day, and than four times what
    they kept back, count no more.

    Gives: [s]. Common practice, no source.
    """
    if pulse is None or pulse.delivery is None:
        return 0
    now = pulse.delivery.last_at
    kept = [d for d in pulse.deliveries if now - d.last_at <= max(DAY_S, 4 * _held_s(d))]
    if not kept:
        return 0
    longest = sorted(map(_held_s, kept), reverse=True)
    usual = longest[1] if len(longest) > 1 else 0
    first = len(kept) < 3 and kept[0].wait_s is None
    alone = _held_s(kept[-1]) if usual or first else 0
    return max(usual, min(alone, ALONE_AT_MOST_S))


def held_back_now_s(pulse: Pulse | None) -> int:
    """How long the newest delivery, or the one before it, had kept readings back [s]: so long may
    what came since.

    A device may keep them back only at rest, or only shortly while it runs. What came of a backlog
    promises no more than the usual.

    Gives: [s]. Common practice, no source.
    """
    if pulse is None or pulse.delivery is None:
        return 0
    newest_s = max(_held_s(pulse.delivery), pulse.delivery.before_s)
    return min(newest_s, max(held_back_s(pulse), SILENT_AT_LEAST_S))


def _held_s(delivery: Delivery) -> int:
    """What jitter explains is nothing kept back."""
    return delivery.held_s if delivery.held_s > HELD_AT_LEAST_S else 0


def silent_limit_s(habit: Habit, running: bool, pulse: Pulse | None = None) -> int:
    """Silence [s] after which a unit is not reporting: 3 habits, at least 20 min.

    On change: the heartbeat is the habit. Sleeping: the second missed report and 10 %. A device
    that said when its next report is due is held to that. While running a device may fall back to
    its standing habit unseen, so one standing report and 10 % are waited for too. A device that
    keeps readings back speaks every so much later, and its habit is that.

    Gives: [s]. Common practice, no source.
    """
    promised, later_s = _promised_s(pulse), held_back_s(pulse)
    standing_s = habit.standing_s + later_s
    if habit.mode == "sleeping":
        share = SILENT_SLEEPING_REPORTS * (1 + SILENT_SLEEPING_MARGIN)
        limit = share * (promised or standing_s)
    elif habit.mode == "on_change":
        limit = SILENT_HABITS * (habit.heartbeat_s + later_s)
    elif running:
        running_s = habit.running_s + held_back_now_s(pulse)
        limit = max(SILENT_HABITS * min(running_s, standing_s), 1.1 * standing_s)
    else:
        limit = SILENT_HABITS * standing_s
    if promised and habit.mode != "sleeping":
        limit = max(limit, SILENT_HABITS * promised)
    return max(round(limit), SILENT_AT_LEAST_S)


def running_known_s(habit: Habit, pulse: Pulse | None = None) -> int:
    """How long [s] after a reading a set seen running is taken to run: longer by what its device
    keeps back.

    A device that sleeps and does not stay awake while running says nothing between two reports,
    and its run may have ended: soon after a report it was last heard running, no more is known.

    Gives: [s]. Common practice, no source.
    """
    if habit.mode != "sleeping":
        return gap_s(habit, running=True) + held_back_now_s(pulse)
    awake = habit.running_s < habit.standing_s
    return max(round(GAP_HABITS * habit.running_s) if awake else 0, GAP_AT_LEAST_S)


def _promised_s(pulse: Pulse | None) -> int | None:
    if pulse is None or pulse.next_due_at is None or pulse.heard_at is None:
        return None
    return pulse.next_due_at - pulse.heard_at if pulse.next_due_at > pulse.heard_at else None


def _step(seconds: float) -> int:
    return next((step for step in STEPS_S if step >= STEP_SLACK * seconds), round(seconds))

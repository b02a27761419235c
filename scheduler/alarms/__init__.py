"""Alerts that are believed at 3 a.m.: their life, what holds them back, who is told. Pure."""

from scheduler.alarms.figures import Figures, figures
from scheduler.alarms.lifecycle import (
    SILENT,
    TRANSITIONS,
    IllegalStep,
    acknowledge,
    after,
    crossings,
    grown,
    next_step,
    shelve,
    state_of,
    unshelve,
)
from scheduler.alarms.notification import (
    AlertNews,
    Office,
    escalate,
    notice_id,
    tell,
    withdrawn,
    worded,
)
from scheduler.alarms.quiet_hours import next_morning, next_up
from scheduler.alarms.rota import (
    holder,
    in_line,
    recipient_at,
    stand_ins,
    weeks_ahead,
    with_stand_in,
)
from scheduler.alarms.stepping import (
    Quiet,
    after_turn,
    episode_id,
    look_again,
    opening,
    proceed,
    step,
)
from scheduler.alarms.visits import open_visit

__all__ = [
    "SILENT",
    "TRANSITIONS",
    "AlertNews",
    "Figures",
    "IllegalStep",
    "Office",
    "Quiet",
    "acknowledge",
    "after",
    "after_turn",
    "crossings",
    "episode_id",
    "escalate",
    "figures",
    "grown",
    "holder",
    "in_line",
    "look_again",
    "next_morning",
    "next_step",
    "next_up",
    "notice_id",
    "open_visit",
    "opening",
    "proceed",
    "recipient_at",
    "shelve",
    "stand_ins",
    "state_of",
    "step",
    "tell",
    "unshelve",
    "weeks_ahead",
    "with_stand_in",
    "withdrawn",
    "worded",
]

"""What is known of one unit now: condition, findings, engine hours, due work, next look."""

from scheduler.assess.current import day_facts
from scheduler.assess.habit import habit_of
from scheduler.assess.looked_up import HoursThen, exercises, hours_at
from scheduler.assess.unit import assess
from scheduler.assess.verdict import Assessment, Blind, StartTally, encode, read

__all__ = [
    "Assessment",
    "Blind",
    "HoursThen",
    "StartTally",
    "assess",
    "day_facts",
    "encode",
    "exercises",
    "habit_of",
    "hours_at",
    "read",
]

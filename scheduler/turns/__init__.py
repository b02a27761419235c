"""The clockwork: what the scheduler does each time it wakes."""

from scheduler.turns.memory import Memory, Trouble, Turn
from scheduler.turns.watching import compute, watch, work_through

__all__ = ["Memory", "Trouble", "Turn", "compute", "watch", "work_through"]

"""The clockwork: what the scheduler does each time it wakes."""

from scheduler.turns.memory import Memory, Trouble, Turn
from scheduler.turns.watching import TurnContext, compute, watch, work_through

__all__ = ["Memory", "Trouble", "Turn", "TurnContext", "compute", "watch", "work_through"]

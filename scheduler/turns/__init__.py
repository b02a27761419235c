"""The clockwork: what the scheduler does each time it wakes."""

from scheduler.turns.watching import Memory, Trouble, Turn, compute, watch, work_through

__all__ = ["Memory", "Trouble", "Turn", "compute", "watch", "work_through"]

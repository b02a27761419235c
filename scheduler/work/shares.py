"""Minutes and parts of a visit, shared among its jobs and added up."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Protocol

from fleet.model import Job


class Planned(Protocol):
    """A task with the minutes it was planned for."""

    @property
    def task(self) -> str: ...
    @property
    def minutes(self) -> int: ...


def together(some: Sequence[Mapping[str, float]], *more: Mapping[str, float]) -> dict[str, float]:
    """Amounts by name, added up; what is nothing is left out."""
    total: dict[str, float] = {}
    for parts in (*some, *more):
        for part, amount in parts.items():
            if amount > 0:
                total[part] = total.get(part, 0.0) + amount
    return total


def added(before: int | None, more: int | None) -> int | None:
    """Minutes so far with those of another visit; None where nobody said any."""
    return before if more is None else (before or 0) + more


def shares_of(
    job: Job, others: Mapping[str, Job], done: Iterable[Planned], minutes: int | None
) -> dict[str, int | None]:
    """The minutes of the visit shared among its jobs as they were planned; they add up again."""
    weights = {job.id: 0 if job.task else job.minutes}
    for task in done:
        of = others.get(task.task, job) if task.task != job.task else job
        weights[of.id] = weights.get(of.id, 0) + max(1, task.minutes)
    if minutes is None:
        return dict.fromkeys(weights)
    if not any(weights.values()):
        weights[job.id] = 1
    total, given = sum(weights.values()), 0
    shares: dict[str, int | None] = {}
    for id, weight in list(weights.items())[1:]:
        shares[id] = minutes * weight // total
        given += minutes * weight // total
    shares[job.id] = minutes - given
    return shares

"""A request read once, with what its jobs are worth and when work on them may begin."""

from __future__ import annotations

from scheduler.rounds.asked import Asked
from scheduler.rounds.nouns import PlanRequest
from scheduler.rounds.value import Worth
from scheduler.rounds.ways import Ways


class Terms(Asked):
    """Everything about a request that needs no distance between sites."""

    def __init__(self, request: PlanRequest) -> None:
        super().__init__(request)
        self.ways = Ways(self)
        self.worth = Worth(self, self.ways)

    def starts(self, job_id: str) -> list[tuple[int, int]]:
        """When work on a job may begin: (first, last) moments, in order."""
        return self.worth.starts(job_id)

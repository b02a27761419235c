"""Exercise of one unit: what its days say, joined with what was agreed.

A Day's own `why` knows mains and switch only. What was agreed, and the time at which the set's
clock really runs it, may change or be learned later, so the join is made here, from all days, and
kept in the assessment: pages and API show these reasons, and no stored day is ever computed again
for a changed plan. An agreement is judged only while it held (`scheduler.assess.agreed`).
"""

from __future__ import annotations

from scheduler.assess.exercise.assessment import Looked, look

__all__ = [
    "Looked",
    "look",
]

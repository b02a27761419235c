"""What people read: alerts, readiness, batteries, outages, jobs, notices, and the trade's words.

What is said of a finding stands in its row (`fleet.findings`). Nothing here asks anybody for another
start, a jump start or to open a panel, and nobody is asked to switch to automatic before the last
technician has answered.
"""

from __future__ import annotations

from fleet.findings import Sentence, sentence
from fleet.findings.saying import (
    CAUTIONS,
    CONDITIONS,
    SEVERITY_WORDS,
    condition,
    count,
    day,
    ends,
    hours,
    hours_at_most,
    hours_run,
    megabytes,
    moment,
    percent_range,
    severity,
    span,
)

__all__ = [
    "CAUTIONS",
    "CONDITIONS",
    "SEVERITY_WORDS",
    "Sentence",
    "condition",
    "count",
    "day",
    "ends",
    "hours",
    "hours_at_most",
    "hours_run",
    "megabytes",
    "moment",
    "percent_range",
    "sentence",
    "severity",
    "span",
]

"""Runs: the intervals in which the engine turned under its own power
(docs/engineering/runs.md#edges).

Convention: a run begins at its first on reading. It ends at the first off reading when that came
within the allowed gap (observed), else at its last on reading (uncertain; `end_latest` bounds
it: the next reading, but no later than the allowed gap, since a running set would have spoken).
Nothing is counted across a longer gap, unless the hour meter moved by the gap's length, or only the
signal was missing: nothing between two on readings hardly longer apart, or its device was heard, and
nothing has it standing or cranked anew (docs/engineering/runs.md#missing).

Events sharpen, they do not overrule. `started` moves the start back to its own second when the
signal came on within the allowed gap of it; `stopped`, `shutdown` and `emergency_stop` set the
end unless a later reading still shows the engine turning. Where no reading of the signal is in
reach (a device that only sends events), they stand as on and off points of their own.
"""

from scheduler.rules.runs.edges import as_seen, ended
from scheduler.rules.runs.finding import find
from scheduler.rules.runs.run_rules import (
    HEARD,
    NEW_START,
    STOPS,
    TURNING,
    TURNING_S,
    Candidate,
    Company,
    Found,
    Meter,
    OpenRun,
    RunRules,
    RunsCarry,
)

__all__ = [
    "HEARD",
    "NEW_START",
    "STOPS",
    "TURNING",
    "TURNING_S",
    "Candidate",
    "Company",
    "Found",
    "Meter",
    "OpenRun",
    "RunRules",
    "RunsCarry",
    "as_seen",
    "ended",
    "find",
]

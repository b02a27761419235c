"""Exercise: when a set was agreed to run, whether it did, and what a run then counts for.

Agreed is a recurrence (RFC 5545 RRULE) on the wall clock of the site, with minutes and perhaps a
load. The clock that starts an exercise is in the set: it drifts, and some do not follow summer
time. So an occurrence is matched on its local day and within 12 h, nearest to the time at which
the set has lately run (median of the last five matches, once there are three).

Verdict of an occurrence, the first that applies (docs/engineering/exercise.md#verdicts):

done          a run of the agreed length, less 10 % and at least 2 min; or, where a run that short
              could hide between two reports, an hour meter that gained it
under_loaded  that, where the plan asks for a load and it was measured: mean under 75 % of it
short         a run whose longest possible length is less than that
failed        a start that failed within 2 h of the time, and no run within half an hour of that
excused       laid up or out of service; an outage run of at least that length since the last
              occurrence, or any outage run around the time; somebody at the set (visit, run with
              the switch out of automatic, switch left out of automatic); a run too short that
              began over 10 min from the learned time: likely an outage on a set that cannot tell
failed        a start that failed before that, and nothing ran since
missed        none of these, and the device would have shown it: by its readings, its start
              counter, its start events, or its hour meter
not_seen      none of these, and a run could have stayed hidden

A run with the switch out of automatic is nobody's exercise, nor is one that began over half an hour
after the start that failed at the time, and nobody who came later excuses one. One that no attempt was counted for
is an exercise only where the last exercises were not counted either. Numbers without a source:
common practice, no source.
"""

from scheduler.rules.exercise.code import CodeMonth, UnderCode, under_code
from scheduler.rules.exercise.evidence import Candidate, Seen, by_itself
from scheduler.rules.exercise.exercise_verdict import (
    ByItself,
    Exercise,
    ExerciseVerdict,
    Itself,
    Plan,
    RunReason,
    Word,
)
from scheduler.rules.exercise.findings import code_finding, findings
from scheduler.rules.exercise.judge import judge
from scheduler.rules.exercise.matching import Matched, match
from scheduler.rules.exercise.recurrence import Due, between, following, instants
from scheduler.rules.exercise.year import (
    LightLoad,
    YearHours,
    annual_supplemental_met,
    light_load,
    monthly_met,
    year_hours,
)

__all__ = [
    "ByItself",
    "Candidate",
    "CodeMonth",
    "Due",
    "Exercise",
    "ExerciseVerdict",
    "Itself",
    "LightLoad",
    "Matched",
    "Plan",
    "RunReason",
    "Seen",
    "UnderCode",
    "Word",
    "YearHours",
    "annual_supplemental_met",
    "between",
    "by_itself",
    "code_finding",
    "findings",
    "following",
    "instants",
    "judge",
    "light_load",
    "match",
    "monthly_met",
    "under_code",
    "year_hours",
]

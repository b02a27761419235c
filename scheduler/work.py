"""Jobs: what may happen to one next, and how due work becomes one. Pure.

`STEPS` is the one table of a job's life: whatever stands in it may happen, nothing else may.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from datetime import date, timedelta
from statistics import median
from typing import Any

import msgspec

from fleet.calendar import local_date
from fleet.model import (
    DUE_NOW,
    OPEN_STATES,
    DueItem,
    Finding,
    FoundBy,
    Job,
    JobState,
    JobStep,
    ServicePlan,
    Unit,
)
from fleet.model.jobs import StepKind

MOVED_DAYS = 7
"""A forecast that moves less is no news; common practice, no source."""
HORIZON_DAYS = 42
"""Due work becomes a job so many days before; common practice, no source."""
RENEWAL_DAYS = 60
"""An agreement is to be renewed within so many days: time to write and to hear; common practice, no
source."""
OWN_AFTER = 10
"""Minutes used at a set count as its own after so many visits (ENGINEERING 12)."""
WIDE_SIGMAS = 2.563
"""Width of a normal distribution from its 10 % to its 90 % point, in standard deviations."""
SAME: JobState | None = None
_NUMBER = re.compile(r"\+?\d(?:[\s/().-]*\d){6,}")

_ALWAYS: dict[StepKind, JobState | None] = {"note": SAME, "change": SAME}
_AHEAD: dict[StepKind, JobState | None] = {
    "call": "call_first", "wait_part": "waiting_part", "ask": "waiting_yes", "book": "booked",
    "tell": "booked", "begin": "under_way", "finish": "done", "drop": "dropped", "pin": SAME,
    "unpin": SAME,
}  # fmt: skip


def _ahead_but(*kinds: StepKind) -> dict[StepKind, JobState | None]:
    return {kind: to for kind, to in _AHEAD.items() if kind not in kinds}


STEPS: dict[JobState, dict[StepKind, JobState | None]] = {
    "open": _ALWAYS | _AHEAD,
    "call_first": _ALWAYS | _ahead_but("call") | {"called": "open"},
    "waiting_part": _ALWAYS
    | {"part_came": "open", "ask": "waiting_yes", "finish": "done", "drop": "dropped",
       "tell": SAME, "pin": SAME, "unpin": SAME},
    "waiting_yes": _ALWAYS
    | {"said_yes": "open", "wait_part": "waiting_part", "finish": "done", "drop": "dropped",
       "unpin": SAME},
    "booked": _ALWAYS | _ahead_but("book") | {"unbook": "open"},
    "under_way": _ALWAYS | {"part_done": "part_done", "finish": "done", "stop": "open"},
    "part_done": _ALWAYS | _AHEAD,
    "done": _ALWAYS | {"bill": "billed", "reopen": "open"},
    "billed": {"note": SAME},
    "dropped": {"note": SAME, "reopen": "open"},
}  # fmt: skip
"""State to the steps that may come next and the state each leads to; None: it stays."""
WANTS_REASON: frozenset[StepKind] = frozenset({"drop", "part_done", "note"})
FIELDS: frozenset[str] = frozenset({
    "title", "symptom", "caller", "phone", "urgent", "safety", "due_on", "parts", "parts_on",
    "skill", "minutes", "minutes_used", "people", "technician", "promise", "pin", "origin",
})  # fmt: skip
"""What a step may change of a job besides its state."""


class NotPossible(ValueError):
    """A step that may not come next. A sentence: what was wrong and what may come."""


def opened(job: Job, now: int, by: str) -> tuple[Job, JobStep]:
    """A new job with its first step. now: UTC seconds."""
    made = msgspec.structs.replace(job, n=1, opened_at=now, opened_by=by)
    step = JobStep(job=job.id, n=1, at=now, by=by, kind="opened", state=job.state, note=job.symptom)
    return made, step


def advance(
    job: Job, kind: StepKind, now: int, by: str, note: str = "",
    changes: Mapping[str, Any] | None = None,
) -> tuple[Job, JobStep]:  # fmt: skip
    """The job after a step, and the step to append. changes: fields of FIELDS with new values.

    Raises NotPossible where the step may not come next, or lacks its reason.
    """
    given = dict(changes or {})
    if kind not in STEPS[job.state]:
        may = ", ".join(STEPS[job.state])
        raise NotPossible(f"A job that is {job.state} cannot take the step {kind}; it may: {may}.")
    if kind in WANTS_REASON and not note.strip():
        raise NotPossible("Please say why in a few words.")
    if unknown := set(given) - FIELDS:
        raise NotPossible(f"A step cannot change {', '.join(sorted(unknown))}.")
    to = STEPS[job.state][kind] or job.state
    if kind in ("unbook", "drop", "finish", "reopen"):
        given = {"promise": None, "pin": None} | given
    if kind in ("unpin", "wait_part", "ask"):
        given = {"pin": None} | given
    if kind == "part_came":
        given = {"parts_on": ""} | given
    after = msgspec.structs.replace(
        job, state=to, n=job.n + 1, reason=note if kind == "drop" else job.reason, **given
    )
    shown = {name: msgspec.to_builtins(value) for name, value in given.items()}
    step = JobStep(
        job=job.id, n=after.n, at=now, by=by, kind=kind, state=to, note=note, facts=shown
    )
    return after, step


def cycle(item: DueItem) -> str:
    """What a due task is a job of: the same until the work is done once more."""
    last = item.last_done_on or "never"
    hours = "" if item.last_done_hours_h is None else f":{item.last_done_hours_h:.0f}"
    return f"due:{item.unit}:{item.task}:{last}{hours}"


def enters(item: DueItem, today: date, days: int = HORIZON_DAYS) -> bool:
    """Whether a due task is near enough to be a job. today: local date at the site."""
    if item.state in DUE_NOW:
        return True
    on = min(filter(None, (item.due_on, item.likely_on)), default=None)
    return on is not None and date.fromisoformat(on) <= today + timedelta(days=days)


def due_day(item: DueItem, today: date) -> str:
    """The local day a job of a due task counts from; "" where none is known.

    The earlier of its date and the likely one; of work due by hours already: today, or the day it
    became late.
    """
    on = min(filter(None, (item.due_on, item.likely_on)), default="")
    if item.late_days:
        return (today - timedelta(days=item.late_days)).isoformat()
    if item.state in DUE_NOW:
        return min(on or today.isoformat(), today.isoformat())
    return on


def job_of(
    item: DueItem, unit: Unit, plan: ServicePlan | None, id: str, now: int, zone: str,
    minutes: int | None = None,
) -> Job:  # fmt: skip
    """The job a due task becomes. minutes: the set's own, where known."""
    task = next((t for t in plan.tasks if t.id == item.task), None) if plan else None
    return Job(
        id=id,
        title=item.name,
        found_by="plan",
        customer=unit.customer,
        site=unit.site,
        unit=unit.id,
        task=item.task,
        origin=cycle(item),
        symptom=item.reason,
        safety=unit.criticality == "life",
        routine=True,
        due_on=due_day(item, local_date(now, zone)),
        sigma_days=_sigma(item),
        interval_days=30.44 * item.every_months if item.every_months else 182.0,
        parts=item.parts,
        skill=task.skill if task else "",
        minutes=minutes or item.minutes or 30,
    )


def _sigma(item: DueItem) -> float:
    if item.likely_from is None or item.likely_to is None:
        return 0.0
    wide = (date.fromisoformat(item.likely_to) - date.fromisoformat(item.likely_from)).days
    return round(wide / WIDE_SIGMAS, 1)


def outcome(job: Job, item: DueItem | None, today: date) -> StepKind | None:
    """What the due list says of a job made from it: finish (its record came), change (the record
    it counts from was put right, or the forecast moved), drop (no longer in the plan), None."""
    if item is None:
        return "drop"
    if cycle(item) == job.origin:
        return "change" if _moved(job.due_on, item, today) else None
    return "finish" if (item.last_done_on or "") > _last_done(job) else "change"


def _moved(was: str, item: DueItem, today: date) -> bool:
    """Whether the day came a week nearer, or (of work not due yet) went a week away."""
    now = due_day(item, today)
    if not was or not now:
        return bool(now) and not was
    days = (date.fromisoformat(now) - date.fromisoformat(was)).days
    return days <= -MOVED_DAYS or (days >= MOVED_DAYS and item.state not in DUE_NOW)


def _last_done(job: Job) -> str:
    said = job.origin.removeprefix(f"due:{job.unit}:{job.task}:").split(":")[0]
    return "" if said == "never" else said


CALL_FIRST: frozenset[str] = frozenset({"not_in_auto", "not_reporting"})
"""One call before a drive settles many of these (ENGINEERING 12)."""


OF_THE_PLAN: frozenset[str] = frozenset({"service_due"})
"""Due work becomes a job by itself."""


def suggests(finding: Finding) -> bool:
    """Whether a finding wants somebody to go, or to call, and so suggests a job."""
    if finding.kind in OF_THE_PLAN:
        return False
    return finding.severity in ("act_now", "same_day") or finding.kind in CALL_FIRST


def from_finding(finding: Finding, title: str, unit: Unit, id: str, found_by: FoundBy) -> Job:
    """The job a finding suggests; title: its sentence's."""
    return Job(
        id=id,
        title=title,
        state="call_first" if finding.kind in CALL_FIRST else "open",
        found_by=found_by,
        customer=unit.customer,
        site=unit.site,
        unit=unit.id,
        urgent=finding.severity == "act_now",
        safety=unit.criticality == "life",
        minutes=60,
    )


def own_minutes(used: Iterable[int], planned: int) -> int:
    """Median of the minutes used for this work at this set, after ten visits; else as planned."""
    seen = sorted(used)
    return round(median(seen)) if len(seen) >= OWN_AFTER else planned


def needed(jobs: Iterable[Job]) -> dict[str, float]:
    """Parts of these jobs together."""
    total: dict[str, float] = {}
    for job in jobs:
        for part, amount in job.parts.items():
            total[part] = total.get(part, 0.0) + amount
    return dict(sorted(total.items()))


def to_order(parts: Mapping[str, float], stock: Mapping[str, float]) -> dict[str, float]:
    """What is lacking once the stock is used up."""
    lacking = {part: amount - stock.get(part, 0.0) for part, amount in parts.items()}
    return {part: amount for part, amount in lacking.items() if amount > 0}


def outward(title: str) -> str:
    """A job's title for calendars and exports: a number that may be a telephone's is left out."""
    return _NUMBER.sub("…", title)


def is_open(job: Job) -> bool:
    """Still to be done."""
    return job.state in OPEN_STATES


def visits_behind(agreed: int | None, made: int, today: date) -> int:
    """Visits of the year's agreed number that should have been made by now and were not: the n-th
    of k is to be made by the end of n/k of the year. Common practice, no source."""
    if not agreed:
        return 0
    days = date(today.year, 12, 31).timetuple().tm_yday
    expected = agreed * (today.timetuple().tm_yday - 1) // days
    return max(0, expected - made)


def renewal_near(renewal: str, today: date) -> int | None:
    """Days until an agreement is to be renewed, negative when past; None: not within 60 days."""
    if not renewal:
        return None
    left = (date.fromisoformat(renewal) - today).days
    return left if left <= RENEWAL_DAYS else None

"""A job's life: what may happen to it next.

`STEPS` is the one table of it: whatever stands in it may happen, nothing else may.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import msgspec

from fleet.model import OPEN_STATES, Job, JobState, JobStep
from fleet.model.jobs import StepKind

SAME: JobState | None = None

_ALWAYS: dict[StepKind, JobState | None] = {"note": SAME, "change": SAME}
_AHEAD: dict[StepKind, JobState | None] = {
    "call": "call_first",
    "wait_part": "waiting_part",
    "ask": "waiting_yes",
    "book": "booked",
    "tell": "booked",
    "begin": "under_way",
    "finish": "done",
    "drop": "dropped",
    "pin": SAME,
    "unpin": SAME,
}


def _ahead_but(*kinds: StepKind) -> dict[StepKind, JobState | None]:
    return {kind: to for kind, to in _AHEAD.items() if kind not in kinds}


STEPS: dict[JobState, dict[StepKind, JobState | None]] = {
    "open": _ALWAYS | _AHEAD,
    "call_first": _ALWAYS | _ahead_but("call") | {"called": "open"},
    "waiting_part": _ALWAYS
    | {
        "part_came": "open",
        "ask": "waiting_yes",
        "finish": "done",
        "drop": "dropped",
        "tell": SAME,
        "pin": SAME,
        "unpin": SAME,
    },
    "waiting_yes": _ALWAYS
    | {
        "said_yes": "open",
        "wait_part": "waiting_part",
        "finish": "done",
        "drop": "dropped",
        "unpin": SAME,
    },
    "booked": _ALWAYS | _ahead_but("book") | {"unbook": "open"},
    "under_way": _ALWAYS | {"part_done": "part_done", "finish": "done", "stop": "open"},
    "part_done": _ALWAYS | _AHEAD,
    "done": _ALWAYS | {"bill": "billed", "reopen": "open"},
    "billed": {"note": SAME},
    "dropped": {"note": SAME, "reopen": "open"},
}
"""State to the steps that may come next and the state each leads to; None: it stays."""
WANTS_REASON: frozenset[StepKind] = frozenset({"drop", "part_done", "note"})
FIELDS: frozenset[str] = frozenset(
    {
        "title",
        "symptom",
        "caller",
        "phone",
        "urgent",
        "safety",
        "due_on",
        "parts",
        "parts_on",
        "skill",
        "minutes",
        "minutes_used",
        "parts_used",
        "nothing",
        "people",
        "technician",
        "promise",
        "pin",
        "origin",
    }
)
"""What a step may change of a job besides its state."""


class NotPossible(ValueError):
    """A step that may not come next. A sentence: what was wrong and what may come."""


def opened(job: Job, now: int, by: str) -> tuple[Job, JobStep]:
    """A new job with its first step. now: UTC seconds."""
    made = msgspec.structs.replace(job, n=1, opened_at=now, opened_by=by)
    step = JobStep(job=job.id, n=1, at=now, by=by, kind="opened", state=job.state, note=job.symptom)
    return made, step


def advance(
    job: Job,
    kind: StepKind,
    now: int,
    by: str,
    note: str = "",
    changes: Mapping[str, Any] | None = None,
    facts: Mapping[str, Any] | None = None,
) -> tuple[Job, JobStep]:
    """The job after a step, and the step to append. changes: fields of FIELDS with new values.

    facts: what else the step keeps: which records it wrote, what was said of each task.

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
    if kind in ("unbook", "drop", "finish", "part_done", "reopen"):
        given = {"promise": None, "pin": None} | given
    if kind == "reopen":
        given = {"minutes_used": None, "parts_used": None, "nothing": ""} | given
    if kind in ("unpin", "wait_part", "ask"):
        given = {"pin": None} | given
    if kind == "part_came":
        given = {"parts_on": ""} | given
    after = msgspec.structs.replace(
        job, state=to, n=job.n + 1, reason=note if kind == "drop" else job.reason, **given
    )
    shown = {name: msgspec.to_builtins(value) for name, value in given.items()}
    step = JobStep(
        job=job.id,
        n=after.n,
        at=now,
        by=by,
        kind=kind,
        state=to,
        note=note,
        facts=shown | dict(facts or {}),
    )
    return after, step


def is_open(job: Job) -> bool:
    """Still to be done."""
    return job.state in OPEN_STATES

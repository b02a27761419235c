"""What finishing a job writes: its steps, and records of what was done.

A job ends as done with something recorded, or with a reason why nothing was done. Work that was not
done leaves the job part done. Every id is made from the job, its step and the line, so the same
form sent twice writes the same records.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Literal, NamedTuple, Protocol
from uuid import NAMESPACE_URL, uuid5

import msgspec

from fleet.calendar import local_date
from fleet.model import Job, JobStep, Record, RecordKind
from fleet.model.jobs import StepKind
from scheduler.work_orders.life import STEPS, NotPossible, advance

Said = Literal["done", "not_done", "not_needed"]
Outcome = Literal["done", "come_back", "nothing"]
AT_THE_SET: frozenset[RecordKind] = frozenset(
    {"hour_meter", "meter_replaced", "part_changed", "refuel", "meter_check", "fitting"}
)


class ToldTask(msgspec.Struct, frozen=True, kw_only=True):
    """What was said of one task. why: where it was not done. parts: used on it, where done.

    minutes: planned, by which the minutes of a visit are shared among its jobs.
    """

    task: str
    name: str
    said: Said
    why: str = ""
    parts: dict[str, float] = {}
    minutes: int = 30


class Told(msgspec.Struct, frozen=True, kw_only=True):
    """What somebody says was done at a job.

    at: when it was done, UTC seconds. by: who did it; entered_by: who typed it in, where another.
    form: the id of the form, so that one sent twice is known again. outcome counts for a job
    without a task. hours: as the engine's own meter read. more: further records (kind, facts).
    """

    form: str
    at: int
    zone: str
    by: str
    entered_by: str = ""
    outcome: Outcome = "done"
    words: str = ""
    why: str = ""
    tasks: tuple[ToldTask, ...] = ()
    parts: dict[str, float] = {}
    hours: float | None = None
    hours_note: str = ""
    minutes: int | None = None
    more: tuple[tuple[RecordKind, dict[str, Any]], ...] = ()


class Finished(msgspec.Struct, frozen=True, kw_only=True):
    """What is written, all of it or nothing. parts: used together, to come out of the van."""

    steps: tuple[tuple[Job, JobStep], ...]
    records: tuple[Record, ...]
    parts: dict[str, float]


def finished(job: Job, others: Mapping[str, Job], told: Told, now: int) -> Finished:
    """The steps and records of a job that was worked on. others: open jobs of other tasks, by task.

    Raises NotPossible where something is missing, with what to say.
    """
    own = _own(job, told)
    outcome = _outcome(own, told)
    done = [task for task in told.tasks if task.said == "done"]
    main_done = [task for task in done if task.task == job.task or task.task not in others]
    records = _records(job, others, told, outcome, done)
    worked = bool(done or told.more or told.hours is not None)
    words = bool(told.words.strip())
    if own is None and outcome == "done" and not (worked or words):
        raise NotPossible(
            "Say what was done. If nothing was, choose that nothing was done, and say why."
        )
    spared = own is not None and own.said == "not_needed" and not (main_done or told.parts)
    idle = outcome == "nothing" or spared
    if outcome == "nothing" and (worked or told.parts):
        raise NotPossible("Something is written down as done: then choose that it was done.")
    why = _why(own, told, outcome, idle)
    used = together([task.parts for task in main_done], told.parts if outcome == "done" else {})
    shares = shares_of(job, others, done, told.minutes)
    facts: dict[str, Any] = {
        "form": told.form,
        "done_at": told.at,
        "tasks": {t.task: t.said for t in told.tasks},
        "done": [t.name for t in main_done],
        "words": told.words,
        "records": [r.id for r in records if r.job == job.id],
    }
    if told.entered_by:
        facts["for"] = told.by
    kind: StepKind = "part_done" if outcome == "come_back" else "finish"
    changes = {
        "minutes_used": added(job.minutes_used, shares[job.id]),
        "parts_used": together([job.parts_used or {}, used])
        if (used or idle or done)
        else job.parts_used,
        "nothing": why if idle else "",
    }
    ending = Ending(kind, why or told.words, changes, facts)
    steps = _steps(job, ending, now, told.entered_by or told.by)
    for task in done:
        other = others.get(task.task)
        if task.task == job.task or other is None:
            continue
        theirs = {
            "form": told.form,
            "done_at": told.at,
            "tasks": {task.task: "done"},
            "done": [task.name],
            "with": job.id,
            "records": [r.id for r in records if r.job == other.id],
        } | ({"for": told.by} if told.entered_by else {})
        steps.append(
            advance(
                other,
                "finish",
                now,
                told.entered_by or told.by,
                f"With the job {job.title}.",
                {
                    "minutes_used": added(other.minutes_used, shares[other.id]),
                    "parts_used": together([other.parts_used or {}, task.parts]),
                    "nothing": "",
                },
                theirs,
            )
        )
    total = together([used], *[task.parts for task in done if task not in main_done])
    return Finished(steps=tuple(steps), records=tuple(records), parts=total)


def _own(job: Job, told: Told) -> ToldTask | None:
    if not job.task:
        return None
    own = next((task for task in told.tasks if task.task == job.task), None)
    if own is None:
        raise NotPossible(f"{job.title}: say whether it was done, not done or not needed.")
    return own


def _outcome(own: ToldTask | None, told: Told) -> Outcome:
    if own is None:
        return told.outcome
    return "come_back" if own.said == "not_done" else "done"


def _why(own: ToldTask | None, told: Told, outcome: Outcome, idle: bool) -> str:
    """The reason that must be given; "" where none must. Raises NotPossible."""
    for task in told.tasks:
        if task.said != "done" and not task.why.strip():
            raise NotPossible(f"{task.name}: say in a few words why it was not done.")
    if own is not None:
        return "" if own.said == "done" else f"{own.name}: {own.why.strip()}"
    if outcome == "done":
        return ""
    if not told.why.strip():
        asked = "what is left" if outcome == "come_back" else "why nothing was done"
        raise NotPossible(f"Say in a few words {asked}.")
    return told.why.strip() if not idle else f"Nothing was done: {told.why.strip()}"


class Ending(NamedTuple):
    """The step a job ends with for now. note, changes, facts: as `advance` takes them."""

    kind: StepKind
    note: str
    changes: dict[str, Any]
    facts: dict[str, Any]


def _steps(job: Job, ending: Ending, now: int, who: str) -> list[tuple[Job, JobStep]]:
    """Work that is part done was under way before; where that cannot be, the job stays as it is."""
    steps = []
    kind, note, changes, facts = ending
    if kind == "part_done" and "part_done" not in STEPS[job.state]:
        if "begin" in STEPS[job.state]:
            steps.append(advance(job, "begin", now, who))
            job = steps[-1][0]
        else:
            kind = "note"
    steps.append(advance(job, kind, now, who, note, changes, facts))
    return steps


def _records(
    job: Job, others: Mapping[str, Job], told: Told, outcome: Outcome, done: list[ToldTask]
) -> list[Record]:
    if not job.unit:
        return []
    found: list[Record] = []

    def write(key: str, kind: RecordKind, facts: dict[str, Any], of: Job = job) -> None:
        id = uuid5(NAMESPACE_URL, f"job {job.id} {job.n} {key}")
        found.append(
            Record(
                id=str(id),
                at=told.at,
                by=told.by,
                unit=job.unit,
                kind=kind,
                job=of.id,
                facts=facts,
                entered_by=told.entered_by,
            )
        )

    hours = {} if told.hours is None else {"hours": told.hours}
    if told.hours is not None:
        write("hours", "hour_meter", hours | _text(told.hours_note))
    for task in done:
        of = others.get(task.task, job) if task.task != job.task else job
        own = _text(told.words) if task.task == job.task else {}
        write(f"task {task.task}", "task_done", {"task": task.task} | hours | own, of)
    for task in told.tasks:
        if task.said == "not_needed":
            write(
                f"not needed {task.task}",
                "note",
                {"text": f"{task.name} was not needed: {task.why.strip()}"},
            )
    for n, (kind, facts) in enumerate(told.more):
        write(f"more {kind} {n}", kind, facts)
    battery = any(is_battery(part) and amount > 0 for part, amount in _used(told, outcome, done))
    if battery and not any(kind == "part_changed" for kind, _ in told.more):
        on = local_date(told.at, told.zone).isoformat()
        write("battery", "part_changed", {"part": "battery", "date": on})
    was_there = bool(done or any(r.kind in AT_THE_SET for r in found))
    if was_there or (outcome == "done" and not job.task):
        length = {} if told.minutes is None else {"minutes": told.minutes}
        opened = told.at - 60 * (told.minutes or 0)
        write(
            "visit",
            "visit",
            {"opened": opened, "closed": told.at} | length | _text(told.words or job.title),
        )
    elif outcome == "come_back":
        write("left", "note", {"text": f"{job.title}: not finished. {_left(job, told)}".strip()})
    return found


def _left(job: Job, told: Told) -> str:
    own = next((t.why for t in told.tasks if t.task == job.task and job.task), told.why)
    return " ".join(filter(None, (told.words.strip(), own.strip())))


def _text(words: str) -> dict[str, str]:
    return {"text": words.strip()} if words.strip() else {}


def _used(told: Told, outcome: Outcome, done: list[ToldTask]) -> list[tuple[str, float]]:
    return list(together([t.parts for t in done], told.parts if outcome == "done" else {}).items())


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


def to_order(parts: Mapping[str, float], stock: Mapping[str, float]) -> dict[str, float]:
    """What is lacking once the stock is used up."""
    lacking = {part: amount - stock.get(part, 0.0) for part, amount in parts.items()}
    return {part: amount for part, amount in lacking.items() if amount > 0}


_KINDS = frozenset({"agm", "gel", "flooded", "lfp", "lead", "acid", "new"})


def is_battery(part: str) -> bool:
    """Whether a part's name means a starter battery: `battery`, `battery_12v_70ah`, `AGM battery`.

    A cable, charger or tray of one is none. Common practice, no source.
    """
    words = re.split(r"[\s_/,.-]+", part.casefold())
    plain = [word for word in words if word and word not in _KINDS and word.isalpha()]
    return bool(plain) and plain[-1] in ("battery", "batteries")

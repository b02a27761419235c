"""What must be found of a set at a moment, what may be, and so what is wrong.

An examiner knows the script and the life of the machine and what was delivered; of the rules it
knows what docs/rules.md promises. A finding counts as wrong where nothing planted stands behind
it; one is missing where the habit could show it and it is not there. Between the two lie moments
at which either answer is right (a report is on its way, a threshold is a reading's width away).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import numpy as np
from dateutil.relativedelta import relativedelta
from dateutil.rrule import rrulestr
from examiner_condition import condition
from found import facts_as
from truth import DAY_S, HOUR_S, Cast, Heard

from demo_fleet.machine import FOREVER
from fleet.findings.exercise import ExerciseMissed, ExerciseShort
from fleet.model import Finding, Record, Task
from fleet.registry.facts.rows import UnitInputs

SLACK_S = 300
ANSWERS = ("visit", "task_done", "part_changed")


@dataclass(frozen=True)
class Expected:
    """(kind, part) that must be found; a finding is right where `may` says so of its kind."""

    must: set[tuple[str, str]] = field(default_factory=set)
    may: dict[str, Callable[[Finding], bool]] = field(default_factory=dict)

    def wrong(self, finding: Finding) -> bool:
        right = self.may.get(finding.kind)
        return right is None or not right(finding)


@dataclass(frozen=True)
class At:
    """A set at a moment: seen is when its newest delivered reading was made."""

    c: Cast
    inputs: UnitInputs
    got: Heard
    now: int
    seen: int | None

    @property
    def cut_off(self) -> int:
        """How long nothing has come though it should have [s]: planted silences only."""
        script = self.c.s.machine.script
        for a, b in (*self.c.dark, *script.offline, (script.silent_from, FOREVER)):
            if a <= self.now < b + 120 + self.c.s.habit.standing_s * 3:
                return self.now - a + self.c.s.habit.standing_s
        return 0

    def lately_dark(self, since: int) -> bool:
        """Whether something of [since, now] was never sent, or has not come yet."""
        script = self.c.s.machine.script
        spans = (*self.c.dark, *script.offline, (script.silent_from, FOREVER))
        return any(a < self.now and b + 120 > since for a, b in spans)


def expected(at: At) -> Expected:
    """What the examiner says of this moment."""
    found = Expected()
    for examine in (
        _failed,
        _switch,
        _silence,
        _meter,
        _clock,
        _service,
        _exercise,
        _starting,
        condition,
    ):
        examine(at, found)
    return found


def _failed(at: At, out: Expected) -> None:
    life, s = at.c.s.machine.life, at.c.s
    if at.seen is None:
        return
    past = [d for d in life.demands if d.at <= at.now]
    seen = [d for d in life.demands if d.at <= at.seen]
    failing = any(ds and ds[-1].start is None for ds in (past, seen))
    out.may["failed_start"] = lambda f: failing and f.severity == "act_now"
    if not past or past[-1].start is not None:
        return
    last = past[-1]
    told_at = _told_failure_at(at, last.at, last.cranks[-1][0] + 20)
    answered = any(r.kind in ANSWERS and last.at < r.at <= at.now for r in at.inputs.records)
    dark = at.lately_dark(last.at - 2 * s.habit.standing_s)
    if told_at is not None and at.now >= told_at and not answered and not dark:
        out.must.add(("failed_start", ""))


def _told_failure_at(at: At, begun: int, over: int) -> int | None:
    """When the habit has shown that a start failed; None where it cannot.

    An event tells it at once. Without, the attempt counter rose and the second report after the
    cycle stands still; where a run fits between two reports the hour meter must be fine enough.
    """
    reporter = at.c.s.machine.reporter
    if reporter.events:
        return over + 10
    if "start_attempts" not in reporter.channels:
        return None
    if reporter.running_s > 120 and (_odd_meter(at.c, begun) or not _shown_fine(at, begun)):
        return None
    return over + 3 * reporter.standing_s + SLACK_S


def _shown_fine(at: At, before: int) -> bool:
    """Whether the hour meter has ever been seen to move by a single tenth of an hour before."""
    read = at.got.values.get("run_hours_h", np.empty(0))[at.got.t < before]
    steps = np.diff(read)
    return bool((steps[steps > 0] < 0.15).any())


def _odd_meter(c: Cast, around: int) -> bool:
    script = c.s.machine.script
    odd = [script.meter_reset, script.board_swap, *(a for a, _ in script.meter_zero)]
    return any(abs(around - moment) < 2 * DAY_S for moment in odd)


def _switch(at: At, out: Expected) -> None:
    script, reporter = at.c.s.machine.script, at.c.s.machine.reporter
    if "in_auto" not in reporter.channels or at.seen is None:
        return
    moments = (at.now, at.seen)
    out.may["not_in_auto"] = lambda f: (
        f.severity == "act_now" and any(a <= m < b for a, b in script.manual for m in moments)
    )
    for a, b in script.manual:
        shown = int(np.searchsorted(at.got.t, a))
        known = shown < len(at.got.t) and at.got.delivered[shown] <= at.now
        if known and at.got.t[shown] + 60 <= at.now < b and at.got.t[shown] < b:
            out.must.add(("not_in_auto", ""))


def _silence(at: At, out: Expected) -> None:
    script, habit = at.c.s.machine.script, at.c.s.habit
    length = at.cut_off
    out.may["not_reporting"] = lambda f: f.severity == "no_word" and length >= 1200
    limit = {
        "steady": 3 * habit.standing_s,
        "on_change": 3 * habit.heartbeat_s,
        "sleeping": round(2.2 * habit.standing_s),
    }[habit.mode]
    for a, b in (*at.c.dark, *script.offline, (script.silent_from, FOREVER)):
        if a + max(limit, 1200) + SLACK_S <= at.now < b and at.seen is not None:
            out.must.add(("not_reporting", ""))


def _meter(at: At, out: Expected) -> None:
    script, c = at.c.s.machine.script, at.c
    if "run_hours_h" not in c.s.machine.reporter.channels:
        return
    reset = script.meter_reset
    out.may["meter_reset"] = lambda f: f.severity == "note" and reset <= at.now
    read = [r.at for r in at.inputs.records if r.kind == "hour_meter"]
    after = at.got.t[(at.got.t >= reset) & (at.got.delivered <= at.now)]
    sure = len(after) >= 3 or (len(after) == 2 and after[-1] - after[0] >= 600)
    if sure and not any(r >= reset for r in read) and not at.lately_dark(reset - DAY_S):
        out.must.add(("meter_reset", ""))
    if script.meter_wraps_h:
        _rolled(at, out)


def _rolled(at: At, out: Expected) -> None:
    life, m = at.c.s.machine.life, at.c.s.machine
    left_s = (m.script.meter_wraps_h - m.meter_h) * 3600
    run = int(np.searchsorted(life.run_s, left_s, "right")) - 1
    rolled = int(life.start[run] + left_s - life.run_s[run])
    out.may["meter_rolled_over"] = lambda f: rolled <= at.now < rolled + 33 * DAY_S
    wait = 4 * at.c.s.habit.standing_s + 600
    if rolled + wait <= at.now < rolled + 29 * DAY_S and not at.lately_dark(rolled - DAY_S):
        out.must.add(("meter_rolled_over", ""))


def _clock(at: At, out: Expected) -> None:
    lost = at.c.s.machine.script.clock_lost
    out.may["clock_wrong"] = lambda f: f.severity == "note" and lost <= at.now
    if at.seen is not None and at.seen >= lost:
        out.must.add(("clock_wrong", at.inputs.pulses[0].device))


def _service(at: At, out: Expected) -> None:
    """Each task of the plan, worked out again with dateutil and the engine's true hours."""
    plan = at.inputs.plan
    if plan is None:
        return
    burns = at.c.s.place.model.fuel
    tasks = {t.id: _states(at, t) for t in plan.tasks if not t.fuels or burns in t.fuels}
    loud = {
        "late_beyond": "same_day",
        "late": "next_visit",
        "due": "next_visit",
        "soon": "next_visit",
    }

    def right(finding: Finding) -> bool:
        allowed = {loud.get(state) for state in tasks.get(finding.part, ())}
        return finding.severity in allowed

    out.may["service_due"] = right
    for name, states in tasks.items():
        if states and not states & {"later", "unknown"}:
            out.must.add(("service_due", name))


def _exercise(at: At, out: Expected) -> None:
    """Missed: an agreed occurrence for which the set's clock started nothing.

    Found for sure where nobody was there, no outage came near, and readings went through.
    """
    s, script = at.c.s, at.c.s.machine.script
    if s.exercise is None or at.seen is None:
        return
    cut, late = script.exercise_cut[0], script.exercise_late[0]
    out.may["exercise_short"] = lambda f: facts_as(f, ExerciseShort).due_at >= cut - 2 * HOUR_S
    out.may["exercise_time"] = lambda f: late <= at.now
    if not script.exercise_off or s.plays == "exercise_excused":
        return
    zone = ZoneInfo(at.inputs.site.time_zone)
    rule = at.inputs.unit.exercise.replace(" RRULE", "\nRRULE")
    walls = rrulestr(rule).between(
        *(
            datetime.fromtimestamp(t, UTC).replace(tzinfo=None)
            for t in (at.now - 60 * DAY_S, at.now + DAY_S)
        )
    )
    dues = [int(wall.replace(tzinfo=zone).timestamp()) for wall in walls]
    left_out = [
        d for d in dues if any(a <= d + 120 and d - 120 < b for a, b in script.exercise_off)
    ]
    out.may["exercise_missed"] = lambda f: (
        facts_as(f, ExerciseMissed).due_at in left_out
        and (f.severity == "next_visit" or facts_as(f, ExerciseMissed).times >= 2)
    )
    past = [d for d in dues if d + DAY_S + 4 * HOUR_S < at.seen]
    later = [d for d in dues if past and past[-1] < d <= at.now]
    if not past or past[-1] not in left_out or later:
        return
    due = past[-1]
    quiet = (due - 15 * DAY_S, at.now)
    if at.lately_dark(quiet[0]) or _busy(at, quiet) or not _shows_missed(at):
        return
    out.must.add(("exercise_missed", ""))


def _starting(at: At, out: Expected) -> None:
    """What needs several starts, or a long run: only what must not be said is examined here."""
    life, place = at.c.s.machine.life, at.c.s.place
    ended = [d for d in life.demands if d.why != "hand" and d.at <= at.now][-100:]
    failures = sum(d.start is None for d in ended)
    out.may["starts_unreliable"] = lambda f: failures >= 3
    out.may["harder_starting"] = lambda f: at.c.s.plays == "harder_starting"
    long = any(
        a + 8 * HOUR_S - SLACK_S <= at.now and at.seen is not None and at.seen <= b + HOUR_S
        for a, b in zip(life.start.tolist(), life.end.tolist(), strict=True)
        if a <= at.now and b - a >= 8 * HOUR_S - SLACK_S
    )
    air = place.model.cooling == "air"
    out.may["oil_check_in_run"] = lambda f: long and air


def _busy(at: At, span: tuple[int, int]) -> bool:
    """Whether anything but an exercise happened in a span: outage, visit, switch, other runs."""
    life = at.c.s.machine.life
    script = at.c.s.machine.script
    runs = any(d.why != "exercise" and span[0] <= d.at <= span[1] for d in life.demands)
    failed = any(d.start is None and d.at <= span[1] for d in life.demands)
    people = any(span[0] <= r.at <= span[1] for r in at.inputs.records)
    switch = any(a <= span[1] and span[0] <= b for a, b in script.manual)
    return runs or failed or people or switch


def _shows_missed(at: At) -> bool:
    s = at.c.s
    if s.habit.mode == "on_change" or (s.habit.mode == "steady" and s.habit.running_s <= 60):
        return True
    odd = _odd_meter(at.c, at.now) or at.c.s.machine.script.board_swap <= at.now
    return "start_attempts" in s.machine.reporter.channels and not odd


def _states(at: At, task: Task) -> set[str]:
    zone = ZoneInfo(at.inputs.site.time_zone)
    done_on, done_h = _last_done(at, task, zone)
    today = datetime.fromtimestamp(at.now, UTC).astimezone(zone).date()
    hours, doubt = at.c.s.engine_h(at.now), _doubt_h(at)
    found = set()
    for now_h in (hours - doubt, hours + doubt):
        words = [_by_date(task, done_on, today), _by_hours(task, done_h, now_h)]
        found.add(min(words, key=ORDER.index))
    low, high = sorted(ORDER.index(word) for word in (*found, *found))[
        :: max(1, 2 * len(found) - 1)
    ]
    return set(ORDER[low : high + 1])


ORDER = ("late_beyond", "late", "due", "soon", "later", "unknown")


def _doubt_h(at: At) -> float:
    """How far the hours known may be off the engine's [h]: rounding, and what is not heard yet."""
    unheard = at.c.s.engine_h(at.now) - at.c.s.engine_h(at.seen or at.now)
    odd = at.c.meter_step_h * 2 + 0.4
    script = at.c.s.machine.script
    if script.meter_reset <= at.now or script.board_swap <= at.now or at.c.meter_step_h > 0.1:
        odd += 1.0
    if _odd_meter(at.c, at.now):
        odd += 2.0
    return unheard + odd


def _last_done(at: At, task: Task, zone: ZoneInfo) -> tuple[date, float]:
    plan = at.inputs.plan
    assert plan is not None
    counts = {task.id, *(other.id for other in plan.tasks if task.id in other.resets)}
    done: list[Record] = [
        r for r in at.inputs.records if r.kind == "task_done" and r.facts.get("task") in counts
    ]
    if done:
        last = max(done, key=lambda r: r.at)
        on = datetime.fromtimestamp(last.at, UTC).astimezone(zone).date()
        return on, at.c.s.engine_h(last.at)
    unit = at.inputs.unit
    assert unit.last_service is not None
    assert unit.last_service_hours is not None
    return date.fromisoformat(unit.last_service[:10]), unit.last_service_hours


def _by_date(task: Task, done: date, today: date) -> str:
    if task.every_months is None:
        return "unknown"
    due = done + relativedelta(months=task.every_months)
    over = (today - due).days
    if over > task.tolerance_days:
        return "late_beyond"
    if over >= 0:
        return "late" if over else "due"
    return "soon" if -over <= min(30, 7 * task.every_months) else "later"


def _by_hours(task: Task, done_h: float, now_h: float) -> str:
    if task.every_h is None:
        return "unknown"
    over = now_h - done_h - task.every_h
    if over > task.tolerance * task.every_h:
        return "late_beyond"
    if over >= 0:
        return "late" if over >= 1 else "due"
    return "soon" if now_h - done_h >= 0.9 * task.every_h else "later"

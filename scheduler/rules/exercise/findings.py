"""What to tell about a set's exercise."""

from __future__ import annotations

from collections.abc import Sequence

from fleet.calendar import local
from fleet.findings.exercise import (
    CodeExerciseNotMet,
    ExerciseMissed,
    ExerciseShort,
    ExerciseTime,
    ExerciseUnderLoaded,
)
from fleet.model import Evidence, Finding
from scheduler.rules.exercise.code import UnderCode
from scheduler.rules.exercise.exercise_verdict import RECENT, TIME_OFF_S, ExerciseVerdict, Plan
from scheduler.rules.exercise.matching import learned
from scheduler.rules.exercise.year import ANNUAL, MONTHLY_S, MONTHLY_SHARE

HOUR_S = 3600
"""An hour [s]. Arithmetic."""
SUMMER_NEAR_S = 600
"""Within 10 min of an hour off, the set's clock may not follow summer time. Common practice, no
source."""


def findings(
    plan: Plan, verdicts: Sequence[ExerciseVerdict], *, remind_customer: bool, ran_since: int | None
) -> tuple[Finding, ...]:
    """Findings on a set's exercise. verdicts: oldest first.

    `exercise_missed` (Next visit; Same day when missed twice in a row and nothing else ran for
    that length), `exercise_short` (Next visit), `exercise_under_loaded` (Note), `exercise_time`
    (Note: half an hour or more from the agreed time, median of the last five matches, three at
    least). Only the newest word counts: done ends missed and short. ran_since: start of the
    newest run that began by itself and lasted as long as agreed; after the newest missed one it
    ends the finding. remind_customer: whether a reminder may go to the customer too.

    Gives: records. Common practice, no source.
    """
    remind = "installer and customer" if remind_customer else "installer"
    found = [
        _missed(plan, verdicts, remind, ran_since),
        _newest(plan, verdicts, remind),
        _time(plan, verdicts),
    ]
    return tuple(finding for finding in found if finding is not None)


def code_finding(code: UnderCode | None, since: int) -> Finding | None:
    """Next visit: the newest whole month of a set under NFPA 110 had no exercise that meets it.

    since: the first moment after that month (UTC seconds). Nothing where the load was not measured:
    that is said on the unit's page.

    Gives: a record in minutes and percent of nameplate [%], or none. Source: NFPA 110, 8.4.2 (texts
    of 2010 to 2022, secondary source).
    """
    if code is None or not code.months or code.months[0].met != "not_met":
        return None
    month = code.months[0]
    return Finding(
        severity="next_visit",
        since=since,
        facts=CodeExerciseNotMet(
            month=month.month,
            longest_min=None if month.length_s is None else round(month.length_s / 60, 1),
            load_pct=None if month.share is None else round(100 * month.share, 1),
            diesel=code.diesel,
            supplemental=code.supplemental,
            asked_min=MONTHLY_S / 60,
            asked_pct=round(100 * MONTHLY_SHARE, 1) if code.diesel else None,
            stages=tuple((s / 60, round(100 * share, 1)) for s, share in ANNUAL)
            if code.diesel
            else (),
        ),
        evidence=Evidence(from_at=month.run_start, to_at=since, readings=0),
    )


def _judged(verdicts: Sequence[ExerciseVerdict]) -> list[ExerciseVerdict]:
    """Newest first, without those that say nothing new: not seen at the end, and excused ones
    in which the set did not run for that length."""
    order = [v for v in reversed(verdicts) if v.verdict != "excused" or v.ran]
    while order and order[0].verdict == "not_seen":
        order.pop(0)
    return order


def _missed(
    plan: Plan, verdicts: Sequence[ExerciseVerdict], remind: str, ran_since: int | None
) -> Finding | None:
    streak: list[ExerciseVerdict] = []
    for verdict in _judged(verdicts):
        if verdict.verdict != "missed":
            break
        streak.append(verdict)
    if not streak or (ran_since is not None and ran_since > streak[0].due_at):
        return None
    newest, oldest = streak[0], streak[-1]
    grave = len(streak) >= 2 and newest.ran_at is None
    return Finding(
        severity="same_day" if grave else "next_visit",
        since=oldest.due_at,
        facts=ExerciseMissed(
            times=len(streak),
            due_at=newest.due_at,
            wall=newest.wall,
            minutes=plan.minutes,
            by=newest.by,
            ran_at=newest.ran_at,
            remind=remind,
        ),
        evidence=Evidence(
            channels=(newest.by,),
            from_at=oldest.due_at,
            to_at=newest.due_at,
            note=newest.reason,
        ),
    )


def _newest(plan: Plan, verdicts: Sequence[ExerciseVerdict], remind: str) -> Finding | None:
    """Short or under-loaded, the last time it ran."""
    newest = next(iter(_judged(verdicts)), None)
    if newest is None or newest.verdict not in ("short", "under_loaded"):
        return None
    short = newest.verdict == "short"
    facts: ExerciseShort | ExerciseUnderLoaded
    if short:
        facts = ExerciseShort(
            due_at=newest.due_at,
            ran_at=newest.run_start,
            length_s=newest.length_s,
            minutes=plan.minutes,
            remind=remind,
        )
    else:
        facts = ExerciseUnderLoaded(
            due_at=newest.due_at,
            ran_at=newest.run_start,
            length_s=newest.length_s,
            minutes=plan.minutes,
            remind=remind,
            mean_kw=newest.mean_kw,
            asked_kw=_asked_kw(plan),
        )
    return Finding(
        severity="next_visit" if short else "note",
        since=newest.run_start or newest.due_at,
        facts=facts,
        evidence=Evidence(
            channels=("load_kw",) if not short else (),
            from_at=newest.run_start,
            to_at=(newest.run_start or 0) + (newest.length_s or 0),
            note=newest.reason,
        ),
    )


def _asked_kw(plan: Plan) -> float | None:
    if plan.load_share is None or plan.rated_kw is None:
        return None
    return round(plan.load_share * plan.rated_kw, 1)


def _time(plan: Plan, verdicts: Sequence[ExerciseVerdict]) -> Finding | None:
    ran = [v for v in verdicts if v.run_start is not None]
    offset = learned([(v.run_start or 0) - v.due_at for v in ran])
    if offset is None or abs(offset) < TIME_OFF_S:
        return None
    recent = ran[-RECENT:]
    return Finding(
        severity="note",
        since=recent[0].due_at,
        facts=ExerciseTime(
            offset_s=offset,
            agreed=recent[-1].wall[11:16],
            real=f"{local(recent[-1].due_at + offset, plan.zone):%H:%M}",
            matches=len(recent),
            summer_time=abs(abs(offset) - HOUR_S) <= SUMMER_NEAR_S,
        ),
        evidence=Evidence(
            from_at=recent[0].due_at, to_at=recent[-1].run_start, readings=len(recent)
        ),
    )

"""The verdict on each occurrence, from the runs matched and from what could have been seen."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from fleet.calendar import day_bounds, local, local_date
from scheduler.rules.exercise import evidence
from scheduler.rules.exercise.evidence import Candidate, Seen, Span
from scheduler.rules.exercise.exercise_verdict import (
    DAY_REACH_S,
    NEAR_S,
    WARMING_S,
    WINDOW_S,
    By,
    Confidence,
    ExerciseVerdict,
    Plan,
    Word,
)
from scheduler.rules.exercise.matching import Matched


def judge(
    plan: Plan, matched: Sequence[Matched], seen: Seen, now: int
) -> tuple[ExerciseVerdict, ...]:
    """Verdicts on the occurrences that can be judged at `now` (UTC seconds), oldest first.

    An occurrence with a run is judged when the run has ended; one without when the day and the
    window are over and the device has been heard since. One before the first reading is left out.
    The order of the verdicts stands at the head of scheduler/rules/exercise/__init__.py.

    Gives: records in seconds [s] and kilowatts [kW]. Common practice, no source.
    """
    found: list[ExerciseVerdict] = []
    counted = frozenset(m.candidate.run.start for m in matched if m.candidate is not None)
    for n, one in enumerate(matched):
        if seen.first_at is None or seen.first_at > one.expected_at - WINDOW_S:
            continue
        before = matched[n - 1].due.at if n else _mirrored(matched, n)
        if one.candidate is not None:
            if one.candidate.run.end is not None:
                found.append(_ran(plan, one, one.candidate, seen))
            continue
        closes = _closes(plan, one)
        if now < closes:
            continue
        verdict = _without_run(plan, one, (before, closes), seen, counted)
        waits = verdict.verdict in ("missed", "not_seen") and (seen.last_at or 0) < closes
        if not waits:
            found.append(verdict)
    return tuple(found)


def _mirrored(matched: Sequence[Matched], n: int) -> int:
    """The period before the first occurrence is as long as the one after it, else a week."""
    at = matched[n].due.at
    return at - (matched[n + 1].due.at - at if n + 1 < len(matched) else 7 * 86_400)


def _closes(plan: Plan, one: Matched) -> int:
    """When no run can be matched any more [UTC s]."""
    end = day_bounds(local_date(one.due.at, plan.zone), plan.zone)[1]
    return max(
        min(end, one.due.at + DAY_REACH_S), round(one.expected_at + plan.length_s + WINDOW_S)
    )


def _ran(plan: Plan, one: Matched, candidate: Candidate, seen: Seen) -> ExerciseVerdict:
    """Done, short or under-loaded: the agreed length, the mean load over all but 5 min of it.

    A mean needs readings: with reports further apart than a fifth of the run it is not judged.
    """
    mean = candidate.mean_kw
    word: Word = "done"
    sure: Confidence = one.confidence
    reason = ""
    if one.odd:
        word, reason = "excused", "a shorter run at another minute, likely for another reason"
    elif candidate.longest_s < plan.least_s:
        word, reason = "short", f"{candidate.longest_s // 60} min at most"
    elif candidate.length_s < plan.least_s:
        sure, reason = "low", "its whole length could not be seen"
    elif plan.least_kw is not None and mean is not None and _often(seen, candidate):
        loaded_s = max(candidate.length_s - WARMING_S, candidate.length_s / 2)
        if mean * candidate.length_s / loaded_s < plan.least_kw:
            word, reason = "under_loaded", f"{mean:.1f} kW on average"
    return _verdict(
        one,
        word,
        sure,
        "run",
        reason,
        run_start=candidate.run.start,
        length_s=candidate.length_s,
        mean_kw=None if mean is None else round(mean, 2),
        peak_kw=candidate.run.peak_load_kw,
    )


def _often(seen: Seen, candidate: Candidate) -> bool:
    """At least five reports in the run, going by the habit; a value on change holds."""
    return seen.holds or seen.running_gap_s <= candidate.length_s / 2


def _without_run(
    plan: Plan, one: Matched, period: Span, seen: Seen, counted: frozenset[int]
) -> ExerciseVerdict:
    """Why no run is there. counted: starts of the runs that are another occurrence's [UTC s]."""
    window = (one.expected_at - WINDOW_S, round(one.expected_at + plan.length_s) + WINDOW_S)
    failed = [at for at in seen.failed if window[0] <= at <= window[1]]
    if failed:
        said = f"a start failed at {_clock(failed[-1], plan)}"
        return _verdict(one, "failed", "high", "counter", said)
    excuse = _excuse(plan, one, period, window, seen)
    if excuse is not None:
        return excuse
    locked = _locked_out(plan, one, window, seen)
    if locked is not None:
        said = f"a start failed on {_clock(locked, plan)} and no run was seen since"
        return _verdict(one, "failed", "medium", "counter", said)
    hidden = _hidden(plan, one, window, seen)
    if hidden is not None:
        return hidden
    by = _shown_by(plan, window, seen)
    if not by:
        return _verdict(one, "not_seen", "high", "", "a run could have stayed hidden")
    least_s = plan.least_s
    others = [c for c in seen.runs if not c.hand and c.run.start not in counted]
    ran = [c for c in others if evidence.overlap((c.run.start, c.end), period) >= least_s > 0]
    missed = _verdict(one, "missed", "high", by, f"no run, by its {_BY[by]}")
    return msgspec.structs.replace(missed, ran_at=ran[-1].run.start if ran else None)


_BY: dict[By, str] = {
    "readings": "readings",
    "counter": "start counter",
    "events": "start events",
    "meter": "hour meter",
}


def _excuse(
    plan: Plan, one: Matched, period: Span, window: Span, seen: Seen
) -> ExerciseVerdict | None:
    at: Span = (one.expected_at, round(one.expected_at + plan.length_s))
    outages = [c for c in seen.runs if c.run.why == "outage"]
    for run in outages:
        shared = evidence.overlap((run.run.start, run.end), period)
        if shared > 0 and shared >= plan.length_s - 60:
            said = f"it ran in an outage on {_clock(run.run.start, plan)}"
            return _verdict(one, "excused", "high", "run", said, ran=True)
    if evidence.meets(at, seen.aside):
        return _verdict(one, "excused", "high", "", "laid up or out of service")
    if evidence.meets(at, [(c.run.start, c.end) for c in seen.runs]):
        return _verdict(one, "excused", "high", "run", "it was running at that time")
    near: Span = (at[0] - NEAR_S, at[1] + NEAR_S)
    if evidence.meets(near, [(c.run.start, c.end) for c in outages]):
        return _verdict(one, "excused", "high", "run", "an outage at that time")
    hands = [(c.run.start, c.end) for c in seen.runs if c.hand or c.run.why == "by_hand"]
    before_s = one.expected_at + plan.length_s + NEAR_S
    if evidence.meets(window, [span for span in [*seen.visits, *hands] if span[0] <= before_s]):
        return _verdict(one, "excused", "medium", "", "somebody was at the set")
    if evidence.meets(at, seen.out_of_auto):
        return _verdict(one, "excused", "medium", "", "the switch was out of automatic")
    return None


def _locked_out(plan: Plan, one: Matched, window: Span, seen: Seen) -> int | None:
    """A start that failed before, with no run since: the controller waits for somebody.

    Nothing is said after a silence: somebody may have put it right meanwhile.
    """
    before = [at for at in seen.failed if at < one.expected_at]
    if not before or not evidence.by_silence(seen, (before[-1], window[1]), plan.length_s):
        return None
    since = any(before[-1] < c.run.start <= one.expected_at for c in seen.runs)
    return None if since else before[-1]


def _hidden(plan: Plan, one: Matched, window: Span, seen: Seen) -> ExerciseVerdict | None:
    """A run that stayed between two reports, by the meter; or one that may have."""
    gained = evidence.unexplained_h(seen, window)
    tried = [
        moved for at, moved in seen.hidden if window[0] <= at <= evidence.next_read(seen, window)
    ]
    step = seen.meter_resolution_h or 0.0
    if gained is not None and gained >= evidence.METER_NEAR * plan.length_s / 3600 - step > 0:
        said = f"the hour meter gained {gained:.1f} h between two reports"
        return _verdict(one, "done", "medium" if tried else "low", "meter", said)
    if tried and any(tried):
        return _verdict(one, "done", "low", "counter", "started, its run not seen")
    if tried:
        return _verdict(one, "not_seen", "high", "counter", "it tried, its run not seen")
    if gained is not None and gained > step + 1e-6 and not _shown_by(plan, window, seen):
        return _verdict(one, "not_seen", "high", "meter", "it ran a little between two reports")
    return None


def _shown_by(plan: Plan, window: Span, seen: Seen) -> By:
    """What would have shown a run of the agreed length in the window; "" where nothing would."""
    heard = evidence.by_silence(seen, window, plan.length_s)
    if heard and (seen.holds or seen.running_gap_s <= plan.length_s):
        return "readings"
    if evidence.counter_around(seen, window):
        return "counter"
    if heard and seen.tells_starts:
        return "events"
    step = seen.meter_resolution_h
    if step is not None and 2 * step * 3600 <= plan.length_s:
        gained = evidence.unexplained_h(seen, window)
        if gained is not None and gained <= step + 1e-6:
            return "meter"
    return ""


def _clock(at: int, plan: Plan) -> str:
    then = local(at, plan.zone)
    return f"{then.day} {then:%b %H:%M}"


def _verdict(
    one: Matched,
    word: Word,
    sure: Confidence,
    by: By,
    reason: str,
    *,
    run_start: int | None = None,
    length_s: int | None = None,
    mean_kw: float | None = None,
    peak_kw: float | None = None,
    ran: bool = False,
) -> ExerciseVerdict:
    return ExerciseVerdict(
        due_at=one.due.at,
        wall=one.due.wall,
        expected_at=one.expected_at,
        verdict=word,
        confidence=sure,
        by=by,
        run_start=run_start,
        length_s=length_s,
        mean_kw=mean_kw,
        peak_kw=peak_kw,
        ran=ran,
        reason=reason,
    )

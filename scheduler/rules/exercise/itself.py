"""Whether a run began by itself: what later proves the automatic
(docs/engineering/exercise.md#begun-by-itself)."""

from __future__ import annotations

from fleet.model import Run
from scheduler.rules.exercise.evidence import Hand
from scheduler.rules.exercise.exercise_verdict import Confidence, Itself


def by_itself(run: Run, hand: Hand, attempts: int, switch_wired: bool) -> tuple[Itself, Confidence]:
    """(yes, likely, no or unknown; confidence) of a run whose `why` is known.

    yes      an outage run that began within 5 min of the loss of mains (its why is then sure); an
             exercise in its window with the switch in automatic or not wired: sure where the
             switch is wired and attempts were counted, else medium
    likely   an outage run whose beginning or loss of mains was not seen; an exercise matched
             outside its window, or for which no attempt was counted
    no       by hand: the switch was out of automatic (sure), or no attempt was counted where this
             device counts them (medium)
    unknown  everything else: a call from afar and a finger on the button look alike

    Gives: two words. Common practice, no source.
    """
    if hand == "switch":
        return "no", "high"
    if run.why == "outage":
        return ("yes", "high") if run.confidence == "high" else ("likely", "medium")
    if run.why == "exercise":
        if hand or run.confidence == "low":
            return "likely", "low"
        sure = switch_wired and attempts > 0 and run.confidence == "high"
        return "yes", "high" if sure else "medium"
    if run.why == "by_hand":
        return "no", "medium"
    return "unknown", "low"

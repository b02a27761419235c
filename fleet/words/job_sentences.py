"""Words of jobs and rounds, as the office and the technician say them."""

from __future__ import annotations

from fleet.model import FoundBy, JobState
from fleet.model.jobs import Half, StepKind

STATES: dict[JobState, str] = {
    "open": "Open",
    "call_first": "One call first",
    "waiting_part": "Waiting for a part",
    "waiting_yes": "Waiting for the customer's yes",
    "booked": "Booked",
    "under_way": "Under way",
    "part_done": "Part done, come back",
    "done": "Done",
    "billed": "Billed",
    "dropped": "Dropped",
}
FOUND: dict[FoundBy, str] = {
    "alert": "an alert",
    "customer": "the customer",
    "visit": "a visit",
    "office": "the office",
    "plan": "the service plan",
}
STEPS: dict[StepKind, str] = {
    "opened": "Taken",
    "call": "One call first",
    "called": "Called, somebody must go",
    "wait_part": "Wait for a part",
    "part_came": "The part is here",
    "ask": "Ask the customer",
    "said_yes": "The customer said yes",
    "book": "Book a half-day",
    "unbook": "Take the booking back",
    "begin": "Begin",
    "stop": "Not begun after all",
    "part_done": "Part done, come back",
    "finish": "Done",
    "bill": "Billed",
    "drop": "Drop it",
    "reopen": "Open it again",
    "note": "Write a note",
    "change": "Changed",
    "tell": "Half-day told to the customer",
    "pin": "Pinned by hand",
    "unpin": "Pin taken off",
}
HALVES: dict[Half, str] = {"morning": "morning", "afternoon": "afternoon"}
REASONS: dict[str, str] = {
    "on_stop": "Customer on stop",
    "needs_two": "Needs two people",
    "not_yet_useful": "Not yet useful",
    "parts": "Parts not in hand",
    "no_skill": "Nobody with the skill",
    "no_window": "No time it may be done",
    "unreachable": "Does not fit into a day",
    "not_worth_it": "Not worth the drive yet",
    "no_capacity": "No room",
    "search_limit": "Would fit, was not placed",
}
"""Short names of the planner's reasons; its sentence stands beside them."""
CHANGES: dict[str, str] = {
    "dropped": "left out",
    "moved_day": "on another day",
    "moved_technician": "by another technician",
    "moved_hour": "more than an hour off",
    "added": "new",
}
WHY: dict[str, str] = {
    "shift_gone": "the shift is gone",
    "job_gone": "the job is no longer open",
    "made_room": "it made room for more pressing work",
    "better_round": "the round is better so",
    "new": "",
    "": "",
}
ON_ROUND: tuple[str, ...] = (
    "These times are a plan, drawn up from reckoned driving times; the road decides.",
    "Put your own lock on before work; back to AUTO only when the last lock is off and all agree.",
)
"""Said on top of a day sheet, above the cautions."""


TRAVEL: dict[str, str] = {
    "estimate": "estimated from straight distances and a stated road factor",
    "table": "by the road server",
    "no answer": "estimated from straight distances, for the road server did not answer",
}


def travel_words(source: str) -> str:
    """By which ways a plan was made: "by the road server, 3 % of the ways estimated"."""
    head, _, rest = source.partition(", ")
    share = rest.removesuffix(" estimated")
    return f"{TRAVEL.get(head, head)}{f', {share} of the ways estimated' if share else ''}"

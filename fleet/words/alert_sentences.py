"""What is said of an alert's life, and the texts of the messages that tell of it."""

from __future__ import annotations

from fleet.findings import Sentence
from fleet.findings.saying import UNCHECKED, moment, severity
from fleet.model import AlertState, DeliveryMethod, Finding, MarkWord, Step

STATES: dict[AlertState, str] = {
    "normal": "Over",
    "unacknowledged": "Nobody has it yet",
    "acknowledged": "Somebody has it",
    "returned": "Over, nobody has said they saw it",
    "shelved": "Shelved",
    "out_of_service": "Its set is out of service",
    "suppressed": "Held back by its cause",
}
MARKS: dict[MarkWord, str] = {"right": "Right", "wrong": "Wrong", "known": "Known already"}

STEPS: dict[str, str] = {
    "raised": "raised",
    "changed": "changed",
    "realarmed": "again, graver or once more",
    "acknowledged": "taken",
    "lapsed": "not seen any more",
    "resumed": "seen again",
    "returned": "over",
    "recurred": "back again",
    "cleared": "over",
    "shelved": "shelved",
    "unshelved": "off the shelf, still so",
    "removed": "its set was taken out of service",
    "restored": "its set is in service again, still so",
    "suppressed": "held back",
    "unsuppressed": "told again, still so",
}

"""Added to a danger on a set that is new or was taken over without commissioning."""
SMS_CAUTION = (
    "It can start by itself: OFF and lock out before touching it; all cautions on the page."
)
SHORT: frozenset[DeliveryMethod] = frozenset({"sms", "push"})
NOBODY, OVER = "Nobody has answered", "Over"
MOST = 150
"""Characters of a subject. A bound of ours."""
MOST_LATE = MOST - len(f"{NOBODY}: ")
"""Of late news, so that its two times stand whole behind the words of who is told next too."""
LEAST_PLACE = 12
"""Characters of the place at the least, whatever the title takes. A bound of ours."""


def step_words(step: Step, by: str, zone: str, now: int) -> str:
    """One step of an alert's life: "taken by Dee 07:12", "shelved until 18:00 by Dee 07:12"."""
    parts = [STEPS[step.kind]]
    if step.kind == "acknowledged" and not step.by:
        parts = ["closed, nobody answered" if step.cause else "taken"]
    if step.kind == "shelved" and step.until is not None:
        parts.append(f"until {moment(step.until, zone, now)}")
    if by:
        parts.append(f"by {by}")
    if step.kind == "suppressed":
        parts.append("by an open visit" if step.cause.startswith("visit:") else "by its cause")
    parts.append(moment(step.at, zone, now))
    return " ".join(parts)


def in_hand(by: str, at: str) -> str:
    """That somebody has an alert already. at: since when, in words."""
    return f"{one_line(by, 40) or 'Somebody'} has it since {at}."


def not_seen_since(at: str) -> str:
    """That the condition of an alert is gone, and has not been so for long enough to be over."""
    return f"Not seen any more since {at}."


def crossings_words(times: int) -> str:
    """How often a condition went and came back: '' for never."""
    if not times:
        return ""
    return f"It went and came back {'once' if times == 1 else f'{times} times'} meanwhile."


def one_line(text: str, most: int = MOST) -> str:
    """Text from outside as one plain line: no line breaks, nothing unprintable, cut at `most`."""
    line = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return line if len(line) <= most else f"{line[: most - 1].rstrip()}…"


def subject(finding: Finding, said: Sentence, place: str, kind: str) -> str:
    """The subject of a message, one line: "Act now: Alder House: Would not start".

    Late news ends with both times, "... 02:14, learned 05:31"; the place and the title are cut before
    them.
    """
    if kind == "cleared":
        return one_line(f"{OVER}: {place}: {said.title}")
    word = NOBODY if kind == "escalated" else severity(finding.severity)
    if not said.late:
        return one_line(f"{word}: {place}: {said.title}")
    room = MOST_LATE - len(f"{word}: : ") - len(f" {said.late}")
    title = one_line(said.title, room - LEAST_PLACE)
    return f"{word}: {one_line(place, room - len(title))}: {title} {said.late}"


def body(
    said: Sentence,
    place: str,
    phone: str,
    way: DeliveryMethod,
    *,
    ended: str = "",
    unchecked: bool = False,
    standing: str = "",
) -> str:
    """The text of a message: what was seen, what to do, whom to call, the cautions.

    ended: the moment it was over, for an all-clear, which says what was seen until then. standing: who
    has it already, or that it is not seen any more, as a sentence. A text message and a push are short, their
    cautions in one line; every other way carries them all.
    """
    lines = [one_line(place, 200)]
    if ended:
        lines += [f"It was over at {ended}. Until then: {said.seen}"]
    else:
        lines += [standing, said.seen] if standing else [said.seen]
    if unchecked and UNCHECKED not in said.seen:
        lines.append(UNCHECKED)
    if ended:
        return "\n".join(lines)
    lines += [said.do] if said.do else []
    lines += [f"Phone at the site: {one_line(phone, 40)}"] if phone else []
    if said.cautions:
        lines += [SMS_CAUTION] if way in SHORT else ["", *said.cautions]
    return "\n".join(lines)

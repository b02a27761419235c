"""What customers are written: no jargon, nothing for them to do at a set, its dangers each time.

Nobody is asked to run a set, to touch it or to look inside; that its switch be at OFF before
anybody goes near it is all that is said of the switch (docs/engineering/cautions.md#customers). Who
is written at all is decided in `scheduler.alarms.customers`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import msgspec

from fleet.findings.saying import count, day
from fleet.model import Placement
from fleet.words.alert_sentences import one_line
from fleet.words.short import MOST, plain

CUSTOMER_CAUTIONS: tuple[str, ...] = (
    "The generator can start by itself at any moment: nobody goes near it before its switch is "
    "at OFF.",
    "A generator runs outdoors only, away from doors, windows and vents: its exhaust is deadly and "
    "has no smell. Have a carbon monoxide alarm in the house.",
    "If anybody feels dizzy or sick, go outside at once and call the emergency number.",
    "Never plug a generator into a socket of the house: it kills people who work on the line.",
    "Engine off and cooled down before anybody brings fuel or oil near it.",
)
"""docs/engineering/cautions.md#customers: automatic start, outdoors, carbon monoxide, dizziness,
back-feed, fuel and oil."""
TEXT_CAUTIONS: tuple[str, ...] = (
    "It can start by itself: nobody goes near it before its switch is at OFF.",
    "Generators run outdoors only, away from doors, windows and vents; have a CO alarm.",
    "Dizzy or sick: go outside, call for help.",
    "Never plug one into a house socket.",
    "Engine off and cool before fuel or oil.",
)
"""All of the same, as short as they can be said."""
A_SEGMENT = 153
MOST_SEGMENTS = 3
"""Characters of a part of a long text message (GSM 03.38 and 03.40, from memory), and parts of one.
A bound of a format."""
Power = Literal["powered", "not_powered", "unknown"]
"""Whether a site without mains has power, as far as is known."""
WHY_NOT: dict[Placement, str] = {
    "portable": "No text: this set is portable, and who reads of it may use it where people "
    "breathe. Call them.",
    "unknown": "No text: where this set stands is not known. Write its placement into the "
    "register; call them now.",
}


def exercise_line(place: str, times: int) -> str:
    """What a customer reads of an exercise that was not seen."""
    seen = "its regular test run was not seen"
    if times > 1:
        seen = f"its last {times} regular test runs were not seen"
    return f"{one_line(place, 80)}: {seen}."


def service_line(place: str, due_on: str | None) -> str:
    """What a customer reads of work that is due, once a set whatever its tasks are called: their names
    are the installer's. due_on: local ISO date of the oldest, where one has a date."""
    when = f" since {day(due_on)}" if due_on else " now"
    return f"{one_line(place, 80)}: its regular service is due{when}."


def reminder(firm: str, lines: Sequence[str]) -> tuple[str, str]:
    """(subject, body) to a customer, once a week at most, all sets in one."""
    said = ["About your generator:" if len(lines) == 1 else "About your generators:", *lines]
    said += ["", "You need not do anything at it: we call you to agree on a day.", ""]
    subject = f"{firm}: {count(len(lines), 'note')} about your generator"
    return one_line(subject), "\n".join([*said, *CUSTOMER_CAUTIONS])


class Fares(msgspec.Struct, frozen=True, kw_only=True):
    """How a site fares in an outage, as its customer reads it. at: the moment it was so, on the
    site's wall; here: its own set saw the loss, not only its neighbours; low: its fuel runs low."""

    place: str
    at: str
    power: Power
    here: bool = True
    low: bool = False

    @property
    def said(self) -> str:
        where = f"{'at' if self.here else 'around'} {self.place}"
        said = f"{self.at}: no public power {where}{_POWER[self.power]}"
        return f"{said} Its fuel runs low: we call you about it." if self.low else said


_POWER: dict[Power, str] = {
    "powered": ", and your generator gives power.",
    "not_powered": ", and your generator gives no power.",
    "unknown": ", and we do not hear from your generator.",
}


def outage_mail(firm: str, fares: Fares) -> tuple[str, str]:
    """(subject, body) of an e-mail to a customer in an outage. Sent by a person of the firm, each
    time, and only with the customer's consent (`scheduler.alarms.customers`)."""
    where = one_line(fares.place, 80)
    lines = [msgspec.structs.replace(fares, place=where).said]
    if fares.power != "powered":
        lines.append("Please call us and say whether you have power.")
    return one_line(f"{firm}: power cut at {where}"), "\n".join([*lines, "", *CUSTOMER_CAUTIONS])


def outage_text(firm: str, fares: Fares) -> str:
    """The same as a text message that a person sends from its own phone: plain 7-bit letters, three
    segments at most, for which the place is cut and nothing else."""
    ask = "" if fares.power == "powered" else "Please call or answer: do you have power?"
    firm = plain(one_line(firm, 24))

    def said(place: str) -> str:
        seen = plain(msgspec.structs.replace(fares, place=place).said)
        return " ".join(part for part in (f"{firm}, {seen}", ask, *TEXT_CAUTIONS) if part)

    where = plain(one_line(fares.place, 60))
    room = MOST_SEGMENTS * A_SEGMENT - len(said("x")) + 1
    return said(where if len(where) <= room else f"{where[: room - 3].rstrip()}...")


def written(states: Sequence[str]) -> str:
    """That a customer was written to, and whether it arrived. states: of its notices."""
    if "failed" in states:
        return "They were written by e-mail, and it could not be delivered: call them."
    if all(state == "sent" for state in states):
        return "They were written by e-mail, as things stand now: it was delivered."
    return "They were written by e-mail, as things stand now: it is not delivered yet."


def segments(text: str) -> int:
    """How many messages a phone makes of a text of 7-bit letters: 160 in one, 153 in each of
    several (3GPP TS 23.038 and 23.040, from memory)."""
    return 1 if len(text) <= MOST else -(-len(text) // A_SEGMENT)

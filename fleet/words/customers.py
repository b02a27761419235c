"""What customers are written: no jargon, nothing for them to do at a set, its dangers each time.

Nobody is asked to run a set, to touch its switch or to look inside (ENGINEERING 15). Who is
written at all is decided in `scheduler.alarms.customers`.
"""

from __future__ import annotations

from collections.abc import Sequence

from fleet.words.alarms import one_line
from fleet.words.saying import count, day

CUSTOMER_CAUTIONS: tuple[str, ...] = (
    "The generator can start by itself at any moment: nobody goes near it before its switch is "
    "at OFF.",
    "A generator runs outdoors only, away from doors, windows and vents: its exhaust is deadly and "
    "has no smell. Have a carbon monoxide alarm in the house.",
    "If anybody feels dizzy or sick, go outside at once and call the emergency number.",
    "Never plug a generator into a socket of the house: it kills people who work on the line.",
    "Engine off and cooled down before anybody brings fuel or oil near it.",
)
"""ENGINEERING 15: automatic start, outdoors, carbon monoxide, dizziness, back-feed, fuel and oil."""


def exercise_line(place: str, times: int) -> str:
    """What a customer reads of an exercise that was not seen."""
    seen = "its regular test run was not seen"
    if times > 1:
        seen = f"its last {times} regular test runs were not seen"
    return f"{one_line(place, 80)}: {seen}."


def service_line(place: str, name: str, due_on: str | None) -> str:
    """What a customer reads of work that is due. due_on: local ISO date, where it has one."""
    when = f" since {day(due_on)}" if due_on else " now"
    return f"{one_line(place, 80)}: {one_line(name, 60)} is due{when}."


def reminder(firm: str, lines: Sequence[str]) -> tuple[str, str]:
    """(subject, body) to a customer, once a week at most, all sets in one."""
    said = ["About your generator:" if len(lines) == 1 else "About your generators:", *lines]
    said += ["", "You need not do anything at it: we call you to agree on a day.", ""]
    subject = f"{firm}: {count(len(lines), 'note')} about your generator"
    return one_line(subject), "\n".join([*said, *CUSTOMER_CAUTIONS])


def outage(firm: str, place: str, *, powered: bool | None) -> tuple[str, str]:
    """(subject, body) of a text to a customer in an outage. powered: None where it is not known.

    Words only: nothing sends them without the customer's consent.
    """
    where = one_line(place, 80)
    if powered:
        seen = f"The public supply at {where} is off and your generator feeds the house."
    elif powered is None:
        seen = f"The public supply at {where} is off and we do not hear from your generator."
    else:
        seen = f"The public supply at {where} is off and your generator does not feed the house."
    ask = "" if powered else "We are on it. Please call us and say whether you have power."
    lines = [seen, *([ask] if ask else []), "", *CUSTOMER_CAUTIONS]
    return one_line(f"{firm}: power cut at {where}"), "\n".join(lines)

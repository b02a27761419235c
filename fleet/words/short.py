"""One text message of 160 characters: what was seen, what to do, the caution, the page.

Of late news both times are never cut: the place is, then what follows them; a link that leaves no
room for them is left out.

A message of the default 7-bit alphabet holds 160 characters, one of any other alphabet 70 (3GPP TS
23.038, 6.1.2 and 6.2.1, from memory). What that alphabet lacks is written plainly, so that an
ellipsis or a foreign letter does not make three messages of one.
"""

from __future__ import annotations

import re
import unicodedata

from fleet.findings.saying import LEARNED, SEVERITY_WORDS
from fleet.words.alert_sentences import NOBODY, OVER, one_line

MOST = 160
"""Characters of one text message (GSM 03.38, from memory). A bound of a format."""
LONG_LINK = MOST // 2
"""A link longer than this is left out. A bound of ours."""
PLACE, LEAST_PLACE = 30, 6
"""Characters of a place at most, and at least where it is said at all. A bound of ours."""
LEAST_REST = 16
"""What follows the subject is left out where less room than this is left. A bound of ours."""
LEAST_SAID = 24
"""What is said before the two times of late news has so much room at least; else the link goes. A
bound of ours."""
SHORT_CAUTION = "It can start by itself: OFF, lock out first."
"""The caution of a text message; all the others are on its page."""
PLAIN = {
    "…": "...",
    "–": "-",
    "—": "-",
    "’": "'",
    "‘": "'",
    "“": '"',
    "”": '"',
    "ß": "ss",
    "\u00a0": " ",
    "€": "EUR",
    "[": "(",
    "]": ")",
    "{": "(",
    "}": ")",
    "~": "-",
    "|": "/",
    "^": "",
    "\\": "/",
}
"""Letters outside the alphabet, and those of its extension, which count twice."""
FIRST = (*SEVERITY_WORDS.values(), NOBODY, OVER)
"""What the subject of an alert begins with."""
_MOMENT = r"(?:[A-Z][a-z]{2} |\d{1,2} [A-Z][a-z]{2}(?: \d{4})? )?\d\d:\d\d"
_LATE = re.compile(rf" ({_MOMENT}){LEARNED}({_MOMENT})$")
"""The end of the subject of late news, as `fleet.words.alert_sentences.subject` writes it."""


def plain(text: str) -> str:
    """Text from anywhere as one line of printable ASCII without the letters that count twice."""
    swapped = "".join(PLAIN.get(letter, letter) for letter in one_line(text, 10_000))
    apart = unicodedata.normalize("NFKD", swapped)
    letters = (letter for letter in apart if not unicodedata.combining(letter))
    seven = "".join(letter if " " <= letter <= "~" else "?" for letter in letters)
    return "".join(PLAIN.get(letter, letter) for letter in seven if letter != "`").strip()


def message(subject: str, said: str, link: str = "", *, cautioned: bool = False) -> str:
    """At most 160 characters of an alert. The caution, both times of late news and the link are
    never cut: the place is, then what is said.

    subject: its subject line; said: what its message says, without the cautions; link: where its
    page opens, left out where it alone takes more than half, or the room of the two times.
    """
    line = plain(subject)
    found = _LATE.search(line)
    if found is not None:
        times, head = line[found.start() + 1 :], line[: found.start()]
        said = said.replace(f"{LEARNED}at {found.group(2)}", "")
    else:
        times, head = "", line
    tail = _tail(link, cautioned)
    if times and _room(tail) < LEAST_SAID + 1 + len(times):
        tail = _tail("", cautioned)
    room = _room(tail)
    first = f"{_headed(head, room - len(times) - 1)} {times}" if times else _headed(head, room)
    return f"{_followed(first, _unsaid(said, head), room)} {tail}".strip()


def _room(tail: str) -> int:
    return MOST - len(tail) - (1 if tail else 0)


def _tail(link: str, cautioned: bool) -> str:
    last = plain(link) if len(plain(link)) <= LONG_LINK else ""
    return " ".join(part for part in (SHORT_CAUTION if cautioned else "", last) if part)


def _headed(head: str, most: int) -> str:
    """The subject of an alert, "Act now: Alder House: Would not start", its place cut first."""
    parts = head.split(": ")
    words = [parts.pop(0)] if parts[0] in FIRST else []
    while words and len(parts) > 2 and parts[0] in FIRST:
        parts.pop(0)  # "Nobody has answered: Act now: ..."
    if not words or len(parts) < 2:
        return _cut(head, most)
    place, title = ": ".join(parts[:-1]), parts[-1]
    for first in (f"{words[0]}: ", ""):
        left = min(PLACE, most - len(f"{first}: {title}"))
        if left >= min(len(place), LEAST_PLACE):
            return f"{first}{_cut(place, left)}: {title}"
    return _cut(title, most)


def _unsaid(said: str, head: str) -> str:
    """What is said beyond the subject: the place is in both."""
    first, _, rest = said.partition("\n")
    return plain(rest if first and f": {plain(first)}: " in f"{head}: " else said)


def _followed(first: str, said: str, room: int) -> str:
    """What is said after the subject, as far as it fits."""
    left = room - len(first) - 2
    if said and left >= min(len(said), LEAST_REST):
        return f"{first}: {_cut(said, left)}"
    return first if len(first) >= room or first.endswith(".") else f"{first}."


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[: max(0, most - 3)].rstrip()}..."[: max(0, most)]

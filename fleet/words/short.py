"""One text message of 160 characters: what was seen, what to do, the caution, the page.

A message of the default 7-bit alphabet holds 160 characters, one of any other alphabet 70 (3GPP TS
23.038, 6.1.2 and 6.2.1, from memory). What that alphabet lacks is written plainly, so that an
ellipsis or a foreign letter does not make three messages of one.
"""

from __future__ import annotations

import unicodedata

from fleet.words.alarms import one_line
from fleet.words.saying import Sentence

MOST = 160
SHORT_CAUTION = "It can start by itself: OFF, lock out first."
"""The caution of a text message; all the others are on its page."""
PLAIN = {"…": "...", "–": "-", "—": "-", "’": "'", "‘": "'", "“": '"', "”": '"', "ß": "ss",
         "\u00a0": " ", "€": "EUR", "[": "(", "]": ")", "{": "(", "}": ")", "~": "-", "|": "/",
         "^": "", "\\": "/"}  # fmt: skip
"""Letters outside the alphabet, and those of its extension, which count twice."""


def plain(text: str) -> str:
    """Text from anywhere as one line of printable ASCII without the letters that count twice."""
    swapped = "".join(PLAIN.get(letter, letter) for letter in one_line(text, 10_000))
    apart = unicodedata.normalize("NFKD", swapped)
    letters = (letter for letter in apart if not unicodedata.combining(letter))
    seven = "".join(letter if " " <= letter <= "~" else "?" for letter in letters)
    return "".join(PLAIN.get(letter, letter) for letter in seven if letter != "`")


def short(place: str, said: Sentence, link: str = "", ended: str = "") -> str:
    """At most 160 characters. The caution and the link are never cut: what is said before them is.

    link: where the page opens, left out where it alone would take more than half; ended: the
    moment it was over, for an all-clear, which sends nobody.
    """
    cautioned = bool(said.cautions) and not ended
    where = _cut(plain(place), 30)
    if ended:
        head = f"Over at {plain(ended)}: {where}: {plain(said.title)}."
    else:
        head = f"{where}: {plain(said.text)}"
        if fitted(head, link, cautioned=cautioned) != _joined(head, _tail(link, cautioned)):
            head = f"{where}: {plain(said.title)}. {plain(said.do)}".strip()
    return fitted(head, link, cautioned=cautioned)


def fitted(said: str, link: str = "", *, cautioned: bool = False) -> str:
    """What is said, the caution and the link in 160 characters; only what is said is cut. A link that
    alone takes more than half is left out."""
    tail = _tail(link, cautioned)
    return _joined(_cut(said, MOST - len(tail) - (1 if tail else 0)), tail)


def _tail(link: str, cautioned: bool) -> str:
    last = plain(link) if len(link) <= MOST // 2 else ""
    return " ".join(part for part in (SHORT_CAUTION if cautioned else "", last) if part)


def _joined(head: str, tail: str) -> str:
    return f"{head} {tail}".strip()


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: max(0, most - 3)].rstrip() + "..."

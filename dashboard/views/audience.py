"""In whose words a page tells a finding, and whether a set would start: the firm's people read the installer's, customers plain ones.

Who sees named customers only is told as a customer is, as with the names of the firm's people.
"""

from __future__ import annotations

from collections.abc import Callable

from fleet import words
from fleet.model import Finding, ReadinessNow, Scope
from fleet.words import readiness_sentences
from fleet.words.customer_findings import customer_readiness, customer_sentence

Say = Callable[[Finding, str, int], words.Sentence]
"""A finding in words, in a time zone, at a moment (UTC seconds)."""


def sentence_for(scope: Scope) -> Say:
    """How findings are told to who sees that much."""
    return words.sentence if scope.everything else customer_sentence


def readiness_for(scope: Scope, held: ReadinessNow | None, zone: str, now: int) -> str:
    """Whether a set would start now, to who sees that much; the word of its state first."""
    if scope.everything:
        return readiness_sentences.readiness(held, zone, now)
    return customer_readiness(held, zone, now)

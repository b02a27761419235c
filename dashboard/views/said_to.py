"""In whose words a page tells a finding: the firm's people read the installer's, customers plain ones.

Who sees named customers only is told as a customer is, as with the names of the firm's people.
"""

from __future__ import annotations

from collections.abc import Callable

from fleet import words
from fleet.model import Finding, Scope
from fleet.words.customer_findings import customer_sentence

Say = Callable[[Finding, str, int], words.Sentence]
"""A finding in words, in a time zone, at a moment (UTC seconds)."""


def said_to(scope: Scope) -> Say:
    """How findings are told to who sees that much."""
    return words.sentence if scope.everything else customer_sentence

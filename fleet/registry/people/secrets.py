"""Secrets we hand out: made here, shown once, kept as SHA-256 only.

A slow hash is for what people choose; 256 random bits cannot be guessed, so SHA-256 is enough.
"""

from __future__ import annotations

import hashlib
import secrets

TOKEN_PREFIX = "hh_"
"""So that a token left in a file is recognised as one of ours."""
CODE_LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"
"""32 letters that are not taken for one another (no I, O, 0, 1): 5 bits each."""
CODE_GROUPS, CODE_GROUP = 5, 4
"""Groups of a code that is typed, and letters of each. Definition."""


def new_secret() -> str:
    """256 random bits as 43 letters that may stand in an address."""
    return secrets.token_urlsafe(32)


def new_code() -> str:
    """100 random bits to be typed by a person: five groups of four letters."""
    letters = [secrets.choice(CODE_LETTERS) for _ in range(CODE_GROUPS * CODE_GROUP)]
    return "-".join(
        "".join(letters[at : at + CODE_GROUP]) for at in range(0, len(letters), CODE_GROUP)
    )


def tidy_code(typed: str) -> str:
    """A typed code as it was made: capitals, groups joined by hyphens."""
    letters = "".join(letter for letter in typed.upper() if letter.isalnum())
    return "-".join(letters[at : at + CODE_GROUP] for at in range(0, len(letters), CODE_GROUP))


def new_id() -> str:
    """An id that says nothing: 96 random bits."""
    return secrets.token_hex(12)


def digest_of(secret: str) -> str:
    """What is kept of a secret, and looked up by."""
    return hashlib.sha256(secret.encode()).hexdigest()

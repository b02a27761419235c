"""Passwords: what is long enough, and the slow hash of it (Argon2id).

Hashing takes about 0.3 s and 64 MiB; callers that serve others run it in a thread.
"""

from __future__ import annotations

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from fleet.registry.people.model import PeopleRefused

_HASHER = PasswordHasher(time_cost=3, memory_cost=65_536, parallelism=4)
"""RFC 9106, section 4, second recommended option: Argon2id, 64 MiB, 3 passes, 4 lanes."""
AT_LEAST = 12
AT_MOST = 200
"""Length counts, not composition (NIST SP 800-63B, memory); 12 is common practice, no source."""
_NOBODY = "$argon2id$v=19$m=65536,t=3,p=4$c29tZXNhbHRzb21lc2FsdA$" + "A" * 43
"""Shaped like a hash and nobody's: checked for unknown names, so that the time tells nothing."""


def check_password(password: str, login: str) -> None:
    """Refuse what is easily guessed. Raises PeopleRefused with what to write instead."""
    if len(password) < AT_LEAST:
        raise PeopleRefused(
            f"A password needs at least {AT_LEAST} letters; a few words in a row are easy to keep."
        )
    if len(password) > AT_MOST:
        raise PeopleRefused(f"A password may have at most {AT_MOST} letters.")
    plain = password.casefold()
    if len(set(plain)) < 5 or plain.replace(" ", "") in (login * 4, "password1234", "123456789012"):
        raise PeopleRefused("That password is too easily guessed: take a few words in a row.")
    if login and login in plain and len(plain.replace(login, "")) < AT_LEAST // 2:
        raise PeopleRefused("That password is little more than the user name: take other words.")


def hash_password(password: str) -> str:
    """The Argon2id hash that is kept."""
    return _HASHER.hash(password)


def verify_password(kept: str, password: str) -> bool:
    """Whether the password is the one kept; '' (nobody's, or none yet) takes as long and is not."""
    try:
        return _HASHER.verify(kept or _NOBODY, password) and bool(kept)
    except (VerificationError, InvalidHashError):
        return False


def needs_rehash(kept: str) -> bool:
    """Whether a hash was made with other parameters than those of today."""
    return _HASHER.check_needs_rehash(kept)

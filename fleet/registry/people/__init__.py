"""People: who may come in, by which way, to see whose data; and what they did."""

from fleet.registry.people.audit import audit, note_failure
from fleet.registry.people.links import (
    make_share,
    make_token,
    open_share,
    revoke_share,
    revoke_token,
    share_of,
    shares,
    token_of,
    tokens,
)
from fleet.registry.people.passwords import (
    check_password,
    hash_password,
    needs_rehash,
    verify_password,
)
from fleet.registry.people.persons import (
    accept,
    add_person,
    by_login,
    change_person,
    invite,
    invited,
    make_first_owner,
    make_set_up_code,
    owner_exists,
    people,
    person,
    rehash,
    set_password,
    tidy_login,
)
from fleet.registry.people.sessions import (
    ABSOLUTE_S,
    IDLE_S,
    PHONE_IDLE_S,
    end_sessions,
    note_seen,
    open_session,
    session_of,
    sessions,
    sign_out,
)
from fleet.registry.people.types import (
    ROLES,
    Actor,
    ApiToken,
    AuditKind,
    AuditRow,
    PeopleRefused,
    Person,
    Right,
    Role,
    Session,
    ShareLink,
)

__all__ = [
    "ABSOLUTE_S", "IDLE_S", "PHONE_IDLE_S", "ROLES", "Actor", "ApiToken", "AuditKind", "AuditRow",
    "PeopleRefused", "Person", "Right", "Role", "Session", "ShareLink", "accept", "add_person",
    "audit", "by_login", "change_person", "check_password", "end_sessions", "hash_password",
    "invite", "invited", "make_first_owner", "make_set_up_code", "make_share", "make_token",
    "needs_rehash", "note_failure", "note_seen", "open_session", "open_share", "owner_exists",
    "people", "person", "rehash", "revoke_share", "revoke_token", "session_of", "sessions",
    "set_password", "share_of", "shares", "sign_out", "tidy_login", "token_of", "tokens",
    "verify_password",
]  # fmt: skip

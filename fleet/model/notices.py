"""What is sent to people: notices. The outbox keeps them; how each fared is kept with them."""

from __future__ import annotations

from typing import Literal

import msgspec

NoticeKind = Literal[
    "alert",
    "changed",
    "cleared",
    "escalated",
    "outage",
    "all_quiet",
    "weekly_test",
    "reminder",
    "left_ready",
    "channel_test",
    "customer_text",
]
DeliveryMethod = Literal["email", "sms", "push", "webhook"]
"""How a notice travels. "Channel" is telemetry only."""


class Notice(msgspec.Struct, frozen=True, kw_only=True):
    """One message to one person by one way.

    id: a hash of (cause, step, person, way), so that the same notice worked out again is the same.
    cause: an episode's or outage's id, or kind + local date. step: which step of the cause. wakes:
    may break the person's quiet hours. not_before: when it may leave (UTC seconds). path: the page
    it opens, which only opens it. Texts are plain, of one line in `subject`.
    """

    id: str
    cause: str
    step: str
    person: str
    way: DeliveryMethod
    kind: NoticeKind
    subject: str
    body: str
    made_at: int
    not_before: int
    wakes: bool = False
    path: str = "/"
    unit: str = ""
    customer: str = ""

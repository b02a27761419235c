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
    "taken_over",
    "channel_test",
    "customer_text",
]
DeliveryMethod = Literal["email", "sms", "push", "webhook"]
"""How a notice travels. "Channel" is telemetry only."""


class AlertPlace(msgspec.Struct, frozen=True, kw_only=True):
    """What a message of an alert says beside the alert itself, which is read anew for each try.

    name: what the site is called; zone: the site's; phone: of the site. unsure: its set is new or
    was taken over, so that no meter has been on its readings.
    """

    name: str
    zone: str = "UTC"
    phone: str = ""
    unsure: bool = False


class Notice(msgspec.Struct, frozen=True, kw_only=True):
    """One message to one person by one way.

    id: a hash of (cause, step, person, way), so that the same notice worked out again is the same.
    cause: an episode's or outage's id, or kind + local date. step: which step of the cause. wakes:
    may break the person's quiet hours. not_before: when it may leave (UTC seconds). path: the page
    it opens, which only opens it. Texts are plain, of one line in `subject`; those of an alert are
    of the newest try, and of the moment it was written before the first. place: of an alert.
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
    place: AlertPlace | None = None

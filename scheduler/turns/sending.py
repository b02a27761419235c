"""The outbox emptied: claim, deliver, write down how each try fared."""

from __future__ import annotations

import logging
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from fleet.faults import Fault, no_fault
from fleet.registry import notices as outbox
from fleet.registry.engine import Registry
from fleet.registry.notices import Claimed, Outcome, Target
from fleet.settings import Settings
from scheduler.notify import Mail, deliver

log = logging.getLogger("hourhand.notices")

AT_ONCE = 8
A_TURN = 16


@dataclass(slots=True)
class Sent:
    """What one turn of sending did, by the state the notices are in now."""

    sent: int = 0
    failed: int = 0
    again: int = 0


def mail_of(loaded: Settings) -> Mail:
    """The firm's mail server as the settings name it."""
    return Mail(
        host=loaded.smtp_host, port=loaded.smtp_port, security=loaded.smtp_security,
        user=loaded.smtp_user, password=loaded.smtp_password, sender=loaded.smtp_from,
        public_url=loaded.public_url, firm=loaded.firm,
    )  # fmt: skip


def send(
    registry: Registry,
    mail: Mail,
    key: bytes,
    now: int,
    fault: Fault = no_fault,
    limit: int = A_TURN,
) -> Sent:
    """Deliver what may leave at `now`, several targets at once; one that hangs stops no other.

    Raises RegistryDown: what was claimed is claimed again when its lease is over.
    """
    done = Sent()
    taken = outbox.claim(registry, now, limit)
    if not taken:
        return done
    fault("claimed")
    every = outbox.targets(registry, key=key)
    taken.sort(key=lambda one: not one.notice.wakes)
    with ThreadPoolExecutor(AT_ONCE, thread_name_prefix="notices") as pool:
        waiting = [(one, pool.submit(_one, one, every, mail)) for one in taken]
        for one, answer in waiting:
            tries = answer.result()
            fault("delivered")
            state = outbox.record(registry, one, tries, now)
            done.sent += state == "sent"
            done.failed += state == "failed"
            done.again += state == "claimed"
            for target, outcome, detail in tries:
                if outcome != "delivered":
                    log.warning("notice %s to target %s: %s", one.notice.id, target, detail)
    return done


def _one(claimed: Claimed, every: list[Target], mail: Mail) -> list[tuple[str, Outcome, str]]:
    """Try every target of the notice's person and way that has not got it yet."""
    notice = claimed.notice
    mine = [
        one
        for one in every
        if one.person == notice.person and one.way == notice.way and one.id not in claimed.done
    ]
    if notice.kind == "channel_test":  # its cause names the address that was pressed
        mine = [one for one in mine if notice.cause == f"channel_test:{one.id}"]
    if not mine and not claimed.done:
        return [("", "not_allowed", "this person has no address of this kind")]
    return [(one.id, *deliver(one, notice, mail)) for one in mine]

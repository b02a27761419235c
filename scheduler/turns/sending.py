"""The outbox emptied: claim, deliver, write down how each try fared.

Each try has a thread of its own and a limit; one whose time is up is left behind, and nothing more
is sent to that target while it hangs there. So a server that never answers costs one thread a
target and holds up nobody else.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from queue import Empty, SimpleQueue
from threading import Thread
from time import monotonic
from typing import get_args

from fleet.ending import Fault, no_fault
from fleet.model import DeliveryMethod
from fleet.registry.base.engine import Registry
from fleet.registry.base.faults import RegistryDown
from fleet.registry.told import outbox
from fleet.registry.told.outbox import Claimed, Outcome, Target, Tried
from fleet.settings import Settings
from scheduler.notify import LIMIT_S, Mail, deliver
from scheduler.turns import wording

log = logging.getLogger("hourhand.notices")

A_WAY = 8
"""Notices of a way under way at once. A bound of ours."""
PATIENCE_S = 0.8
"""How long a turn waits for what it began; what takes longer is written down by a later turn. A
pace of ours."""
AT_THE_END_S = 3.0
"""What a program that stops waits for. A pace of ours."""
WAYS: tuple[DeliveryMethod, ...] = get_args(DeliveryMethod)


@dataclass(slots=True)
class Sent:
    """What one turn of sending did, by the state the notices are in now."""

    sent: int = 0
    failed: int = 0
    again: int = 0


@dataclass(slots=True)
class Try:
    """One target being tried, until its time is up [monotonic s]."""

    target: str
    until: float
    thread: Thread


@dataclass(slots=True)
class Delivery:
    """A claimed notice: targets being tried, tries that are known, how many of them are booked."""

    claimed: Claimed
    tries: dict[int, Try] = field(default_factory=dict)
    known: list[Tried] = field(default_factory=list)
    booked: int = 0


@dataclass(slots=True)
class OutboxRelay:
    """What a scheduler process has under way. One thread calls `turn`."""

    registry: Registry
    mail: Mail
    key: bytes
    fault: Fault = no_fault
    limit_s: float = LIMIT_S
    deliveries: list[Delivery] = field(default_factory=list)
    answers: SimpleQueue[tuple[int, Outcome, str]] = field(default_factory=SimpleQueue)
    hanging: dict[str, Thread] = field(default_factory=dict)
    tried: int = 0

    def turn(
        self, now: int, patience_s: float = PATIENCE_S, go_on: Callable[[], bool] = lambda: True
    ) -> Sent:
        """Begin what may leave at `now`, wait a little, write down what is known by then.

        go_on: asked before anything new is begun. Raises RegistryDown: what is under way stays so
        and is written down by a later turn; what was only claimed is claimed again when its lease
        is over.
        """
        done = Sent()
        end = monotonic() + patience_s
        while True:
            if go_on():
                self._begin(now)
            if not self.deliveries:
                return done
            self._hear(end)
            self._write(now, done)
            if monotonic() >= end:
                return done

    def _begin(self, now: int) -> None:
        taken: list[Claimed] = []
        for way in WAYS:
            here = {f.claimed.notice.person for f in self.deliveries if f.claimed.notice.way == way}
            if len(here) < A_WAY:
                taken += outbox.claim(self.registry, now, way, A_WAY - len(here), sorted(here))
        if not taken:
            return
        self.fault("claimed")
        every = outbox.targets(self.registry, key=self.key)
        for claimed in self._worded(taken, now):
            self.deliveries.append(self._delivery(claimed, every))

    def _worded(self, taken: list[Claimed], now: int) -> list[Claimed]:
        """Each in the words of its alert as it stands; as it was written last where that fails, since
        an old text is better than none."""
        try:
            said = wording.as_it_stands(self.registry, [one.notice for one in taken], now)
        except RegistryDown:
            raise
        except Exception as fault:
            log.error("notices leave as they were written: %s", type(fault).__name__)
            return taken
        pairs = zip(taken, said, strict=True)
        return [outbox.reword(self.registry, claimed, notice) for claimed, notice in pairs]

    def _delivery(self, claimed: Claimed, every: list[Target]) -> Delivery:
        """Every target of the notice's person and way that has not got it yet is tried."""
        notice, delivery = claimed.notice, Delivery(claimed)
        mine = [
            one
            for one in every
            if one.person == notice.person and one.way == notice.way and one.id not in claimed.done
        ]
        if notice.kind == "channel_test":  # its cause names the address that was pressed
            mine = [one for one in mine if notice.cause == f"channel_test:{one.id}"]
        if not mine and not claimed.done:
            delivery.known.append(("", "not_allowed", "this person has no address of this kind"))
        for target in mine:
            self._try(delivery, target)
        return delivery

    def _try(self, delivery: Delivery, target: Target) -> None:
        left = self.hanging.get(target.id)
        if left is not None and left.is_alive():
            said = "its server took the last message and has not answered to it yet"
            delivery.known.append((target.id, "not_delivered", said))
            return
        self.hanging.pop(target.id, None)
        self.tried += 1
        n, notice = self.tried, delivery.claimed.notice

        def run() -> None:
            self.answers.put((n, *deliver(target, notice, self.mail)))

        thread = Thread(target=run, daemon=True, name="deliver")
        delivery.tries[n] = Try(target.id, monotonic() + self.limit_s, thread)
        thread.start()

    def _hear(self, end: float) -> None:
        """Wait for an answer until `end`, or until the next try's time is up."""
        waiting = [one for delivery in self.deliveries for one in delivery.tries.values()]
        if waiting and not any(self._settled(delivery) for delivery in self.deliveries):
            wait_s = min(end, *(one.until for one in waiting)) - monotonic()
            with suppress(Empty):
                self._take(self.answers.get(timeout=max(0.0, wait_s)))
        while not self.answers.empty():
            self._take(self.answers.get())
        for delivery in self.deliveries:
            for n, one in list(delivery.tries.items()):
                if monotonic() >= one.until:
                    del delivery.tries[n]
                    self.hanging[one.target] = one.thread
                    said = f"no answer within {self.limit_s:.0f} s"
                    delivery.known.append((one.target, "not_delivered", said))

    def _take(self, answer: tuple[int, Outcome, str]) -> None:
        n, outcome, detail = answer
        for delivery in self.deliveries:
            one = delivery.tries.pop(n, None)
            if one is not None:
                delivery.known.append((one.target, outcome, detail))

    @staticmethod
    def _settled(delivery: Delivery) -> bool:
        return len(delivery.known) > delivery.booked or not delivery.tries

    def _write(self, now: int, done: Sent) -> None:
        for delivery in [one for one in self.deliveries if self._settled(one)]:
            new = delivery.known[delivery.booked :]
            self.fault("delivered")
            if delivery.tries:
                outbox.add_tries(self.registry, delivery.claimed, new, now)
                delivery.booked = len(delivery.known)
            else:
                before = delivery.known[: delivery.booked]
                state = outbox.record(self.registry, delivery.claimed, new, now, before)
                self.deliveries.remove(delivery)
                done.sent += state == "sent"
                done.failed += state == "failed"
                done.again += state == "claimed"
            for target, outcome, detail in new:
                if outcome != "delivered":
                    id = delivery.claimed.notice.id
                    log.warning("notice %s to target %s: %s", id, target, detail)


def mail_of(loaded: Settings) -> Mail:
    """The firm's mail server as the settings name it."""
    return Mail(
        host=loaded.smtp_host,
        port=loaded.smtp_port,
        security=loaded.smtp_security,
        user=loaded.smtp_user,
        password=loaded.smtp_password,
        sender=loaded.smtp_from,
        public_url=loaded.public_url,
        firm=loaded.firm,
    )

"""The writer: takes what arrived, the inbox and the store's housekeeping, in turns, for ever.

Live messages first, always; one slice of the inbox; at most 50 ms of tending, then as long a
pause from it. A message is acknowledged when `intake.take` has returned, on the connection it came
by. While store or registry cannot be written, the batch is kept, nothing is acknowledged, and
`state` says so; the broker then stops sending when its window is full.
"""

from __future__ import annotations

import gc
import logging
import threading
import time
from collections import defaultdict
from collections.abc import Callable
from typing import Any

from fleet import clock
from fleet.defaults import CLOCK_AHEAD_S
from fleet.ending import Fault, no_fault
from fleet.registry import unscoped
from fleet.registry.base.engine import Registry
from fleet.registry.base.faults import RegistryFault
from fleet.store.port import Store, StoreDown, StoreFault
from ingest.backlog import Backlog
from ingest.cache import Cache
from ingest.inbox import Inbox
from ingest.intake import Intake, Taken, take
from ingest.link import Arrived, Link
from ingest.seats import WhenFull
from ingest.sitting import Sitting
from ingest.wire import Message

BATCH_AT_MOST = 4_000
NEARLY_IDLE = 8
LINGER_S = 0.02
"""With fewer than NEARLY_IDLE messages, wait once so that one commit serves several. Measured: a
timer under load costs half the rate or more; taking what is queued does not."""
IDLE_S = 0.5
"""Waiting for messages when none came. A pace of ours."""
TEND_S = 0.05
TEND_AGAIN_S = 5.0
"""Pause of housekeeping when there was nothing left to do. A pace of ours."""
BACK_OFF_FROM_S, BACK_OFF_TO_S = 1.0, 30.0
"""Pauses after a write that failed, the first and the longest. A pace of ours."""
SLOW_S = 0.5
"""A batch that took longer: what came meanwhile says nothing of what lies at the broker. A pace of
ours."""
WAITING_AT_MOST, WAITING_AT_MOST_311 = 256, 8
"""Messages that may wait for a second of their own: part of the window, 1,000 under MQTT 5, else
20. A bound of ours."""

_log = logging.getLogger(__name__)


class Collector:
    """Everything one ingest process does but the network. link None: the inbox only."""

    def __init__(
        self,
        store: Store,
        registry: Registry,
        cache: Cache,
        inbox: Inbox,
        link: Link | None,
        *,
        fault: Fault = no_fault,
        now: Callable[[], int] = clock.now,
    ) -> None:
        self._store = store
        self._registry = registry
        self._cache = cache
        self._inbox = inbox
        self._link = link
        self._fault = fault
        self._now = now
        self.stopping = threading.Event()
        self.total = Taken()
        self.state = ""
        self.inbox_state = ""
        self._holding_since: float | None = None
        self._inbox_rest_until = 0.0
        self._inbox_pause_s = BACK_OFF_FROM_S
        self._tend_at = 0.0
        self._backlog = Backlog()
        self._waiting: list[Arrived] = []
        self._waited_at = 0
        self._thread = threading.Thread(target=self._run, name="writer", daemon=True)

    def start(self) -> None:
        """Begin to take, in the background."""
        self._thread.start()

    @property
    def alive(self) -> bool:
        """False when the writer ended, by itself or because it was asked to."""
        return self._thread.is_alive()

    def stop(self, timeout_s: float = 20.0) -> None:
        """Finish the batch at hand and end."""
        self.stopping.set()
        if self._link is not None:
            self._link.wake.set()
        if self._thread.is_alive():
            self._thread.join(timeout_s)

    def drain(self) -> Taken:
        """Take the inbox to its end, in this thread. Raises what the store or registry raise."""
        while not self.stopping.is_set() and self._take_slice():
            self._tend()
        return self.total

    def report(self) -> dict[str, Any]:
        """What the Health page shows of ingest."""
        link, holding = self._link, self._holding_since
        files, size = self._inbox.waiting()
        newest = self._cache.newest_heard_at
        behind = 0 if newest is None else newest - self._now()
        return {
            "state": self._sentence(behind),
            "connected": bool(link and link.connected),
            "protocol": link.protocol if link else "",
            "queue": len(link.arrived) if link else 0,
            "oldest_unacknowledged_s": 0 if holding is None else int(time.monotonic() - holding),
            "catching_up": self._backlog.on or bool(link and self._backlog.is_news(link.resumed)),
            "last_message_at": link.last_message_at if link else None,
            "sessions_lost": link.sessions_lost if link else 0,
            "qos_0_taken": link.qos_0_taken if link else 0,
            "qos_0_dropped": link.qos_0_dropped if link else 0,
            "messages": self.total.messages,
            "written": self.total.readings,
            "events": self.total.events,
            "clashes": self.total.clashes,
            "quarantined": self.total.quarantined,
            "ours": self.total.ours,
            "ignored": self.total.ignored,
            "inbox_files": files,
            "inbox_bytes": size,
            "host_clock_behind_s": behind if behind > CLOCK_AHEAD_S else 0,
            "clocks_put_right": len(self._cache.put_right),
            "clocks_too_coarse": len(self._cache.too_coarse),
            "profile_faults": list(self._cache.faults),
        }

    def _sentence(self, behind: int) -> str:
        if self.state:
            return self.state
        if self._link is not None and not self._link.connected:
            return self._link.state
        if behind > CLOCK_AHEAD_S:
            return "the clock of this machine is behind the newest message: set it"
        return self.inbox_state or (self._link.state if self._link else "taking the inbox")

    # ---- the thread

    def _run(self) -> None:
        assert self._link is not None
        more_inbox = True
        while not self.stopping.is_set():
            batch = self._next(self._link, 0.0 if more_inbox else IDLE_S)
            if batch or (self._waiting and self._now() != self._waited_at):
                self._take_live(self._link, self._waiting + batch)
            more_inbox = self._inbox_turn()
            self._tend()
        batch = self._next(self._link, 0.0)
        if batch:
            self._take_live(self._link, self._waiting + batch)

    def _next(self, link: Link, wait_s: float) -> list[Arrived]:
        """All that is queued, up to a bound; waits a little when there is next to nothing."""
        arrived = link.arrived
        if not arrived:
            link.wake.wait(wait_s)
        link.wake.clear()
        if 0 < len(arrived) < NEARLY_IDLE and not self.stopping.is_set():
            time.sleep(LINGER_S)
        batch = [arrived.popleft() for _ in range(min(len(arrived), BATCH_AT_MOST))]
        at = time.monotonic()
        self._backlog.resumed(link.resumed, at)
        return self._backlog.mark(batch, at) if self._backlog.on else batch

    def _take_live(self, link: Link, batch: list[Arrived]) -> None:
        """Take a batch, however long that takes, and acknowledge it. Gives up only at the end."""
        began = self._holding_since = time.monotonic()
        pause = BACK_OFF_FROM_S
        messages = [arrived.message for arrived in batch]
        room = WAITING_AT_MOST if link.protocol == "5" else WAITING_AT_MOST_311
        full: WhenFull = "wait" if len(self._waiting) < room else "merge"
        sitting = Sitting(when_full=full, ask=self._backlog.on)
        while True:
            try:
                self._count(self._try(messages, sitting))
                break
            except (StoreFault, RegistryFault) as fault:
                self._hold(fault)
                if self.stopping.wait(_pause(fault, pause)):
                    return  # nothing acknowledged: the broker sends it all again
                pause = min(pause * 2, BACK_OFF_TO_S)
                company = self._next(link, 0.0) if len(batch) < BATCH_AT_MOST else []
                batch = batch + company
                messages.extend(arrived.message for arrived in company)
        held, self.state = bool(self.state), ""
        self._holding_since = None
        self._fault("before_ack")
        waiting = set(sitting.later)
        self._waiting = [batch[index] for index in sitting.later]
        self._waited_at = self._now()
        self._acknowledge(link, [a for n, a in enumerate(batch) if n not in waiting])
        ended = time.monotonic()
        self._backlog.told(sitting.told_at)
        if held:
            self._backlog.held(len(batch), link.generation, self._now(), ended)
        if ended - began > SLOW_S:
            self._backlog.rest(ended)

    def _try(self, messages: list[Message], sitting: Sitting) -> Taken:
        into = Intake(self._store, self._registry, self._cache, self._now(), self._fault)
        return take(messages, into, sitting=sitting)

    def _acknowledge(self, link: Link, batch: list[Arrived]) -> None:
        numbers: dict[int, list[int]] = defaultdict(list)
        for arrived in batch:
            if arrived.message.qos:
                numbers[arrived.generation].append(arrived.number)
            else:
                link.qos_0_taken += 1
        for generation, mids in numbers.items():
            link.acknowledge(generation, mids)

    def _inbox_turn(self) -> bool:
        """One slice of the inbox. False when there is none, or it has to rest."""
        if time.monotonic() < self._inbox_rest_until:
            return False
        try:
            more = self._take_slice()
            self.inbox_state = "taking the inbox" if more else ""
            self._inbox_pause_s = BACK_OFF_FROM_S
            if not more:
                self._inbox_rest_until = time.monotonic() + IDLE_S
            return more
        except (StoreFault, RegistryFault, OSError) as fault:
            self.inbox_state = f"the inbox waits: {fault}"
            _log.warning("%s", self.inbox_state)
            self._inbox_rest_until = time.monotonic() + self._inbox_pause_s
            self._inbox_pause_s = min(self._inbox_pause_s * 2, BACK_OFF_TO_S)
            return False

    def _take_slice(self) -> bool:
        now = self._now()
        found = self._inbox.next(now)
        if found is None:
            return False
        into = Intake(self._store, self._registry, self._cache, now)
        self._count(take(found.messages, into, inbox=found.mark, aside=found.bad))
        self._inbox.took(found)
        return True

    def _tend(self) -> None:
        began = time.monotonic()
        if began < self._tend_at:
            return
        try:
            more = self._store.tend(self._now(), TEND_S)
        except StoreFault as fault:
            _log.warning("housekeeping of the store: %s", fault)
            more = False
        ended = time.monotonic()
        self._tend_at = ended + (ended - began if more else TEND_AGAIN_S)

    def _count(self, taken: Taken) -> None:
        self.total = self.total + taken

    def _hold(self, fault: Exception) -> None:
        state = f"messages are held and not acknowledged: {fault}"
        if state != self.state:
            _log.error("%s", state)
        self.state = state


def _pause(fault: Exception, pause: float) -> float:
    asked = fault.retry_after_s if isinstance(fault, StoreDown) else None
    return max(pause, asked or 0.0)


def settle() -> None:
    """Tell the garbage collector that what is there now stays; call once, when all is open.

    Every message makes objects that live for one batch, and with the defaults the collector walked
    the whole program for them several times a second (measured: two thirds of the rate).
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)


def beat(registry: Registry, now: int, report: dict[str, Any]) -> None:
    """Write the heartbeat; a registry that is down is already in the state of the writer."""
    try:
        unscoped.heartbeat(registry, "ingest", now, report)
    except RegistryFault as fault:
        _log.debug("no heartbeat: %s", fault)

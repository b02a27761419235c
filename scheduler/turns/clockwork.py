"""The few jobs of the scheduler's clockwork, and what they share.

Each looks at whether this process leads, does a bounded piece of work, and says what is away.
"""

from __future__ import annotations

import logging
import os
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC
from threading import Event, Lock
from typing import Any

from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_MAX_INSTANCES, EVENT_JOB_MISSED
from apscheduler.jobstores.memory import MemoryJobStore
from apscheduler.schedulers.background import BackgroundScheduler

from fleet import clock
from fleet.defaults import MESSAGE_LATE_S
from fleet.ending import Fault, no_fault
from fleet.history import History
from fleet.model import EVERYTHING
from fleet.registry import unscoped
from fleet.registry.base.engine import Registry
from fleet.registry.base.faults import RegistryFault
from fleet.registry.base.lead import Lead
from fleet.registry.told import outbox
from fleet.store import StoreFault
from fleet.words import notice_sentences as say
from scheduler.notify import Mail
from scheduler.rounds import PlanContext, Travel
from scheduler.turns import alerting, planning, reminders, sending, undelivered, watching
from scheduler.turns.memory import Memory, Trouble, Turn
from scheduler.turns.sending import OutboxRelay

log = logging.getLogger("hourhand.scheduler")

PROGRAM = "scheduler"
STAND_BY = "scheduler standing by"
WATCH_S = 2
SEND_S = 1
CALENDAR_S = 60
WATCH_BUDGET_S = 1.5
HEARTBEAT_S = 5
OFFICE_S = 120
PLAN_S = 3
BACK_OFF_MOST_S = 60
TOLD_TROUBLES = 20
"""How often each job of the clockwork runs, how long a turn may take, how long a job that failed
rests at most, and how many troubles are told. A pace of ours."""
JOB_DEFAULTS = {"misfire_grace_time": None, "coalesce": True, "max_instances": 1}
"""A late job still runs, once, and never beside itself (APScheduler's own grace is one second).
Definition."""


@dataclass(slots=True)
class Clockwork:
    """What the jobs share: where things are, what they remember, what they have to say."""

    registry: Registry
    history: History
    memory: Memory = field(default_factory=Memory)
    lock: Lock = field(default_factory=Lock)
    last: Turn = field(default_factory=Turn)
    turns_done: int = 0
    down: str = ""
    back_off_s: float = 0.0
    wait_until: float = 0.0
    job_errors: int = 0
    job_missed: int = 0
    job_overlaps: int = 0
    started_at: int = field(default_factory=clock.now)
    mail: Mail | None = None
    key: bytes = b""
    fault: Fault = no_fault
    took_over: bool = False
    relay: OutboxRelay | None = None
    waiting: dict[str, int] = field(default_factory=dict)
    to_customers: bool = False
    travel: Travel | None = None
    lead: Lead = field(init=False)
    leads: bool = False
    demo: bool = False
    stopping: Event = field(default_factory=Event)

    def __post_init__(self) -> None:
        self.lead = Lead(self.registry)

    def planning(self) -> PlanContext:
        """How this process plans: by its roads, and no longer than it lives."""
        return PlanContext(travel=self.travel, cancel=self.stopping.is_set)


def watch(clockwork: Clockwork) -> None:
    """One turn; when registry or store are away: say so once, wait longer each time, go on."""
    if time.monotonic() < clockwork.wait_until:
        return
    leads = clockwork.lead.held()
    if leads != clockwork.leads:
        log.info("leading" if leads else "standing by: another scheduler leads, or we are cut off")
        clockwork.leads, clockwork.took_over = leads, False
    if not leads:
        return
    try:
        turn = watching.watch(
            clockwork.registry, clockwork.history, clock.now(), WATCH_BUDGET_S, clockwork.memory
        )
    except (RegistryFault, StoreFault) as fault:
        _away(clockwork, fault)
        return
    with clockwork.lock:
        if clockwork.down:
            log.warning("working again")
        clockwork.last, clockwork.down, clockwork.back_off_s = turn, "", 0.0
        clockwork.turns_done += 1
    if turn.behind_s:
        log.error("the clock of this machine is %d s behind: nothing is judged", turn.behind_s)


def office(clockwork: Clockwork) -> None:
    """Due work as jobs, and the night's ask for rounds. While registry is away: the next time."""
    if not clockwork.leads:
        return
    try:
        now = clock.now()
        planning.sync_jobs(clockwork.registry, now)
        planning.night(clockwork.registry, now)
    except RegistryFault as fault:
        log.warning("jobs: %s", str(fault))


def plan(clockwork: Clockwork) -> None:
    """One plan that was asked for. In the demonstration the first is made and published unasked."""
    if not clockwork.leads:
        return
    try:
        if clockwork.demo and planning.demonstrate(clockwork.registry, clock.now()):
            return
        planning.answer(clockwork.registry, clock.now(), clockwork.planning())
    except RegistryFault as fault:
        log.warning("rounds: %s", str(fault))


def send(clockwork: Clockwork) -> None:
    """Deliver what waits in the outbox. Who leads no more writes down what is under way."""
    if clockwork.mail is None:
        return
    if clockwork.relay is None:
        clockwork.relay = OutboxRelay(
            clockwork.registry, clockwork.mail, clockwork.key, clockwork.fault
        )
    try:
        if clockwork.leads and not clockwork.took_over:
            outbox.release(clockwork.registry, clock.now())
            clockwork.took_over = True
        clockwork.relay.turn(
            clock.now(),
            sending.PATIENCE_S if not clockwork.stopping.is_set() else sending.AT_THE_END_S,
            lambda: clockwork.leads and not clockwork.stopping.is_set(),
        )
    except RegistryFault as fault:
        log.warning("messages wait: %s", fault)


def watch_outbox(clockwork: Clockwork) -> None:
    """An alert where messages reach nobody."""
    if not clockwork.leads:
        return
    try:
        now = clock.now()
        undelivered.look(
            clockwork.registry, alerting.OfficeCache().now(clockwork.registry, now), now
        )
    except RegistryFault as fault:
        log.warning("whether messages arrive is looked at later: %s", fault)


def by_calendar(clockwork: Clockwork) -> None:
    """All quiet, the weekly test of the duty phone, reminders."""
    if not clockwork.leads or clockwork.mail is None or not clockwork.mail.firm:
        return
    try:
        reminders.tell(clockwork.registry, clockwork.mail.firm, clock.now(), clockwork.to_customers)
    except RegistryFault as fault:
        log.warning("what the calendar asks for waits: %s", fault)


def beat(clockwork: Clockwork) -> None:
    """A sign of life, with what Health shows."""
    try:
        name = PROGRAM if clockwork.leads else STAND_BY
        clockwork.waiting = outbox.outbox_counts(clockwork.registry, EVERYTHING, clock.now())
        unscoped.heartbeat(clockwork.registry, name, clock.now(), heartbeat_doc(clockwork))
    except RegistryFault as fault:
        _away(clockwork, fault)


def heartbeat_doc(clockwork: Clockwork) -> dict[str, Any]:
    """The scheduler's part of the Health page; `says` are sentences, worst first."""
    with clockwork.lock:
        turn = clockwork.last
        troubles = sorted(clockwork.memory.troubles.items())
        return {
            "started_at": clockwork.started_at,
            "pid": os.getpid(),
            "turns": clockwork.turns_done,
            "turn_s": round(turn.seconds, 3),
            "units": turn.units,
            "days": turn.days,
            "refused": turn.refused,
            "more_waiting": turn.more,
            "clock_behind_s": turn.behind_s,
            "faults": clockwork.memory.faults,
            "job_errors": clockwork.job_errors,
            "job_missed": clockwork.job_missed,
            "job_overlaps": clockwork.job_overlaps,
            "units_in_trouble": len(troubles),
            "says": _sentences(clockwork, turn, troubles),
        }


def _sentences(
    clockwork: Clockwork, turn: Turn, troubles: Sequence[tuple[str, Trouble]]
) -> list[str]:
    says = []
    if turn.behind_s:
        says.append(
            f"This machine's clock is {turn.behind_s} s behind the newest message: nothing is "
            "judged until it is set right."
        )
    if clockwork.down:
        says.append(clockwork.down)
    says += say.undelivered(
        clockwork.waiting.get("late", 0), clockwork.waiting.get("failed", 0), MESSAGE_LATE_S
    )
    says += [
        f"The rules failed on unit {unit} ({trouble.fault}, {trouble.count} times). Its readings "
        "are kept and it is tried again; see the log and report it."
        for unit, trouble in troubles[:TOLD_TROUBLES]
    ]
    return says


def _away(clockwork: Clockwork, fault: RegistryFault | StoreFault) -> None:
    with clockwork.lock:
        if clockwork.down != str(fault):
            log.warning("%s Trying again.", str(fault))
        clockwork.down = str(fault)
        clockwork.back_off_s = min(BACK_OFF_MOST_S, max(1.0, 2 * clockwork.back_off_s))
        clockwork.wait_until = time.monotonic() + clockwork.back_off_s


def background_scheduler(clockwork: Clockwork) -> BackgroundScheduler:
    """The scheduler with its jobs, not yet started: UTC, in memory, errors counted."""
    scheduler = BackgroundScheduler(
        timezone=UTC, jobstores={"default": MemoryJobStore()}, job_defaults=JOB_DEFAULTS
    )

    def listen(event: Any) -> None:
        with clockwork.lock:
            clockwork.job_errors += event.code == EVENT_JOB_ERROR
            clockwork.job_missed += event.code == EVENT_JOB_MISSED
            clockwork.job_overlaps += event.code == EVENT_JOB_MAX_INSTANCES
        if event.code == EVENT_JOB_ERROR:
            log.error("job %s failed: %s", event.job_id, type(event.exception).__name__)

    scheduler.add_listener(listen, EVENT_JOB_ERROR | EVENT_JOB_MISSED | EVENT_JOB_MAX_INSTANCES)
    scheduler.add_job(watch, "interval", seconds=WATCH_S, args=[clockwork], id="watch")
    scheduler.add_job(office, "interval", seconds=OFFICE_S, args=[clockwork], id="office")
    scheduler.add_job(plan, "interval", seconds=PLAN_S, args=[clockwork], id="plan")
    scheduler.add_job(send, "interval", seconds=SEND_S, args=[clockwork], id="send")
    scheduler.add_job(by_calendar, "interval", seconds=CALENDAR_S, args=[clockwork], id="calendar")
    scheduler.add_job(watch_outbox, "interval", seconds=CALENDAR_S, args=[clockwork], id="post")
    scheduler.add_job(beat, "interval", seconds=HEARTBEAT_S, args=[clockwork], id="heartbeat")
    return scheduler

"""`python -m scheduler`: wakes every two seconds and thinks about what has changed.

One process does it. On SQLite a lock file in the data folder sees to that; on PostgreSQL several may
run, one leads and the others stand by. Everything it needs to go on is in the registry, so a missed
or repeated turn costs nothing.
"""

from __future__ import annotations

import argparse
import contextlib
import fcntl
import logging
import os
import signal
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC
from pathlib import Path
from threading import Event, Lock
from typing import Any

from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_MAX_INSTANCES, EVENT_JOB_MISSED
from apscheduler.jobstores.memory import MemoryJobStore
from apscheduler.schedulers.background import BackgroundScheduler

from fleet import clock, settings
from fleet.faults import Fault, fault_from, no_fault
from fleet.history import History, open_history
from fleet.registry import notices as outbox
from fleet.registry import work
from fleet.registry.engine import Registry, open_registry
from fleet.registry.lead import Lead
from fleet.registry.sitecard import key_of
from fleet.registry.types import RegistryDown, RegistryFault
from fleet.settings import Settings, SettingsFault
from fleet.store import StoreFault
from fleet.words import notices as say
from scheduler import publishing, turns
from scheduler.notify import Mail
from scheduler.rounds import Travel
from scheduler.rules.reliability import triggers_of
from scheduler.turns import calendar, planning, sending

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
HEALTHY_S = 30
BACK_OFF_MOST_S = 60
TOLD_TROUBLES = 20
JOB_DEFAULTS = {"misfire_grace_time": None, "coalesce": True, "max_instances": 1}
"""A late job still runs, once, and never beside itself (APScheduler's own grace is one second)."""


class AlreadyRunning(Exception):
    """Another scheduler holds the lock of this data folder."""


@dataclass(slots=True)
class Desk:
    """What the jobs share: where things are, what they remember, what they have to say."""

    registry: Registry
    history: History
    memory: turns.Memory = field(default_factory=turns.Memory)
    lock: Lock = field(default_factory=Lock)
    last: turns.Turn = field(default_factory=turns.Turn)
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
    waiting: dict[str, int] = field(default_factory=dict)
    to_customers: bool = False
    travel: Travel | None = None
    lead: Lead = field(init=False)
    leads: bool = False
    demo: bool = False
    stopping: Event = field(default_factory=Event)

    def __post_init__(self) -> None:
        self.lead = Lead(self.registry)


def watch(desk: Desk) -> None:
    """One turn; when registry or store are away: say so once, wait longer each time, go on."""
    if time.monotonic() < desk.wait_until:
        return
    leads = desk.lead.held()
    if leads != desk.leads:
        log.info("leading" if leads else "standing by: another scheduler leads, or we are cut off")
        desk.leads, desk.took_over = leads, False
    if not leads:
        return
    try:
        turn = turns.watch(desk.registry, desk.history, clock.now(), WATCH_BUDGET_S, desk.memory)
    except (RegistryFault, StoreFault) as fault:
        _away(desk, fault)
        return
    with desk.lock:
        if desk.down:
            log.warning("working again")
        desk.last, desk.down, desk.back_off_s = turn, "", 0.0
        desk.turns_done += 1
    if turn.behind_s:
        log.error("the clock of this machine is %d s behind: nothing is judged", turn.behind_s)


def office(desk: Desk) -> None:
    """Due work as jobs, and the night's ask for rounds. While registry is away: the next time."""
    if not desk.leads:
        return
    try:
        now = clock.now()
        planning.sync_jobs(desk.registry, now)
        planning.night(desk.registry, now)
    except RegistryFault as fault:
        log.warning("jobs: %s", str(fault))


def plan(desk: Desk) -> None:
    """One plan that was asked for. In the demonstration the first is made and published unasked."""
    if not desk.leads:
        return
    try:
        if desk.demo and planning.demonstrate(desk.registry, clock.now()):
            return
        planning.answer(desk.registry, clock.now(), desk.stopping.is_set, desk.travel)
    except RegistryFault as fault:
        log.warning("rounds: %s", str(fault))


def send(desk: Desk) -> None:
    """Deliver what waits in the outbox."""
    if not desk.leads or desk.mail is None:
        return
    try:
        if not desk.took_over:
            outbox.release(desk.registry, clock.now())
            desk.took_over = True
        sending.send(desk.registry, desk.mail, desk.key, clock.now(), desk.fault)
    except RegistryFault as fault:
        log.warning("messages wait: %s", fault)


def by_calendar(desk: Desk) -> None:
    """All quiet, the weekly test of the duty phone, reminders."""
    if not desk.leads or desk.mail is None or not desk.mail.firm:
        return
    try:
        calendar.tell(desk.registry, desk.mail.firm, clock.now(), desk.to_customers)
    except RegistryFault as fault:
        log.warning("what the calendar asks for waits: %s", fault)


def beat(desk: Desk) -> None:
    """A sign of life, with what Health shows."""
    try:
        name = PROGRAM if desk.leads else STAND_BY
        desk.waiting = outbox.outbox_counts(desk.registry, clock.now())
        work.heartbeat(desk.registry, name, clock.now(), heartbeat_doc(desk))
    except RegistryFault as fault:
        _away(desk, fault)


def heartbeat_doc(desk: Desk) -> dict[str, Any]:
    """The scheduler's part of the Health page; `says` are sentences, worst first."""
    with desk.lock:
        turn = desk.last
        troubles = sorted(desk.memory.troubles.items())
        return {
            "started_at": desk.started_at,
            "pid": os.getpid(),
            "turns": desk.turns_done,
            "turn_s": round(turn.seconds, 3),
            "units": turn.units,
            "days": turn.days,
            "refused": turn.refused,
            "more_waiting": turn.more,
            "clock_behind_s": turn.behind_s,
            "faults": desk.memory.faults,
            "job_errors": desk.job_errors,
            "job_missed": desk.job_missed,
            "job_overlaps": desk.job_overlaps,
            "units_in_trouble": len(troubles),
            "says": _sentences(desk, turn, troubles),
        }


def _sentences(
    desk: Desk, turn: turns.Turn, troubles: Sequence[tuple[str, turns.Trouble]]
) -> list[str]:
    says = []
    if turn.behind_s:
        says.append(
            f"This machine's clock is {turn.behind_s} s behind the newest message: nothing is "
            "judged until it is set right."
        )
    if desk.down:
        says.append(desk.down)
    says += say.undelivered(desk.waiting.get("late", 0), desk.waiting.get("failed", 0))
    says += [
        f"The rules failed on unit {unit} ({trouble.fault}, {trouble.count} times). Its readings "
        "are kept and it is tried again; see the log and report it."
        for unit, trouble in troubles[:TOLD_TROUBLES]
    ]
    return says


def _away(desk: Desk, fault: RegistryFault | StoreFault) -> None:
    with desk.lock:
        if desk.down != str(fault):
            log.warning("%s Trying again.", str(fault))
        desk.down = str(fault)
        desk.back_off_s = min(BACK_OFF_MOST_S, max(1.0, 2 * desk.back_off_s))
        desk.wait_until = time.monotonic() + desk.back_off_s


def tamed(desk: Desk) -> BackgroundScheduler:
    """The scheduler with its jobs, not yet started: UTC, in memory, errors counted."""
    scheduler = BackgroundScheduler(
        timezone=UTC, jobstores={"default": MemoryJobStore()}, job_defaults=JOB_DEFAULTS
    )

    def listen(event: Any) -> None:
        with desk.lock:
            desk.job_errors += event.code == EVENT_JOB_ERROR
            desk.job_missed += event.code == EVENT_JOB_MISSED
            desk.job_overlaps += event.code == EVENT_JOB_MAX_INSTANCES
        if event.code == EVENT_JOB_ERROR:
            log.error("job %s failed: %s", event.job_id, type(event.exception).__name__)

    scheduler.add_listener(listen, EVENT_JOB_ERROR | EVENT_JOB_MISSED | EVENT_JOB_MAX_INSTANCES)
    scheduler.add_job(watch, "interval", seconds=WATCH_S, args=[desk], id="watch")
    scheduler.add_job(office, "interval", seconds=OFFICE_S, args=[desk], id="office")
    scheduler.add_job(plan, "interval", seconds=PLAN_S, args=[desk], id="plan")
    scheduler.add_job(send, "interval", seconds=SEND_S, args=[desk], id="send")
    scheduler.add_job(by_calendar, "interval", seconds=CALENDAR_S, args=[desk], id="calendar")
    scheduler.add_job(beat, "interval", seconds=HEARTBEAT_S, args=[desk], id="heartbeat")
    return scheduler


@contextlib.contextmanager
def only_one(data: Path) -> Iterator[None]:
    """Hold the lock of this data folder. Raises AlreadyRunning."""
    folder = data / "locks"
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / "scheduler.lock").open("a+") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise AlreadyRunning(
                f"Another scheduler works on {data}. Stop it first, or give another --data."
            ) from None
        file.truncate(0)
        file.write(f"{os.getpid()}\n")
        file.flush()
        yield


def _alone(loaded: Settings) -> contextlib.AbstractContextManager[None]:
    """The lock file, where the registry cannot say itself who leads."""
    if loaded.registry_url.startswith("postgres"):
        return contextlib.nullcontext()
    return only_one(loaded.data)


def run(loaded: Settings, stop: Event) -> None:
    """Work until `stop` is set. Raises AlreadyRunning, RegistryFault or StoreFault."""
    with _alone(loaded):
        desk = _open(loaded, stop)
        if desk is None:
            return
        desk.leads, desk.demo, desk.stopping = desk.lead.held(), loaded.demo, stop
        scheduler = tamed(desk)
        scheduler.start()
        beat(desk)
        log.info("scheduler ready")
        stop.wait()
        scheduler.shutdown(wait=True)
        _close(desk)
        log.info("scheduler stopped")


def once(loaded: Settings) -> turns.Turn:
    """Work through everything that waits, then return. Raises AlreadyRunning."""
    with _alone(loaded):
        desk = _desk(loaded)
        desk.leads = desk.lead.held()
        if not desk.leads:
            _close(desk)
            raise AlreadyRunning("Another scheduler leads on this registry: stop it first.")
        desk.last = turns.work_through(desk.registry, desk.history, clock.now(), desk.memory)
        beat(desk)
        _close(desk)
        return desk.last


def _open(loaded: Settings, stop: Event) -> Desk | None:
    """Registry and store, waited for while they are away; None when stopped meanwhile."""
    pause = 1.0
    while not stop.is_set():
        try:
            return _desk(loaded)
        except RegistryDown as fault:
            log.warning("%s Trying again in %.0f s.", str(fault), pause)
            stop.wait(pause)
            pause = min(BACK_OFF_MOST_S, 2 * pause)
    return None


def _desk(loaded: Settings) -> Desk:
    """A desk that knows what the settings say of the rules. Raises SettingsFault."""
    try:
        triggers = triggers_of(loaded.start_target, loaded.start_triggers)
    except ValueError as fault:
        raise SettingsFault(f"start_target or start_triggers: {fault}.") from None
    desk = Desk(*_open_now(loaded))
    desk.memory.triggers = triggers
    loaded.data.mkdir(parents=True, exist_ok=True)
    desk.mail, desk.key = sending.mail_of(loaded), key_of(loaded)
    desk.fault = fault_from(os.environ)
    desk.to_customers = loaded.remind_customers
    desk.travel = publishing.road(loaded.road_table_url)
    return desk


def _open_now(loaded: Settings) -> tuple[Registry, History]:
    registry = open_registry(loaded)
    try:
        return registry, open_history(loaded, registry)
    except StoreFault:
        registry.close()
        raise


def _close(desk: Desk) -> None:
    desk.lead.give_up()
    desk.history.close()
    desk.registry.close()


def health(loaded: Settings) -> str:
    """Empty when the scheduler lives, else a sentence."""
    registry = open_registry(loaded)
    try:
        beats = work.heartbeats(registry)
        found = max((beats[name] for name in (PROGRAM, STAND_BY) if name in beats),
                    key=lambda beat: beat[0], default=None)  # fmt: skip
    finally:
        registry.close()
    if found is None:
        return "The scheduler has never run on this data folder."
    age = clock.now() - found[0]
    return "" if age <= HEALTHY_S else f"The scheduler gave its last sign of life {age} s ago."


def main(arguments: Sequence[str] | None = None) -> int:
    """Exit codes: 0 done, 1 not healthy or in trouble, 2 cannot start as told."""
    parser = argparse.ArgumentParser(
        prog="python -m scheduler",
        description="Works out days, findings, due work and alerts from what was received.",
        epilog="example: python -m scheduler --data /var/lib/hourhand",
    )
    parser.add_argument("--data", type=Path, help="data folder (default: see settings)")
    parser.add_argument("--health", action="store_true", help="say whether it runs, and leave")
    parser.add_argument("--once", action="store_true", help="work through what waits, and leave")
    options = parser.parse_args(arguments)
    try:
        loaded = settings.load(options.data, os.environ)
        _speak(loaded.log_level)
        if options.health:
            wrong = health(loaded)
            return _tell(wrong or "The scheduler lives.", bool(wrong))
        if options.once:
            turn = once(loaded)
            return _tell(f"{turn.units} units, {turn.days} days written.", turn.failed > 0)
        stop = Event()
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: stop.set())
        run(loaded, stop)
    except (SettingsFault, AlreadyRunning) as fault:
        sys.stderr.write(f"{fault}\n")
        return 2
    except (RegistryFault, StoreFault) as fault:
        sys.stderr.write(f"{fault}\n")
        return 1
    return 0


def _tell(words: str, bad: bool) -> int:
    sys.stdout.write(words + "\n")
    return int(bad)


def _speak(level: str) -> None:
    logging.basicConfig(
        level=level.upper(), stream=sys.stderr, format="%(asctime)s %(levelname)s %(message)s"
    )
    logging.getLogger("apscheduler").setLevel(logging.ERROR)


if __name__ == "__main__":
    sys.exit(main())

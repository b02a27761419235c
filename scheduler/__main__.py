"""`python -m scheduler`: wakes every two seconds and thinks about what has changed.

One process does it. On SQLite a lock file in the data folder sees to that; on PostgreSQL several may
run, one leads and the others stand by. Everything it needs to go on is in the registry, so a missed
or repeated turn costs nothing.
"""

from __future__ import annotations

import argparse
import contextlib
import fcntl
import gc
import logging
import os
import signal
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from threading import Event

from fleet import clock, settings
from fleet.ending import Ending, fault_from
from fleet.history import open_history
from fleet.past import refuse_replayed
from fleet.private import make_file, make_folder
from fleet.registry import unscoped
from fleet.registry.base.engine import Registry, open_registry
from fleet.registry.base.faults import RegistryFault
from fleet.registry.base.retry import open_when_up
from fleet.registry.office.sitecard import key_of
from fleet.settings import Settings, SettingsFault
from fleet.store import StoreFault
from scheduler import publishing, turns
from scheduler.rules.reliability import Triggers, triggers_of
from scheduler.turns import Memory, sending
from scheduler.turns.clockwork import PROGRAM, STAND_BY, Clockwork, background_scheduler, beat, send
from scheduler.turns.day_cache import MB, DayCache

log = logging.getLogger("hourhand.scheduler")

HEALTHY_S = 30
"""A sign of life older than six of its periods: the program hangs or is gone. A pace of ours."""


class AlreadyRunning(Exception):
    """Another scheduler holds the lock of this data folder."""


@contextlib.contextmanager
def only_one(data: Path) -> Iterator[None]:
    """Hold the lock of this data folder. Raises AlreadyRunning."""
    folder = data / "locks"
    make_folder(folder)
    make_file(folder / "scheduler.lock")
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
        registry = open_when_up(loaded, stop, log.warning)
        if registry is None:
            return
        clockwork = _clockwork(loaded, registry)
        clockwork.leads, clockwork.stopping = clockwork.lead.held(), stop
        scheduler = background_scheduler(clockwork)
        gc.collect()
        gc.freeze()  # what is loaded now stays: no search for garbage goes through it again
        scheduler.start()
        beat(clockwork)
        log.info("scheduler ready")
        stop.wait()
        scheduler.shutdown(wait=True)
        send(clockwork)  # what is under way is written down
        _close(clockwork)
        log.info("scheduler stopped")


def once(loaded: Settings) -> turns.Turn:
    """Work through everything that waits, then return. Raises AlreadyRunning."""
    with _alone(loaded):
        clockwork = _clockwork(loaded, open_registry(loaded))
        clockwork.leads = clockwork.lead.held()
        if not clockwork.leads:
            _close(clockwork)
            raise AlreadyRunning("Another scheduler leads on this registry: stop it first.")
        clockwork.last = turns.work_through(
            clockwork.registry, clockwork.history, clock.now(), clockwork.memory
        )
        beat(clockwork)
        _close(clockwork)
        return clockwork.last


def _clockwork(loaded: Settings, registry: Registry) -> Clockwork:
    """A clockwork that knows what the settings say; the registry is closed where there can be none.

    Raises SettingsFault, StoreFault, RegistryFault.
    """
    try:
        make_folder(loaded.data)
        day_cache, fault = DayCache(limit=loaded.scheduler_memory_mb * MB), fault_from(os.environ)
        memory = Memory(triggers=_triggers(loaded), day_cache=day_cache, fault=fault)
        return Clockwork(
            registry,
            open_history(loaded, registry),
            memory=memory,
            key=key_of(loaded),
            mail=sending.mail_of(loaded),
            fault=fault,
            to_customers=loaded.remind_customers,
            travel=publishing.road(loaded.road_table_url),
            demo=loaded.demo,
        )
    except Exception:
        registry.close()
        raise


def _triggers(loaded: Settings) -> Triggers:
    try:
        return triggers_of(loaded.start_target, loaded.start_triggers)
    except ValueError as fault:
        raise SettingsFault(f"start_target or start_triggers: {fault}.") from None


def _close(clockwork: Clockwork) -> None:
    clockwork.lead.give_up()
    clockwork.history.close()
    clockwork.registry.close()


def health(loaded: Settings) -> str:
    """Empty when the scheduler lives, else a sentence."""
    registry = open_registry(loaded)
    try:
        beats = unscoped.heartbeats(registry)
        found = max(
            (beats[name] for name in (PROGRAM, STAND_BY) if name in beats),
            key=lambda beat: beat[0],
            default=None,
        )
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
        settings.own(loaded.data)
        if options.health:
            wrong = health(loaded)
            return _tell(wrong or "The scheduler lives.", bool(wrong))
        refuse_replayed(loaded.data)
        if options.once:
            turn = once(loaded)
            return _tell(f"{turn.units} units, {turn.days} days written.", turn.failed > 0)
        stop = Ending()
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

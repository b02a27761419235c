"""The whole service following a recording: every line at its receipt, every look it would have made.

Faster than life, because nothing waits, and because looks that cannot change anything are passed over
(`scheduler.turns.next_look`). The clock is the recording's: it stands at the second of a look, the
lines received since the look before are taken, then it looks, as ingest and scheduler do beside each
other. Nothing here can carry a message: no sender is made, and a notice that may leave is counted as told.

Killed at any moment and begun again it goes on: a line is taken with the mark of its file in one
transaction, the look that was cut off is made again at the same second, and what the scheduler
remembers of the looks before is read back.
"""

from __future__ import annotations

import itertools
import sqlite3
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import msgspec

from fleet.history import History
from fleet.model import EVERYTHING, Quarantined
from fleet.past import FILE, Past, replayed
from fleet.registry import lists, unscoped
from fleet.registry.base.engine import Registry, open_registry
from fleet.registry.told import alerts, outbox
from fleet.settings import Settings
from fleet.store.embedded import EmbeddedStore
from hourhand.recorded.lines import Line, in_order
from ingest.cache import Cache
from ingest.intake import Intake, take
from ingest.wire import Message
from scheduler import turns
from scheduler.rules.reliability import triggers_of
from scheduler.rules.usage import Prior
from scheduler.turns import watching
from scheduler.turns.alerting import OfficeCache
from scheduler.turns.clockwork import WATCH_S
from scheduler.turns.day_cache import MB, DayCache
from scheduler.turns.next_look import next_look, pass_over

PROGRAM = "replay"
PRIORS = "replay priors"
TEND_S = 3_600
TEND_BUDGET_S = 5.0
"""Every hour of the recording the store packs what is old, at most so long: a pace of ours."""
CHANGES = 500
"""A size of a batch."""
TOLD = "A recording was followed: nobody was sent anything."

_marks = dict[str, tuple[int, Prior]]


class FollowFault(Exception):
    """What stands in the way. A sentence: what is wrong and what to do."""


class Followed(msgspec.Struct, frozen=True, kw_only=True):
    """How far the following has come. Moments [s UTC]; looks made, and how many there would have been.

    out_of_order: lines received before a line above them; refused: lines and entries set aside.
    """

    begun_at: int = 0
    at: int = 0
    messages: int = 0
    refused: int = 0
    out_of_order: int = 0
    looks: int = 0
    looks_in_all: int = 0

    @property
    def days(self) -> float:
        """Length of what was followed [d]."""
        return (self.at - self.begun_at) / 86_400


class _Stand(msgspec.Struct, frozen=True, kw_only=True):
    """What is kept before each look, so that it can be made again."""

    so_far: Followed
    looked_at: int = 0
    escalated_at: int = 0
    areas: list[str] = []
    sites: list[str] = []
    news: list[tuple[str, str]] = []
    tended_at: int = 0
    over: bool = False


class Following:
    """A folder in which a recording is followed. every_look: pass over none. look_s: from one look to
    the next."""

    def __init__(self, settings: Settings, every_look: bool = False, look_s: int = WATCH_S) -> None:
        """Opens the folder, made where it is missing. Raises FollowFault where it is a service's own,
        StoreFault where another replay writes there, RegistryFault."""
        data = settings.data
        if not replayed(data) and (data / "registry.db").exists():
            raise FollowFault(
                f"{data} is the folder of a service: a recording is followed in a folder of its own. "
                "Give another with --data."
            )
        self._store = EmbeddedStore(data / "store.db", writing=True)
        self._every_look, self._look_s = every_look, look_s
        try:
            self._past = Past(data, writing=True)
            self.registry: Registry = open_registry(f"sqlite:///{data / 'registry.db'}")
        except (OSError, sqlite3.Error) as fault:
            self._store.close()
            raise FollowFault(f"{data / FILE} cannot be opened: {fault}.") from fault
        except BaseException:
            self._store.close()
            raise
        self._hasten()
        self._history = History(self.registry, self._store)
        limit = settings.scheduler_memory_mb * MB
        triggers = triggers_of(settings.start_target, settings.start_triggers)
        self._memory = turns.Memory(
            triggers=triggers,
            day_cache=DayCache(limit=limit),
            office=OfficeCache(again_s=float("inf")),
        )
        self._cache = Cache(data / "profiles")
        self._priors: dict[str, int] = {}
        self._due: int | None = None
        self._past_change = self._past.followed()
        self._stand = self._read_back()

    def close(self) -> None:
        """Let go of every file."""
        self._past.close()
        self._store.close()
        self.registry.close()

    def __enter__(self) -> Following:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def so_far(self) -> Followed:
        """How far it has come."""
        return self._stand.so_far

    def follow(
        self,
        files: Sequence[Path],
        until: int | None = None,
        tell: Callable[[Followed], None] = lambda _: None,
    ) -> Followed:
        """Follow these files to their end, or to a moment [s UTC] before or after it.

        tell: called after each look. Raises OSError where a file cannot be read, FollowFault where
        two have one name, RegistryFault, StoreFault.
        """
        names = Counter(path.name for path in files)
        twice = [name for name, n in names.items() if n > 1]
        if twice:
            raise FollowFault(f"Two files are called {twice[0]}: give them different names.")
        lines = in_order(files, unscoped.inbox_marks(self.registry))
        ahead = next(lines, None)
        if self._stand.over:
            self._due = self.so_far.at + self._look_s
        elif self.so_far.at:
            ahead = self._go_on(ahead, lines)
            tell(self.so_far)
        while True:
            at = self._next(ahead, until)
            if at is None:
                break
            ahead = self._at(at, ahead, lines)
            tell(self.so_far)
        self._settle(until)
        return self.so_far

    # ---- one look

    def _next(self, ahead: Line | None, until: int | None) -> int | None:
        """The second of the next look; None where there is none any more."""
        held = self.so_far.at
        if not held:
            return None if ahead is None else self._first(ahead.at)
        if ahead is None and until is None:
            return None
        moments = [] if self._due is None else [self._due]
        if ahead is not None:
            moments.append(max(self._first(ahead.at), held + self._look_s))
        at = min(moments, default=None)
        return at if at is None or until is None or at <= self._before(until) else None

    def _at(self, at: int, ahead: Line | None, lines: Iterator[Line]) -> Line | None:
        """The look of a second, with the lines received by then. Returns the first line after it."""
        so_far, places = self.so_far, self._memory.places
        if so_far.at:
            pass_over(places, so_far.at, at, self._look_s)
        begun = so_far.begun_at or at
        self._stand = _Stand(
            so_far=msgspec.structs.replace(so_far, at=at, begun_at=begun),
            looked_at=places.looked_at,
            escalated_at=places.escalated_at,
            areas=sorted(places.areas),
            sites=sorted(places.sites),
            news=sorted(places.news),
            tended_at=self._stand.tended_at,
        )
        self._keep_stand()
        return self._look(at, ahead, lines)

    def _look(self, at: int, ahead: Line | None, lines: Iterator[Line]) -> Line | None:
        retained, ahead = self._take(at, ahead, lines)
        turn = watching.watch(self.registry, self._history, at, float("inf"), self._memory)
        outbox.put_down(self.registry, at, TOLD)
        self._keep_priors()
        self._keep_past(turn.units > 0)
        so_far = self.so_far
        whole = (at - so_far.begun_at) // self._look_s + 1
        so_far = msgspec.structs.replace(so_far, looks=so_far.looks + 1, looks_in_all=whole)
        self._stand = msgspec.structs.replace(self._stand, so_far=so_far)
        if at - self._stand.tended_at >= TEND_S:
            self._store.tend(at, TEND_BUDGET_S)
            self._stand = msgspec.structs.replace(self._stand, tended_at=at)
        following = at + self._look_s
        if self._every_look or (ahead is not None and ahead.at <= following):
            self._due = following
            return ahead
        found = [
            next_look(self.registry, self._memory, turn, at, self._look_s, retained),
            outbox.next_leaving(self.registry),
        ]
        moments = [max(self._first(m), following) for m in found if m is not None]
        self._due = min(moments, default=None)
        return ahead

    def _take(self, at: int, ahead: Line | None, lines: Iterator[Line]) -> tuple[bool, Line | None]:
        """Take the lines received by then, a file at a time; whether one was a retained message."""
        here: list[Line] = []
        while ahead is not None and ahead.at <= at:
            here.append(ahead)
            ahead = next(lines, None)
        taken, aside = 0, 0
        here.sort(key=lambda line: line.file)
        for _, some in itertools.groupby(here, key=lambda line: line.file):
            of_file = list(some)
            messages = [line.found for line in of_file if isinstance(line.found, Message)]
            bad = [line.found for line in of_file if isinstance(line.found, Quarantined)]
            into = Intake(self._store, self.registry, self._cache, at)
            found = take(messages, into, inbox=of_file[-1].mark, aside=bad)
            taken += found.messages
            aside += found.quarantined
        if here:
            so_far = self.so_far
            so_far = msgspec.structs.replace(
                so_far,
                messages=so_far.messages + taken,
                refused=so_far.refused + aside,
                out_of_order=so_far.out_of_order + sum(line.late for line in here),
            )
            self._stand = msgspec.structs.replace(self._stand, so_far=so_far)
        retained = any(isinstance(one.found, Message) and one.found.retain for one in here)
        return retained, ahead

    def _first(self, moment: int) -> int:
        """The first look at or after a moment."""
        return self._look_s * -(-moment // self._look_s)

    def _before(self, moment: int) -> int:
        """The last look at or before a moment."""
        return moment // self._look_s * self._look_s

    # ---- what is kept beside the registry

    def _keep_stand(self) -> None:
        doc: dict[str, Any] = msgspec.to_builtins(self._stand)
        unscoped.heartbeat(self.registry, PROGRAM, self.so_far.at, doc)

    def _keep_priors(self) -> None:
        held = {area: at for area, (at, _) in self._memory.priors.items()}
        if held != self._priors:
            doc: dict[str, Any] = msgspec.to_builtins(self._memory.priors)
            unscoped.heartbeat(self.registry, PRIORS, self.so_far.at, doc)
            self._priors = held

    def _keep_past(self, looked: bool) -> None:
        if not looked:
            return
        newest = self._past_change
        units: set[str] = set()
        while rows := lists.changes_since(self.registry, EVERYTHING, newest, CHANGES):
            newest = rows[-1][0]
            units.update(unit for _, _, unit in rows if unit)
            if len(rows) < CHANGES:
                break
        if newest == self._past_change:
            return
        self._past.keep(unscoped.summaries(self.registry, units), newest)
        self._past_change = newest

    def _read_back(self) -> _Stand:
        """Where it stood, as kept before the look that may have been cut off."""
        beats = unscoped.heartbeats(self.registry)
        if PRIORS in beats:
            self._memory.priors.update(msgspec.convert(beats[PRIORS][1], _marks))
            self._priors = {area: at for area, (at, _) in self._memory.priors.items()}
        if PROGRAM not in beats:
            return _Stand(so_far=Followed())
        stand = msgspec.convert(beats[PROGRAM][1], _Stand)
        places = self._memory.places
        places.looked_at, places.escalated_at = stand.looked_at, stand.escalated_at
        places.areas, places.sites = set(stand.areas), set(stand.sites)
        places.news = set(stand.news)
        return stand

    def _go_on(self, ahead: Line | None, lines: Iterator[Line]) -> Line | None:
        """Make the look again that may have been cut off: with the units it had written already."""
        at = self.so_far.at
        for name in self._written_at(at):
            inputs = unscoped.unit_inputs(self.registry, name)
            row = lists.unit(self.registry, EVERYTHING, name)
            if inputs is not None and row is not None and row.summary is not None:
                self._memory.places.note(inputs, row.summary)
        return self._look(at, ahead, lines)

    def _written_at(self, at: int) -> list[str]:
        found: list[str] = []
        cursor: str | None = None
        while rows := lists.units(self.registry, EVERYTHING, limit=1000, cursor=cursor):
            found += [r.unit.id for r in rows if r.summary is not None and r.summary.at == at]
            cursor = rows[-1].unit.id
        return found

    def _settle(self, until: int | None) -> None:
        """All is followed: the next one goes on after it."""
        if not self.so_far.at:
            return
        so_far = self.so_far
        end = max(so_far.at, self._before(until) if until is not None else 0)
        whole = (end - so_far.begun_at) // self._look_s + 1
        pass_over(self._memory.places, so_far.at, end + self._look_s, self._look_s)
        places = self._memory.places
        self._stand = msgspec.structs.replace(
            self._stand,
            so_far=msgspec.structs.replace(so_far, at=end, looks_in_all=whole),
            looked_at=places.looked_at,
            escalated_at=places.escalated_at,
            areas=sorted(places.areas),
            sites=sorted(places.sites),
            news=sorted(places.news),
            over=True,
        )
        self._keep_stand()

    def _hasten(self) -> None:
        """No write waits for the disk: what a crash of the machine loses is followed once more."""
        self.registry.hasten()
        if self._store.writer is not None:
            self._store.writer.db.execute("PRAGMA synchronous=OFF")

    def alerts(self) -> Counter[str]:
        """How many alerts were raised, by severity."""
        return Counter(e.severity for e in alerts.history(self.registry, EVERYTHING, 0))

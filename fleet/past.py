"""What was known of each unit, and when: written while a recording is followed, read as of a moment.

A registry holds what is known now. Here stand the summaries of the units as they were one after the
other, so that a question about a moment is answered with what was known then and not with what is
known now of then: a reading that came three days late changes nothing that stands here.

The file also marks its folder: nothing in it may be sent to anybody, now or later (`replayed`).
"""

from __future__ import annotations

import sqlite3
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

import msgspec

from fleet.model import Episode, UnitSummary
from fleet.private import make_file
from fleet.registry.base import documents
from fleet.settings import Settings, SettingsFault

FILE = "past.db"
OF_A_REPLAY = (
    "{} holds a recording that was followed. It can be looked at, and be followed further with "
    "`hourhand replay --as-recorded`; nothing else goes on there, so that nobody is told of the past."
)
NO_PAST = (
    "{} keeps what is known now. What was known at a moment is answered from a folder in which a "
    "recording was followed: `hourhand replay --as-recorded`."
)
AGAIN_S = 3_600
"""A summary in which only figures moved is kept again after an hour: a pace of ours."""
_TABLES = """
CREATE TABLE IF NOT EXISTS known (
    unit TEXT NOT NULL, at INTEGER NOT NULL, doc BLOB NOT NULL, PRIMARY KEY (unit, at)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS followed (change INTEGER NOT NULL);
"""

Seen = tuple[object, ...]


def replayed(data: Path) -> bool:
    """Whether a data folder holds a recording that was followed, which no program goes on with."""
    return (data / FILE).exists()


def refuse_replayed(data: Path) -> None:
    """Raises SettingsFault for such a folder: whoever went on with it might tell people of the past."""
    if replayed(data):
        raise SettingsFault(OF_A_REPLAY.format(data))


def settled(settings: Settings) -> Settings:
    """The settings of a folder: where a recording was followed, registry and readings lie in it."""
    if not replayed(settings.data):
        return settings
    return msgspec.structs.replace(settings, registry_url="", store="embedded")


def gist(summary: UnitSummary) -> Seen:
    """What of a summary is kept as soon as it changes; the rest is figures and moments."""
    ready, due, run = summary.readiness, summary.next_due, summary.last_run
    hours = summary.hours.hours_h
    return (
        summary.condition,
        None if ready is None else (ready.state, ready.why, ready.others, ready.proof_at),
        None if hours is None else round(hours, 1),
        tuple((f.kind, f.part, f.severity, f.since) for f in summary.findings),
        (summary.mains.state, summary.mains.last, summary.mains.since),
        None if run is None else (run.start, run.end),
        None if due is None else (due.task, due.state),
        summary.demands,
        summary.demands_failed,
    )


class Past:
    """The file in a data folder. Raises OSError or sqlite3.Error where it cannot be opened."""

    def __init__(self, data: Path, writing: bool = False) -> None:
        path = data / FILE
        if writing:
            make_file(path)
        how = "rw" if writing else "ro"
        self._db = sqlite3.connect(
            f"{path.absolute().as_uri()}?mode={how}",
            uri=True,
            isolation_level=None,
            check_same_thread=False,
        )
        self._last: dict[str, tuple[int, Seen]] = {}
        if writing:
            self._db.execute("PRAGMA synchronous=OFF")
            self._db.executescript(_TABLES)

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()

    def followed(self) -> int:
        """Number of the newest change row whose unit was looked at for keeping."""
        found = self._db.execute("SELECT change FROM followed").fetchone()
        return int(found[0]) if found else 0

    def keep(self, summaries: Iterable[UnitSummary], change: int) -> None:
        """Keep what differs from what was kept last of a unit, or is an hour newer.

        change: number of the newest change row these were read for."""
        with self._transaction():
            for one in summaries:
                seen = gist(one)
                at, before = self._last_of(one.unit)
                if before == seen and one.at - at < AGAIN_S:
                    continue
                row = (one.unit, one.at, zlib.compress(documents.encode(one), 6))
                self._db.execute("INSERT OR REPLACE INTO known VALUES (?, ?, ?)", row)
                self._last[one.unit] = (one.at, seen)
            self._db.execute("DELETE FROM followed")
            self._db.execute("INSERT INTO followed VALUES (?)", (change,))

    def summary(self, unit: str, at: int) -> UnitSummary | None:
        """What was known of a unit at a moment [s UTC]; None: nothing yet. Whoever asks has looked
        up the unit under a Scope."""
        query = "SELECT doc FROM known WHERE unit = ? AND at <= ? ORDER BY at DESC LIMIT 1"
        found = self._db.execute(query, (unit, at)).fetchone()
        return None if found is None else documents.summary(zlib.decompress(found[0]))

    def span(self) -> tuple[int, int] | None:
        """The first and the newest moment of which anything is known [s UTC]; None: nothing yet."""
        first, last = self._db.execute("SELECT min(at), max(at) FROM known").fetchone()
        return None if first is None else (int(first), int(last))

    def _last_of(self, unit: str) -> tuple[int, Seen]:
        if unit not in self._last:
            newest = self.summary(unit, 2**62)
            self._last[unit] = (0, ()) if newest is None else (newest.at, gist(newest))
        return self._last[unit]

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            self._db.execute("ROLLBACK")
            raise
        self._db.execute("COMMIT")


def episode_as_of(episode: Episode, at: int) -> Episode | None:
    """An alert as it stood at a moment [s UTC]: only the steps taken by then; None where it had not
    been raised, or was over."""
    steps = tuple(step for step in episode.steps if step.at <= at)
    if episode.opened_at > at or (episode.closed_at is not None and episode.closed_at <= at):
        return None
    told = [step.finding for step in steps if step.finding is not None]
    finding = told[-1] if told else episode.finding
    answered = [s.at for s in steps if s.kind == "acknowledged"]
    return msgspec.structs.replace(
        episode,
        steps=steps,
        finding=finding,
        severity=finding.severity,
        closed_at=None,
        acknowledged_at=answered[-1] if answered else None,
    )

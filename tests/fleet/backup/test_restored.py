"""What a restored registry forgets and does again."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import seeding
import sqlalchemy as sa
from backups import LATER, restore, rows, take
from seeding import DAY_S, NOW

from fleet import backup
from fleet.history import History
from fleet.model import EVERYTHING, Notice, Reading
from fleet.registry import lists, people, unscoped
from fleet.registry.base import tables
from fleet.registry.base.engine import HEAD, Registry, open_registry, schema_of
from fleet.registry.told import outbox
from fleet.registry.told.outbox import GIVE_UP_S
from fleet.settings import Settings
from fleet.store import open_store
from fleet.words import notice_sentences
from scheduler.turns import Memory, work_through

pytest_plugins = ["backups"]
pytestmark = pytest.mark.sqlite_only


# ---- what a restored registry forgets and does again


@pytest.fixture
def opened(data: Path) -> Iterator[Registry]:
    registry = open_registry(f"sqlite:///{data}/registry.db")
    yield registry
    registry.close()


def notice(n: int, not_before: int) -> Notice:
    return Notice(
        id=f"n{n}",
        cause=f"c{n}",
        step="1",
        person=f"p{n}",
        way="email",
        kind="alert",
        subject="Act now: Mill",
        body="Mill\nIt did not start.",
        made_at=not_before,
        not_before=not_before,
    )


def test_what_waited_leaves_again_and_says_so_unless_it_is_old(
    data: Path, opened: Registry, tmp_path: Path
) -> None:
    early, fresh, taken, done, coming = range(5)
    at = {
        early: LATER - GIVE_UP_S - 1,
        fresh: NOW - 60,
        taken: NOW - 61,
        done: NOW - 62,
        coming: LATER + 9000,
    }
    outbox.put_notices(opened, [notice(n, when) for n, when in at.items()], NOW)
    with opened.write() as connection:
        for n, state in ((taken, "claimed"), (done, "sent")):
            connection.execute(
                sa.update(tables.notice)
                .where(tables.notice.c.id == f"n{n}")
                .values(state=state, again_at=LATER + 300)
            )
    take(data, tmp_path / "b.zip")
    settled = restore(tmp_path / "b.zip", tmp_path / "new").settled
    assert (settled.again, settled.given_up) == (3, 1)
    registry = open_registry(f"sqlite:///{tmp_path}/new/registry.db")
    with registry.read() as connection:
        found = {r.id: r for r in connection.execute(sa.select(tables.notice))}
    assert found["n0"].state == "failed"
    assert found[f"n{done}"].state == "sent"
    claimed = outbox.claim(registry, LATER, "email", 10)
    assert {one.notice.id for one in claimed} == {f"n{fresh}", f"n{taken}"}
    for one in claimed:
        assert one.notice.body.startswith("Mill\nIt did not start.")
        assert one.notice.body.endswith(notice_sentences.perhaps_again(NOW))
    assert "25 Nov 2026 07:05 UTC" in notice_sentences.perhaps_again(NOW)
    registry.close()


def test_everybody_signs_in_again_and_no_program_seems_to_run(
    data: Path, opened: Registry, tmp_path: Path
) -> None:
    unscoped.heartbeat(opened, "ingest", NOW, {})
    people.make_set_up_code(opened, NOW)
    assert restored_after(data, tmp_path).settled.signed_out == 1
    new = tmp_path / "new" / "registry.db"
    for table in ("session", "invitation", "heartbeat"):
        assert rows(new, f"SELECT count(*) FROM {table}") == [(0,)], table
    assert rows(new, "SELECT count(*) FROM api_token") == [(1,)]
    registry = open_registry(f"sqlite:///{new}")
    assert people.by_login(registry, "ann@example.org") is not None
    (row,) = people.audit(registry, kind="restored")
    assert (row.who, row.at, row.detail) == (
        "hourhand restore",
        LATER,
        "backup of 25 Nov 2026 07:05 UTC",
    )
    registry.close()


def restored_after(data: Path, tmp_path: Path) -> backup.Restored:
    take(data, tmp_path / "b.zip")
    return restore(tmp_path / "b.zip", tmp_path / "new")


def test_readings_the_registry_had_not_heard_of_are_worked_out(data: Path, tmp_path: Path) -> None:
    """They come between the copy of the registry and that of the store; of an old day, at worst."""
    store = open_store(Settings(data=data), writing=True)
    at = NOW - 20 * DAY_S
    store.write(
        [
            Reading("dev-01", at + s, {"ac_v": 231.0, "frequency_hz": 50.0})
            for s in range(7, 1800, 60)
        ]
    )
    store.close()
    restored_after(data, tmp_path)
    given = Settings(data=tmp_path / "new")
    registry, history = (
        open_registry(given),
        History(open_registry(given), open_store(given, writing=False)),
    )
    before = {r.day: r.doc for r in unscoped.days(registry, "gs-01", 0, 10**6)}
    turn = work_through(registry, history, LATER, Memory())
    after = {r.day: r.doc for r in unscoped.days(registry, "gs-01", 0, 10**6)}
    assert turn.failed == 0
    assert before.keys() == after.keys()
    assert before[at // DAY_S] != after[at // DAY_S]
    with registry.read() as connection:
        assert (
            connection.execute(sa.select(sa.func.count()).select_from(tables.touch)).scalar() == 0
        )
        assert schema_of(connection) == HEAD
    assert len(lists.units(registry, EVERYTHING)) == len(seeding.PLACES)
    for one in (registry, history.registry):
        one.close()
    history.store.close()


def test_days_whose_readings_are_deleted_by_now_stay(data: Path, tmp_path: Path) -> None:
    limit = (NOW // DAY_S - 10) * DAY_S
    store = open_store(Settings(data=data), writing=True)
    for device in store.devices():
        store.delete(device, 0, limit)
    store.close()
    restored_after(data, tmp_path)
    given = Settings(data=tmp_path / "new")
    registry = open_registry(given)
    history = History(registry, open_store(given, writing=False))
    before = [r.day for r in unscoped.days(registry, "gs-01", 0, 10**6)]
    assert work_through(registry, history, LATER, Memory()).failed == 0
    assert [r.day for r in unscoped.days(registry, "gs-01", 0, 10**6)] == before
    assert before[0] < limit // DAY_S
    history.store.close()
    registry.close()

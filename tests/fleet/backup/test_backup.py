"""What is in a backup, and that it is whole or not there."""

from __future__ import annotations

import os
import re
import resource
import shutil
import signal
import sqlite3
import stat
import zipfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
import seeding
import sqlalchemy as sa
from backups import command, restore, rows, take
from seeding import NOW

from fleet import backup
from fleet.backup import BackupFault, manifest
from fleet.backup.archive import Reading as Opened
from fleet.registry.base.engine import HEAD, Registry, upgrade
from fleet.settings import Settings
from fleet.settings.folder import files_in
from fleet.store import schema

pytest_plugins = ["backups"]
pytestmark = pytest.mark.sqlite_only


# ---- what is in it


def test_everything_that_is_kept_comes_back(data: Path, file: Path, tmp_path: Path) -> None:
    restore(file, tmp_path / "new")
    back = {name: path.read_bytes() for name, path in files_in(tmp_path / "new")}
    assert set(back) == {
        "registry.db",
        "store.db",
        "codes.key",
        "hourhand.toml",
        "our notes.txt",
        "profiles/odd.toml",
        "inbox/a week.jsonl",
    }
    for name in set(back) - {"registry.db", "store.db"}:
        assert back[name] == (data / name).read_bytes()
    for table in ("pack", "hot", "device", "channel"):
        query = f"SELECT * FROM {table} ORDER BY 1, 2"
        assert rows(tmp_path / "new" / "store.db", query) == rows(data / "store.db", query)
    changed = {"heartbeat", "session", "invitation", "touch", "audit", "sqlite_sequence"}
    names = [
        n
        for (n,) in rows(data / "registry.db", "SELECT name FROM sqlite_master WHERE type='table'")
    ]
    for table in set(names) - changed:
        query = (
            f"SELECT * FROM {table} ORDER BY 1, 2"
            if table != "alembic_version"
            else f"SELECT * FROM {table}"
        )
        assert rows(tmp_path / "new" / "registry.db", query) == rows(data / "registry.db", query), (
            table
        )


def test_the_manifest_says_what_it_is(file: Path) -> None:
    with file.open("rb") as opened:
        found = Opened(opened).manifest
    assert (found.format, found.made_at, found.registry.schema) == (manifest.FORMAT, NOW, HEAD)
    assert found.made == "25 Nov 2026 07:05 UTC"
    assert found.hourhand == manifest.our_version()
    assert found.registry.rows["unit"] == len(seeding.PLACES)
    assert found.store == manifest.StorePart("embedded", schema.VERSION, 9)
    assert {len(member.sha256) for member in found.members} == {64}


def test_what_stands_in_the_write_ahead_log_is_in_it(data: Path, tmp_path: Path) -> None:
    """The database without its log is an old state that opens without complaint."""
    for name in ("registry.db", "store.db"):
        with closing(sqlite3.connect(data / name)) as db:
            db.execute("PRAGMA journal_mode=WAL").fetchall()
    with (
        closing(sqlite3.connect(data / "registry.db")) as db,
        closing(sqlite3.connect(data / "store.db")) as other,
    ):
        for held in (db, other):
            held.execute("PRAGMA wal_autocheckpoint=0")
        db.execute(
            "UPDATE unit SET doc = CAST(replace(doc, 'P1', 'P1-new') AS BLOB) WHERE id = 'gs-02'"
        )
        db.commit()
        other.execute("INSERT INTO device(name) VALUES ('only-in-the-log')")
        other.commit()
        shutil.copy(data / "store.db", tmp_path / "plain.db")
        wanted = "SELECT count(*) FROM device WHERE name = 'only-in-the-log'"
        assert rows(tmp_path / "plain.db", wanted) == [(0,)], "the log was written back"
        take(data, tmp_path / "b.zip")
    restore(tmp_path / "b.zip", tmp_path / "new")
    assert rows(tmp_path / "new" / "store.db", wanted) == [(1,)]
    assert (
        b"P1-new"
        in rows(tmp_path / "new" / "registry.db", "SELECT doc FROM unit WHERE id='gs-02'")[0][0]
    )


def test_a_backup_changes_nothing_of_an_older_registry(data: Path, tmp_path: Path) -> None:
    """It is taken before a new version is started, and brings the older schema up when put back."""
    old = tmp_path / "old"
    old.mkdir()
    registry = Registry(sa.create_engine(f"sqlite:///{old}/registry.db"), "old")
    with registry.write() as connection:
        upgrade(connection, None, "0003")
    registry.close()
    taken = take(old, tmp_path / "old.zip")
    assert taken.manifest.registry.schema == "0003"
    assert rows(old / "registry.db", "SELECT * FROM alembic_version") == [("0003",)]
    restore(tmp_path / "old.zip", tmp_path / "new")
    assert rows(tmp_path / "new" / "registry.db", "SELECT * FROM alembic_version") == [(HEAD,)]


def test_what_is_not_in_it_is_said(data: Path, tmp_path: Path) -> None:
    (data / "link").symlink_to(tmp_path)
    (tmp_path / "key.pem").write_text("")
    given = Settings(
        data=data,
        store="influx",
        influx_url="http://127.0.0.1:1",
        influx_org="f",
        influx_token="t",
        tls_key=str(tmp_path / "key.pem"),
        tls_cert=str(data / "our notes.txt"),
    )
    environ = {
        "HOURHAND_STORE": "influx",
        "HOURHAND_CODES_KEY": "x",
        "HOURHAND_DATA": "y",
        "PATH": "",
    }
    taken = backup.take(given, environ, tmp_path / "b.zip", NOW)
    said = "\n".join(taken.left_out)
    assert "The readings: they are in InfluxDB, bucket hourhand. Save them there" in said
    assert "Settings from the environment (HOURHAND_CODES_KEY, HOURHAND_STORE)" in said
    assert "without it those in the backup stay closed" in said
    assert "The file that tls_key names: it lies outside" in said
    assert "tls_cert" not in said
    assert "link: a link" in said
    assert len(taken.left_out) == 5
    assert taken.others == ("our notes.txt",)
    assert "store.db" not in {member.name for member in taken.manifest.members}
    done = restore(tmp_path / "b.zip", tmp_path / "new")
    assert set(taken.left_out) < set(done.notes)
    assert "HOURHAND_CODES_KEY, HOURHAND_STORE" in " ".join(done.notes)
    assert "set it before the start" in " ".join(done.notes)


def test_modes_whatever_the_umask(data: Path, tmp_path: Path) -> None:
    before = os.umask(0)
    try:
        take(data, tmp_path / "b.zip")
        restore(tmp_path / "b.zip", tmp_path / "new")
    finally:
        os.umask(before)
    modes = {
        stat.S_IMODE(p.stat().st_mode)
        for p in [tmp_path / "b.zip", *(tmp_path / "new").rglob("*")]
        if p.is_file()
    }
    assert modes == {0o600}
    assert {
        stat.S_IMODE(p.stat().st_mode)
        for p in [tmp_path / "new", *(tmp_path / "new").rglob("*")]
        if p.is_dir()
    } == {0o700}


# ---- whole or not there


def test_nothing_is_overwritten_unless_asked(data: Path, tmp_path: Path) -> None:
    target = tmp_path / "b.zip"
    target.write_text("mine")
    with pytest.raises(BackupFault, match="is there already"):
        take(data, target)
    assert target.read_text() == "mine"
    take(data, target, force=True)
    assert zipfile.is_zipfile(target)
    for place, words in (
        (data / "b.zip", "lost with it"),
        (data / "inbox" / "b.zip", "lost with it"),
        (tmp_path, "is a folder"),
        (tmp_path / "no" / "b.zip", "no folder"),
    ):
        with pytest.raises(BackupFault, match=words):
            take(data, place)
    with pytest.raises(BackupFault, match="does not exist"):
        take(tmp_path / "nowhere", tmp_path / "c.zip")
    (tmp_path / "empty").mkdir()
    with pytest.raises(BackupFault, match="no registry"):
        take(tmp_path / "empty", tmp_path / "c.zip")
    assert not (tmp_path / "c.zip").exists()


@pytest.mark.parametrize("point", ["registry_copied:1", "backup_written:1"])
def test_a_killed_backup_leaves_no_file_and_the_next_tidies_up(
    data: Path, tmp_path: Path, point: str
) -> None:
    out = tmp_path / "out"
    out.mkdir()
    killed = command(data, "backup", str(out / "b.zip"), fault=point)
    assert killed.returncode == -signal.SIGKILL
    assert not (out / "b.zip").exists()
    assert len(list(out.iterdir())) == 1, "what it worked in"
    assert command(data, "backup", str(out / "b.zip")).returncode == 0
    assert [path.name for path in out.iterdir()] == ["b.zip"]
    assert restore(out / "b.zip", tmp_path / "new").settled.units == 9


def test_a_full_disk_is_a_sentence_and_leaves_nothing(data: Path, tmp_path: Path) -> None:
    """A limit on the size of files stands for the disk; the system's answer differs in its number."""
    out = tmp_path / "out"
    out.mkdir()

    def small(limit: int) -> Callable[[], None]:
        def limited() -> None:
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

        return limited

    copies = sum((data / name).stat().st_size for name in ("registry.db", "store.db"))
    for limit in (20_000, copies // 3):
        done = command(data, "backup", str(out / "b.zip"), preexec_fn=small(limit))
        assert done.returncode == 1, done.stderr
        assert re.search(r"is full( or failing)?: make room", done.stderr), done.stderr
        assert "Traceback" not in done.stderr
        assert list(out.iterdir()) == []


def test_a_damaged_database_makes_no_backup(data: Path, tmp_path: Path) -> None:
    whole = bytearray((data / "store.db").read_bytes())
    for at in range(4096 * 3, len(whole), 4096):
        whole[at : at + 64] = bytes(64)
    (data / "store.db").write_bytes(whole)
    with pytest.raises(BackupFault, match=r"telemetry store .* is damaged"):
        take(data, tmp_path / "b.zip")
    (data / "store.db").write_text("no database" * 1000)
    with pytest.raises(BackupFault, match="is damaged"):
        take(data, tmp_path / "b.zip")
    assert not (tmp_path / "b.zip").exists()

"""The backup file: what is in it, that it is whole or not there, and what a restore refuses."""

from __future__ import annotations

import io
import json
import os
import re
import resource
import shutil
import signal
import sqlite3
import stat
import subprocess
import sys
import zipfile
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import msgspec
import pytest
import seeding
import sqlalchemy as sa
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from seeding import DAY_S, NOW

from fleet import backup
from fleet.backup import BackupFault, Taken
from fleet.backup import manifest as m
from fleet.backup.archive import Reading as Opened
from fleet.cli import main
from fleet.history import History
from fleet.model import EVERYTHING, Notice, Reading
from fleet.registry import notices as outbox
from fleet.registry import pages, people, work
from fleet.registry import tables as t
from fleet.registry.engine import HEAD, Registry, open_registry, schema_of, upgrade
from fleet.registry.notices import GIVE_UP_S
from fleet.registry.people import Actor, Person
from fleet.settings import Settings, SettingsFault, own
from fleet.settings.folder import UNFINISHED, files_in
from fleet.store import schema as store_schema
from fleet.store.opening import open_store
from fleet.words import notices as say
from scheduler.turns import Memory, work_through

pytestmark = pytest.mark.sqlite_only
LATER = NOW + 600
ANN = Actor("Ann", None, "")
LOOSE = settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)


@pytest.fixture(scope="session")
def once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data folder with everything in it, to be copied."""
    data = tmp_path_factory.mktemp("seeded") / "data"
    with seeding.seeded(data, demo=False) as fleet:
        person = Person(id="", login="ann@example.org", name="Ann", role="owner")
        ann = people.add_person(fleet.registry, person, ANN, NOW, people.hash_password("x y z w"))
        people.open_session(fleet.registry, ann, False, "tests", "127.0.0.1", NOW)
        people.make_token(fleet.registry, "metrics", frozenset({"read"}), None, 30, ANN, NOW)
    (data / "codes.key").write_bytes(b"5NQH1tZs0o8jw1cR0Wq1aFKHhVZp5E1k3Xb5T2m3f8U=\n")
    (data / "hourhand.toml").write_text('firm = "Harrow & Finch"\n')
    for name, text in (("profiles/odd.toml", "x = 1\n"), ("inbox/a week.jsonl", "{}\n"),
                       ("inbox/.half.part", "{"), ("our notes.txt", "keep me\n")):  # fmt: skip
        (data / name).parent.mkdir(exist_ok=True)
        (data / name).write_text(text)
    return data


@pytest.fixture
def data(once: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(once, tmp_path / "data"))


def take(data: Path, target: Path, **more: Any) -> Taken:
    return backup.take(Settings(data=data), {}, target, NOW, **more)


@pytest.fixture
def file(data: Path, tmp_path: Path) -> Path:
    take(data, tmp_path / "b.zip")
    return tmp_path / "b.zip"


def restore(file: Path, data: Path, now: int = LATER, **environ: str) -> backup.Restored:
    return backup.restore(file, data, environ, now)


def rows(file: Path, query: str) -> list[Any]:
    with closing(sqlite3.connect(file)) as db:
        return db.execute(query).fetchall()


def refused(file: Path, into: Path, words: str, **environ: str) -> str:
    """The sentence; nothing was left behind, in the folder or beside it."""
    before = sorted(into.parent.iterdir())
    with pytest.raises(BackupFault, match=words) as fault:
        restore(file, into, **environ)
    assert sorted(into.parent.iterdir()) == before
    assert "Traceback" not in str(fault.value)
    return str(fault.value)


# ---- what is in it


def test_everything_that_is_kept_comes_back(data: Path, file: Path, tmp_path: Path) -> None:
    restore(file, tmp_path / "new")
    back = {name: path.read_bytes() for name, path in files_in(tmp_path / "new")}
    assert set(back) == {"registry.db", "store.db", "codes.key", "hourhand.toml", "our notes.txt",
                         "profiles/odd.toml", "inbox/a week.jsonl"}  # fmt: skip
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
    assert (found.format, found.made_at, found.registry.schema) == (m.FORMAT, NOW, HEAD)
    assert found.made == "25 Nov 2026 07:05 UTC"
    assert found.hourhand == m.our_version()
    assert found.registry.rows["unit"] == len(seeding.PLACES)
    assert found.store == m.StorePart("embedded", store_schema.VERSION, 9)
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
        data=data, store="influx", influx_url="http://127.0.0.1:1", influx_org="f",
        influx_token="t", tls_key=str(tmp_path / "key.pem"), tls_cert=str(data / "our notes.txt"),
    )  # fmt: skip
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
    modes = {stat.S_IMODE(p.stat().st_mode) for p in [tmp_path / "b.zip", *(tmp_path / "new").rglob("*")]
             if p.is_file()}  # fmt: skip
    assert modes == {0o600}
    assert {stat.S_IMODE(p.stat().st_mode) for p in [tmp_path / "new", *(tmp_path / "new").rglob("*")]
            if p.is_dir()} == {0o700}  # fmt: skip


# ---- whole or not there


def test_nothing_is_overwritten_unless_asked(data: Path, tmp_path: Path) -> None:
    target = tmp_path / "b.zip"
    target.write_text("mine")
    with pytest.raises(BackupFault, match="is there already"):
        take(data, target)
    assert target.read_text() == "mine"
    take(data, target, force=True)
    assert zipfile.is_zipfile(target)
    for place, words in ((data / "b.zip", "lost with it"), (data / "inbox" / "b.zip", "lost with it"),
                         (tmp_path, "is a folder"), (tmp_path / "no" / "b.zip", "no folder")):  # fmt: skip
        with pytest.raises(BackupFault, match=words):
            take(data, place)
    with pytest.raises(BackupFault, match="does not exist"):
        take(tmp_path / "nowhere", tmp_path / "c.zip")
    (tmp_path / "empty").mkdir()
    with pytest.raises(BackupFault, match="no registry"):
        take(tmp_path / "empty", tmp_path / "c.zip")
    assert not (tmp_path / "c.zip").exists()


def command(
    data: Path, *arguments: str, fault: str = "", **more: Any
) -> subprocess.CompletedProcess[str]:
    environment = {k: v for k, v in os.environ.items() if not k.startswith("HOURHAND_")}
    if fault:
        environment["HOURHAND_TEST_FAULT"] = fault
    return subprocess.run(
        [sys.executable, "-m", "fleet.cli", *arguments, "--data", str(data)],
        env=environment, capture_output=True, text=True, check=False, timeout=100, **more,
    )  # fmt: skip


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


# ---- what a restore refuses


def test_a_folder_with_anything_in_it_is_refused(file: Path, tmp_path: Path) -> None:
    full = tmp_path / "full"
    full.mkdir()
    (full / "mine.txt").write_text("mine")
    refused(file, full, r"not empty \(it holds mine.txt\)")
    assert [path.name for path in full.iterdir()] == ["mine.txt"]
    refused(file, tmp_path / "b.zip", "is a file")
    refused(tmp_path / "no.zip", tmp_path / "new", "There is no file")


@LOOSE
@given(share=st.floats(0, 1, exclude_max=True))
def test_a_file_that_was_cut_off_is_refused(file: Path, tmp_path: Path, share: float) -> None:
    whole = file.read_bytes()
    (tmp_path / "cut.zip").write_bytes(whole[: int(share * len(whole))])
    refused(tmp_path / "cut.zip", tmp_path / "new", "cut off or damaged")


@LOOSE
@given(share=st.floats(0, 1, exclude_max=True), to=st.integers(1, 255))
def test_no_single_wrong_byte_comes_through(
    file: Path, tmp_path: Path, share: float, to: int
) -> None:
    """Refused in a sentence, or of no consequence: then everything is as it was."""
    body = bytearray(file.read_bytes())
    body[int(share * len(body))] ^= to
    into = tmp_path / "out"
    into.mkdir()
    try:
        Opened(io.BytesIO(bytes(body))).take_out(into)
    except BackupFault:
        return
    else:
        with zipfile.ZipFile(file) as whole:
            for name, path in files_in(into):
                assert path.read_bytes() == whole.read(name)
    finally:
        shutil.rmtree(into)


def changed(file: Path, into: Path, *, manifest: Callable[[dict[str, Any]], None] = lambda _: None,
            members: Callable[[dict[str, bytes]], None] = lambda _: None) -> Path:  # fmt: skip
    """The backup made anew with another manifest or other members."""
    with zipfile.ZipFile(file) as whole:
        held = {name: whole.read(name) for name in whole.namelist()}
    told = json.loads(held.pop(m.NAME))
    manifest(told)
    members(held)
    with zipfile.ZipFile(into, "w") as new:
        for name, body in held.items():
            new.writestr(name, body)
        new.writestr(m.NAME, json.dumps(told))
    return into


def test_a_damaged_member_is_named(file: Path, tmp_path: Path) -> None:
    for name in ("registry.db", "codes.key"):
        odd = changed(
            file,
            tmp_path / "odd.zip",
            members=lambda held, n=name: held.update({n: held[n][:-1] + b"!"}),
        )
        refused(odd, tmp_path / "new", f"member {name} of the backup is damaged")
        longer = changed(
            file,
            tmp_path / "odd.zip",
            members=lambda held, n=name: held.update({n: held[n] + b"!"}),
        )
        refused(longer, tmp_path / "new", f"member {name} of the backup is damaged")


@pytest.mark.parametrize(
    "name",
    ["../evil", "/tmp/evil", "a/../../evil", "a//b", "./a", "a\\..\\evil", "c\x01d", "..", "x/"],
)
def test_a_member_that_would_lie_elsewhere_is_refused(
    file: Path, tmp_path: Path, name: str
) -> None:
    def told(manifest: dict[str, Any]) -> None:
        manifest["members"].append({"name": name, "size": 4, "sha256": "0" * 64})

    inside = changed(
        file, tmp_path / "odd.zip", manifest=told, members=lambda held: held.update({name: b"evil"})
    )
    refused(inside, tmp_path / "new", "outside the data folder")
    untold = changed(file, tmp_path / "odd.zip", members=lambda held: held.update({name: b"evil"}))
    refused(untold, tmp_path / "new", "outside the data folder")
    assert not (tmp_path / "evil").exists()


def test_members_that_nobody_told_of_are_refused(file: Path, tmp_path: Path) -> None:
    more = changed(file, tmp_path / "odd.zip", members=lambda held: held.update({"extra": b""}))
    refused(more, tmp_path / "new", "list of members differ")
    fewer = changed(file, tmp_path / "odd.zip", members=lambda held: held.pop("codes.key"))
    refused(fewer, tmp_path / "new", "list of members differ")
    with pytest.warns(UserWarning, match="Duplicate"), zipfile.ZipFile(file, "a") as twice:
        twice.writestr("codes.key", b"another")
    refused(file, tmp_path / "new", "list of members differ")
    (tmp_path / "plain.zip").write_bytes(b"PK\x05\x06" + bytes(18))
    refused(tmp_path / "plain.zip", tmp_path / "new", "no backup of Hourhand")


@pytest.mark.parametrize(
    ("part", "value", "words"),
    [
        ("format", m.FORMAT + 1, "newer format"),
        ("registry.schema", "9999", "schema 9999 .* newer than this Hourhand"),
        ("store.version", store_schema.VERSION + 1, "store version .* newer than this Hourhand"),
        ("members", "all", "cannot be read"),
    ],
)
def test_a_newer_one_says_what_to_do(
    file: Path, tmp_path: Path, part: str, value: object, words: str
) -> None:
    def newer(manifest: dict[str, Any]) -> None:
        *outer, last = part.split(".")
        held = manifest[outer[0]] if outer else manifest
        held[last] = value

    said = refused(changed(file, tmp_path / "odd.zip", manifest=newer), tmp_path / "new", words)
    assert "that version or a newer one" in said or "take another backup" in said


def test_a_registry_elsewhere_is_not_overwritten(file: Path, data: Path, tmp_path: Path) -> None:
    """Settings in force may name the very registry that the backup was made of."""
    url = f"sqlite:///{data}/registry.db"
    refused(file, tmp_path / "new", "is there already", HOURHAND_REGISTRY_URL=url)
    refused(file, tmp_path / "new", "leave HOURHAND_REGISTRY_URL out",
            HOURHAND_REGISTRY_URL="postgresql://a@127.0.0.1:1/b")  # fmt: skip
    free = tmp_path / "other" / "r.db"
    restore(file, tmp_path / "new", HOURHAND_REGISTRY_URL=f"sqlite:///{free}")
    assert rows(free, "SELECT count(*) FROM unit") == [(len(seeding.PLACES),)]
    assert not (tmp_path / "new" / "registry.db").exists()


# ---- where it is put


def test_a_mounted_folder_is_filled_in_place(file: Path, tmp_path: Path) -> None:
    """It cannot be exchanged as a whole; a freshly made file system holds lost+found."""
    volume = tmp_path / "volume"
    (volume / "lost+found").mkdir(parents=True)
    restore(file, volume)
    assert {"registry.db", "store.db", "codes.key", "lost+found"} < {
        p.name for p in volume.iterdir()
    }
    assert not [p for p in volume.iterdir() if p.name.startswith(".")]
    assert stat.S_IMODE(volume.stat().st_mode) == 0o700


def test_a_restore_killed_while_moving_is_never_started_on(file: Path, tmp_path: Path) -> None:
    volume = tmp_path / "volume"
    (volume / "lost+found").mkdir(parents=True)
    assert (
        command(volume, "restore", str(file), fault="restore_moving:2").returncode
        == -signal.SIGKILL
    )
    assert (volume / UNFINISHED).exists()
    with pytest.raises(SettingsFault, match="was cut off"):
        own(volume)
    again = command(volume, "restore", str(file))
    assert again.returncode == 2
    assert "empty the folder first" in again.stderr


def test_a_restore_killed_before_leaves_the_place_free(file: Path, tmp_path: Path) -> None:
    new = tmp_path / "in" / "new"
    new.mkdir(parents=True)
    assert (
        command(new, "restore", str(file), fault="restore_checked:1").returncode == -signal.SIGKILL
    )
    assert list(new.iterdir()) == []
    done = command(new, "restore", str(file))
    assert done.returncode == 0, done.stderr
    assert [path.name for path in new.parent.iterdir()] == ["new"], (
        "what the killed one left is gone"
    )


@pytest.mark.skipif(os.geteuid() != 0, reason="only root may give files away")
def test_the_owner_of_the_folder_owns_what_root_restores(file: Path, tmp_path: Path) -> None:
    new = tmp_path / "new"
    new.mkdir()
    os.chown(new, 65534, 65534)
    restore(file, new)
    assert {p.stat().st_uid for p in (new, *new.rglob("*"))} == {65534}


# ---- what a restored registry forgets and does again


@pytest.fixture
def opened(data: Path) -> Iterator[Registry]:
    registry = open_registry(f"sqlite:///{data}/registry.db")
    yield registry
    registry.close()


def notice(n: int, not_before: int) -> Notice:
    return Notice(
        id=f"n{n}", cause=f"c{n}", step="1", person=f"p{n}", way="email", kind="alert",
        subject="Act now: Mill", body="Mill\nIt did not start.", made_at=not_before,
        not_before=not_before,
    )  # fmt: skip


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
                sa.update(t.notice)
                .where(t.notice.c.id == f"n{n}")
                .values(state=state, again_at=LATER + 300)
            )
    take(data, tmp_path / "b.zip")
    settled = restore(tmp_path / "b.zip", tmp_path / "new").settled
    assert (settled.again, settled.given_up) == (3, 1)
    registry = open_registry(f"sqlite:///{tmp_path}/new/registry.db")
    with registry.read() as connection:
        found = {r.id: r for r in connection.execute(sa.select(t.notice))}
    assert found["n0"].state == "failed"
    assert found[f"n{done}"].state == "sent"
    claimed = outbox.claim(registry, LATER, "email", 10)
    assert {one.notice.id for one in claimed} == {f"n{fresh}", f"n{taken}"}
    for one in claimed:
        assert one.notice.body.startswith("Mill\nIt did not start.")
        assert one.notice.body.endswith(say.perhaps_again(NOW))
    assert "25 Nov 2026 07:05 UTC" in say.perhaps_again(NOW)
    registry.close()


def test_everybody_signs_in_again_and_no_program_seems_to_run(
    data: Path, opened: Registry, tmp_path: Path
) -> None:
    work.heartbeat(opened, "ingest", NOW, {})
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
    before = {r.day: r.doc for r in work.days(registry, "gs-01", 0, 10**6)}
    turn = work_through(registry, history, LATER, Memory())
    after = {r.day: r.doc for r in work.days(registry, "gs-01", 0, 10**6)}
    assert turn.failed == 0
    assert before.keys() == after.keys()
    assert before[at // DAY_S] != after[at // DAY_S]
    with registry.read() as connection:
        assert connection.execute(sa.select(sa.func.count()).select_from(t.touch)).scalar() == 0
        assert schema_of(connection) == HEAD
    assert len(pages.units(registry, EVERYTHING)) == len(seeding.PLACES)
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
    before = [r.day for r in work.days(registry, "gs-01", 0, 10**6)]
    assert work_through(registry, history, LATER, Memory()).failed == 0
    assert [r.day for r in work.days(registry, "gs-01", 0, 10**6)] == before
    assert before[0] < limit // DAY_S
    history.store.close()
    registry.close()


# ---- the commands


def test_the_commands_say_what_they_did(
    data: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["backup", "--data", str(data)]) == 0
    said = capsys.readouterr()
    (made,) = tmp_path.glob("hourhand-backup-*Z.zip")
    assert said.out.startswith(made.name)
    assert "registry with 10 sets and 1 people, readings of 9 devices, 5 other files." in said.out
    assert "our notes.txt" in said.out
    assert "It holds keys, passwords" in said.out
    assert main(["backup", str(made), "--data", str(data)]) == 2
    assert "--force" in capsys.readouterr().err
    assert main(["backup", str(made), "--force", "--json", "--data", str(data)]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["file"], told["schema"], told["readings"]) == (str(made), HEAD, True)
    assert told["bytes"] == made.stat().st_size
    assert main(["restore", str(made), "--data", str(tmp_path / "new")]) == 0
    assert "everybody signs in again" in capsys.readouterr().out
    assert main(["restore", str(made), "--data", str(tmp_path / "new")]) == 2
    assert "not empty" in capsys.readouterr().err
    made.write_bytes(made.read_bytes()[:-9])
    assert main(["restore", str(made), "--json", "--data", str(tmp_path / "more")]) == 3
    assert "cut off" in capsys.readouterr().err
    assert not (tmp_path / "more").exists()


def test_through_a_pipe_and_back(data: Path, tmp_path: Path) -> None:
    """As in a container whose file system is read-only."""
    sent = subprocess.run(
        [sys.executable, "-m", "fleet.cli", "backup", "-", "--data", str(data)],
        capture_output=True, check=True, timeout=60,
    )  # fmt: skip
    assert b"It holds keys" in sent.stderr
    new = tmp_path / "new"
    back = subprocess.run(
        [sys.executable, "-m", "fleet.cli", "restore", "-", "--json", "--data", str(new)],
        input=sent.stdout, capture_output=True, check=True, timeout=60,
    )  # fmt: skip
    assert msgspec.json.decode(back.stdout)["units"] == 9
    assert not [path for path in (*data.iterdir(), *new.iterdir()) if path.name.startswith(".")]
    cut = subprocess.run(
        [sys.executable, "-m", "fleet.cli", "restore", "-", "--data", str(tmp_path / "more")],
        input=sent.stdout[:-100], capture_output=True, check=False, timeout=60,
    )  # fmt: skip
    assert cut.returncode == 3

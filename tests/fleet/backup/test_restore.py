"""What a restore refuses, and where it puts what it takes."""

from __future__ import annotations

import io
import json
import os
import shutil
import signal
import stat
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import parts
import pytest
import seeding
from backups import command, refused, restore, rows
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fleet.backup import BackupFault
from fleet.backup import manifest as m
from fleet.backup.archive import Reading as Opened
from fleet.registry.base.engine import HEAD
from fleet.settings import SettingsFault, own
from fleet.settings.folder import UNFINISHED, files_in
from fleet.store import schema
from hourhand.command_line import main

pytest_plugins = ["backups"]
pytestmark = pytest.mark.sqlite_only
LOOSE = settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)


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


def changed(
    file: Path,
    into: Path,
    *,
    manifest: Callable[[dict[str, Any]], None] = lambda _: None,
    members: Callable[[dict[str, bytes]], None] = lambda _: None,
) -> Path:
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


def with_end(name: str, cut: int) -> Callable[[dict[str, bytes]], None]:
    """Makes a member end with another byte, instead of so many of its own."""

    def put(held: dict[str, bytes]) -> None:
        body = held[name]
        held[name] = body[: len(body) - cut] + b"!"

    return put


def test_a_damaged_member_is_named(file: Path, tmp_path: Path) -> None:
    for name in ("registry.db", "codes.key"):
        odd = changed(
            file,
            tmp_path / "odd.zip",
            members=with_end(name, 1),
        )
        refused(odd, tmp_path / "new", f"member {name} of the backup is damaged")
        longer = changed(
            file,
            tmp_path / "odd.zip",
            members=with_end(name, 0),
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
    fewer = changed(file, tmp_path / "odd.zip", members=lambda held: held.__delitem__("codes.key"))
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
        ("store.version", schema.VERSION + 1, "store version .* newer than this Hourhand"),
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
    refused(
        file,
        tmp_path / "new",
        "leave HOURHAND_REGISTRY_URL out",
        HOURHAND_REGISTRY_URL="postgresql://a@127.0.0.1:1/b",
    )
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


def test_the_owner_of_the_folder_owns_what_root_restores(file: Path, tmp_path: Path) -> None:
    parts.need("root")
    new = tmp_path / "new"
    new.mkdir()
    os.chown(new, 65534, 65534)
    restore(file, new)
    assert {p.stat().st_uid for p in (new, *new.rglob("*"))} == {65534}


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
        [sys.executable, "-m", "hourhand", "backup", "-", "--data", str(data)],
        capture_output=True,
        check=True,
        timeout=60,
    )
    assert b"It holds keys" in sent.stderr
    new = tmp_path / "new"
    back = subprocess.run(
        [sys.executable, "-m", "hourhand", "restore", "-", "--json", "--data", str(new)],
        input=sent.stdout,
        capture_output=True,
        check=True,
        timeout=60,
    )
    assert msgspec.json.decode(back.stdout)["units"] == 9
    assert not [path for path in (*data.iterdir(), *new.iterdir()) if path.name.startswith(".")]
    cut = subprocess.run(
        [sys.executable, "-m", "hourhand", "restore", "-", "--data", str(tmp_path / "more")],
        input=sent.stdout[:-100],
        capture_output=True,
        check=False,
        timeout=60,
    )
    assert cut.returncode == 3

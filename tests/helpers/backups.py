"""A data folder with everything in it, backups of it and restores, for tests. A plugin of fixtures."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
import seeding
from seeding import NOW

from fleet import backup
from fleet.backup import BackupFault, Taken
from fleet.registry import people
from fleet.registry.people import Actor, Person
from fleet.settings import Settings

LATER = NOW + 600
ANN = Actor("Ann", None, "")


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
    for name, text in (
        ("profiles/odd.toml", "x = 1\n"),
        ("inbox/a week.jsonl", "{}\n"),
        ("inbox/.half.part", "{"),
        ("our notes.txt", "keep me\n"),
    ):
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
        backup.restore(file, into, environ, LATER)
    assert sorted(into.parent.iterdir()) == before
    assert "Traceback" not in str(fault.value)
    return str(fault.value)


def command(
    data: Path, *arguments: str, fault: str = "", **more: Any
) -> subprocess.CompletedProcess[str]:
    environment = {k: v for k, v in os.environ.items() if not k.startswith("HOURHAND_")}
    if fault:
        environment["HOURHAND_TEST_FAULT"] = fault
    return subprocess.run(
        [sys.executable, "-m", "hourhand", *arguments, "--data", str(data)],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=100,
        **more,
    )

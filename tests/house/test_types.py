"""The type checker is content, strict everywhere, and so is the formatter."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

from places import ROOT, TESTS

BIN = Path(sys.executable).parent
ROOMS = ("fleet", "ingest", "scheduler", "dashboard", "demo_fleet", "hourhand", "tests")


def test_mypy_is_content() -> None:
    result = subprocess.run([BIN / "mypy"], cwd=ROOT, capture_output=True, text=True, check=False)
    assert result.returncode == 0, result.stdout


def test_no_room_is_kept_from_mypy() -> None:
    """Product and tests, strict, in one run; only libraries without types of their own are excused."""
    told = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["mypy"]
    assert tuple(told["files"]) == ROOMS
    assert told["strict"]
    assert "exclude" not in told
    for excused in told["overrides"]:
        assert excused.keys() == {"module", "ignore_missing_imports"}
        ours = {*ROOMS, *(path.stem for path in TESTS.rglob("*.py"))}
        assert not ours & {name.split(".")[0] for name in excused["module"]}


def test_every_file_is_formatted() -> None:
    result = subprocess.run(
        [BIN / "ruff", "format", "--check", "."],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert result.returncode == 0, result.stdout


def test_the_formatter_has_the_last_word() -> None:
    """No line is kept from it: what is too wide is split, not exempted."""
    marks = tuple("# fmt: " + word for word in ("skip", "off"))
    files = [p for room in ROOMS for p in sorted((ROOT / room).rglob("*.py"))]
    assert len(files) > 500
    exempt = [p for p in files if "versions" not in p.parts]
    assert [p.name for p in exempt if any(mark in p.read_text() for mark in marks)] == []

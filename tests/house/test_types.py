"""The type checker is content, strict everywhere, and so is the formatter."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from places import ROOT

BIN = Path(sys.executable).parent
ROOMS = ("fleet", "ingest", "scheduler", "dashboard", "demo_fleet", "hourhand", "tests")


def test_mypy_is_content() -> None:
    result = subprocess.run([BIN / "mypy"], cwd=ROOT, capture_output=True, text=True, check=False)
    assert result.returncode == 0, result.stdout


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

"""The type checker is content: strict for fleet, ingest and scheduler."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
BIN = Path(sys.executable).parent


def test_mypy_is_content() -> None:
    result = subprocess.run([BIN / "mypy"], cwd=ROOT, capture_output=True, text=True, check=False)
    assert result.returncode == 0, result.stdout


def test_every_file_is_formatted() -> None:
    result = subprocess.run(
        [BIN / "ruff", "format", "--check", "."],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert result.returncode == 0, result.stdout

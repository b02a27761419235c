"""Shared fixtures. Real parts: SQLite, a broker, a browser; the header of a run says which."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
SHARED = ROOT.parent / "shared"
sys.path.insert(0, str(ROOT / "tests"))

REQUIRED = {part for part in os.environ.get("HOURHAND_TEST_REQUIRE", "").split(",") if part}


@pytest.fixture(scope="session")
def shared() -> Path:
    """The folder of real data and field cases beside the checkout; tests that use it skip without."""
    if not SHARED.is_dir():
        pytest.skip("the folder of shared real data is not beside this checkout")
    return SHARED

"""The suite's tests of programs, pages and rules over the registry, once more on PostgreSQL."""

from __future__ import annotations

import os
import re
import subprocess
import sys

import pytest
from places import TESTS

pytest_plugins = ["databases"]
pytestmark = [pytest.mark.long, pytest.mark.timeout(900)]

WHOLE = [
    "test_api.py",
    "test_pages.py",
    "test_roles.py",
    "test_sessions.py",
    "test_turns.py",
    "test_history.py",
    "test_intake.py",
    "test_collector.py",
    "test_cli.py",
    "test_browser.py",
    "test_tls.py",
    "test_alarms.py",
]
"""Every test file that opens a registry through settings. Those of the registry itself run on both
databases wherever they run."""


def test_the_suite_on_postgresql(postgres: str, capsys: pytest.CaptureFixture[str]) -> None:
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "pytest",
            "-q",
            "-p",
            "no:cacheprovider",
            "-m",
            "not long and not sqlite_only",
            *(str(next(TESTS.rglob(name))) for name in WHOLE),
        ],
        cwd=TESTS.parent,
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "HOURHAND_TEST_POSTGRES": postgres},
    )
    with capsys.disabled():
        print(f"\non PostgreSQL: {done.stdout.strip().splitlines()[-1]}")
    assert done.returncode == 0, done.stdout[-6000:]
    passed = re.search(r"(\d+) passed", done.stdout)
    assert passed is not None
    assert int(passed[1]) > 300

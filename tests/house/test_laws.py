"""The laws of the house hold, and each would be caught if it were broken."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from places import ROOT

PACKAGES = ("fleet", "ingest", "scheduler", "dashboard", "demo_fleet", "hourhand")
BIN = Path(sys.executable).parent


def lint_imports(folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [BIN / "lint-imports", "--no-cache"],
        cwd=folder,
        capture_output=True,
        text=True,
        env={"PATH": f"{BIN}:/usr/bin:/bin", "PYTHONPATH": str(folder), "COLUMNS": "200"},
        check=False,
    )


def ruff(folder: Path, *more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [BIN / "ruff", "check", "--no-cache", *more, "."],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """A copy of the source to plant mistakes in."""
    for package in PACKAGES:
        shutil.copytree(
            ROOT / package, tmp_path / package, ignore=shutil.ignore_patterns("__pycache__")
        )
    for name in (".importlinter", "pyproject.toml"):
        shutil.copy(ROOT / name, tmp_path / name)
    return tmp_path


def test_imports_obey_the_laws() -> None:
    result = lint_imports(ROOT)
    assert result.returncode == 0, result.stdout + result.stderr


def test_ruff_is_content() -> None:
    result = ruff(ROOT)
    assert result.returncode == 0, result.stdout


MISTAKES = [
    ("ingest/wire/decoding.py", "import scheduler.day", "strangers"),
    ("scheduler/day/assemble.py", "import ingest.wire", "strangers"),
    ("fleet/findings/saying.py", "import fleet.history", "Rooms of fleet"),
    ("fleet/registry/base/engine.py", "import fleet.backup", "Rooms of fleet"),
    ("dashboard/request_context.py", "import fleet.backup", "dashboard reads"),
    ("fleet/store/port.py", "import fleet.registry.unscoped", "Rooms of fleet"),
    ("scheduler/assess/unit.py", "import scheduler.turns", "Rooms of scheduler"),
    ("scheduler/rules/hours/rise.py", "import scheduler.rules.runs", "Rules are strangers"),
    ("scheduler/rules/runs/edges.py", "import time", "Pure rooms"),
    ("scheduler/assess/unit.py", "import logging", "Pure rooms"),
    ("scheduler/outage/cover.py", "import time", "Pure rooms"),
    ("scheduler/alarms/notification.py", "import scheduler.outage", "Rooms of scheduler"),
    ("scheduler/rounds/drive.py", "import time", "Pure rooms"),
    ("scheduler/dispatch/planner_request.py", "import time", "Pure rooms"),
    ("scheduler/rounds/checker.py", "import scheduler.rounds.engine", "Pure rooms"),
    ("ingest/wire/decoding.py", "import os", "Pure rooms"),
    ("ingest/clocks.py", "import logging", "Pure rooms"),
    ("fleet/findings/saying.py", "from fleet.clock import now", "Pure rooms"),
    ("dashboard/request_context.py", "import fleet.store.embedded", "dashboard reads"),
    ("dashboard/request_context.py", "import fleet.registry.unscoped", "dashboard reads"),
    ("dashboard/request_context.py", "import fleet.registry.derived.days", "dashboard reads"),
    ("fleet/registry/told/kept_outages.py", "import fleet.registry.lists", "Rooms of the registry"),
    ("fleet/registry/derived/days.py", "import fleet.registry.facts", "Rooms of the registry"),
    ("dashboard/request_context.py", "import scheduler.turns", "dashboard reads"),
    ("dashboard/request_context.py", "import scheduler.bench.turns", "dashboard reads"),
    ("dashboard/views/due.py", "import dashboard.pages.due", "Views know no page"),
    ("dashboard/views/battery.py", "import dashboard.request_context", "Pure rooms"),
    ("dashboard/views/facts.py", "import logging", "Pure rooms"),
    ("dashboard/views/rounds.py", "from fleet.clock import now", "no view touches"),
    ("dashboard/problems.py", "import dashboard.api", "Views know no page"),
    ("scheduler/turns/planning.py", "import sqlalchemy", "SQL is spoken in the registry"),
    (
        "dashboard/request_context.py",
        "import fleet.registry.base.tables",
        "SQL is spoken in the registry",
    ),
    ("fleet/backup/taking.py", "import psycopg", "SQL is spoken in the registry"),
    ("demo_fleet/customers.py", "import fleet.registry.base.engine", "demo fleet sees only"),
    ("demo_fleet/machine/__init__.py", "import fleet.model", "machine knows nothing"),
    ("demo_fleet/machine/physics.py", "import ingest.wire", "machine knows nothing"),
    ("demo_fleet/machine/supply.py", "import random", "Pure rooms"),
    ("fleet/history.py", "import demo_fleet", "Nobody imports the demo"),
    ("dashboard/app.py", "import demo_fleet", "Nobody imports the demo"),
    ("fleet/backup/taking.py", "import hourhand.options", "Programs"),
    ("dashboard/app.py", "import hourhand.program", "Programs"),
    ("scheduler/publishing.py", "def late():\n    import hourhand.options", "Programs"),
    ("demo_fleet/__main__.py", "import hourhand.command_line", "demo fleet sees only"),
]


def dealt() -> list[list[tuple[str, str, str]]]:
    """The mistakes in heaps with none or one against each law: a heap is planted together."""
    by_law: dict[str, list[tuple[str, str, str]]] = {}
    for mistake in MISTAKES:
        by_law.setdefault(mistake[2], []).append(mistake)
    most = max(map(len, by_law.values()))
    return [[alike[n] for alike in by_law.values() if n < len(alike)] for n in range(most)]


def imported(line: str) -> str:
    """The module that a planted line names."""
    found = re.search(r"(?:from|import) ([\w.]+)", line)
    assert found is not None
    return found[1]


@pytest.mark.parametrize("mistakes", dealt())
def test_planted_imports_are_caught(copy: Path, mistakes: list[tuple[str, str, str]]) -> None:
    """Under the law that each of them breaks stands that very import."""
    for place, line, _ in mistakes:
        with (copy / place).open("a") as file:
            file.write(f"\n{line}\n")
    result = lint_imports(copy)
    told = re.split(r"\n([^\n]+)\n-{5,}\n", result.stdout.partition("Broken contracts\n")[2])
    broken = dict(zip(told[1::2], told[2::2], strict=True))
    for place, line, law in mistakes:
        module = place.removesuffix(".py").removesuffix("/__init__").replace("/", ".")
        said = "".join(text for name, text in broken.items() if law in name)
        step = rf"^\W*{re.escape(module)} -> {re.escape(imported(line))} \(l\."
        assert re.search(step, said, re.MULTILINE), f"{line} in {place}:\n{result.stdout}"


GATHERING = frozenset(
    {
        "agreements",
        "alerts",
        "jobs",
        "planned",
        "readings",
        "reminders",
        "rounds",
        "service",
        "set_findings",
        "units",
        "unplanned",
    }
)
"""Views that read the registry for a page, or take a type from a module that does."""


def test_a_view_is_pure_or_stands_among_those_that_gather() -> None:
    """A new view is pure: it enters the contract, and is not taken for one that reads by itself."""
    pure = set(
        re.findall(r"^    dashboard\.views\.(\w+)$", (ROOT / ".importlinter").read_text(), re.M)
    )
    views = {path.stem for path in (ROOT / "dashboard" / "views").glob("*.py")} - {"__init__"}
    assert pure | GATHERING == views
    assert not pure & GATHERING


@pytest.mark.parametrize("room", ["fleet", "scheduler"])
def test_a_room_nobody_planned_is_caught(copy: Path, room: str) -> None:
    (copy / room / "utils.py").write_text('"""Odds and ends."""\n')
    result = lint_imports(copy)
    assert result.returncode != 0


CLOCK_CALLS = [
    "import time\n\nSTARTED = time.time()\n",
    "from datetime import UTC, datetime\n\nSTARTED = datetime.now(UTC)\n",
    "import datetime\n\nSTARTED = datetime.datetime.now(datetime.UTC)\n",
    "import datetime\n\nSTARTED = datetime.date.today()\n",
]


@pytest.mark.parametrize("room", ["scheduler/rules", "fleet", "dashboard"])
def test_a_planted_clock_call_is_caught(copy: Path, room: str) -> None:
    for n, source in enumerate(CLOCK_CALLS):
        (copy / room / f"planted_{n}.py").write_text(source)
    result = ruff(copy, "--output-format=concise")
    assert result.returncode != 0
    for n in range(len(CLOCK_CALLS)):
        assert re.search(rf"{room}/planted_{n}\.py:.* TID251 ", result.stdout), result.stdout

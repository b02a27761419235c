"""The type checker is content, strict everywhere, and so is the formatter."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from dataclasses import dataclass
from pathlib import Path

import pytest
from places import ROOT, TESTS

from fleet.registry.base.engine import Registry

BIN = Path(sys.executable).parent
ROOMS = ("fleet", "ingest", "scheduler", "dashboard", "demo_fleet", "hourhand", "tests")


PLANTED = """
from {module} import {name}
from fleet.model import EVERYTHING
from {registry} import {registry_name}


def page(registry: {registry_name}) -> object:
    return EVERYTHING, {name}({given})
"""
LEFT_OUT = (
    ("fleet.registry.lists", "unit", '"u1"', 'EVERYTHING, "u1"'),
    ("fleet.registry.lists", "sets_of", '(), ["s1"]', 'EVERYTHING, (), ["s1"]'),
    ("fleet.registry.told.alerts", "calls", '"e1"', 'EVERYTHING, "e1"'),
)
"""(module, read, what it is given without a Scope, and with one)."""


@dataclass(frozen=True)
class Checked:
    """What one run of mypy says of the house, and in which planted files it finds errors."""

    said: str
    house: list[str]
    planted: frozenset[str]


@pytest.fixture(scope="module")
def checked_types(tmp_path_factory: pytest.TempPathFactory) -> Checked:
    """The whole house and, beside it, a bare and a scoped call of every read of LEFT_OUT."""
    folder = tmp_path_factory.mktemp("planted")
    files = []
    for module, name, bare, scoped in LEFT_OUT:
        for way, given in (("bare", bare), ("scoped", scoped)):
            files.append(folder / f"{name}_{way}.py")
            files[-1].write_text(
                PLANTED.format(
                    module=module,
                    name=name,
                    registry=Registry.__module__,
                    registry_name=Registry.__name__,
                    given=f"registry, {given}",
                )
            )
    result = subprocess.run(
        [BIN / "mypy", *ROOMS, *files], cwd=ROOT, capture_output=True, text=True, check=False
    )
    said = result.stdout + result.stderr
    assert result.returncode == 1, said  # for what is planted; anything else is no finding of types
    lines = [line for line in said.splitlines() if ": error:" in line]
    ours = {path.name for path in files}  # its cache may know their like of another run's folder
    named = [(Path(line.partition(":")[0]).name, line) for line in lines]
    planted = frozenset(name for name, _ in named if name in ours)
    return Checked(said, [line for name, line in named if name not in ours], planted)


def test_mypy_is_content(checked_types: Checked) -> None:
    assert checked_types.house == []
    assert f"in {len(LEFT_OUT)} files (checked " in checked_types.said


@pytest.mark.parametrize("name", [name for _, name, _, _ in LEFT_OUT])
def test_leaving_the_scope_out_is_an_error_of_types(checked_types: Checked, name: str) -> None:
    assert f"{name}_bare.py" in checked_types.planted, checked_types.said
    assert f"{name}_scoped.py" not in checked_types.planted, checked_types.said


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

"""The front door reaches every program and bench by import, and loads none before it is asked for."""

from __future__ import annotations

import subprocess
import sys

import pytest

from hourhand import program
from hourhand.bench import BENCHES
from hourhand.program import PROGRAMS, SERVICE, command

ABOVE = ("ingest", "scheduler", "dashboard", "demo_fleet")


@pytest.mark.parametrize("name", PROGRAMS)
def test_every_program_is_reached(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        program.main([name, "--help"])
    assert ended.value.code == 0
    assert f"usage: python -m {name}" in capsys.readouterr().out


@pytest.mark.parametrize("name", BENCHES)
def test_every_bench_is_reached(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        BENCHES[name](["--help"])
    assert ended.value.code == 0
    assert "usage: " in capsys.readouterr().out


def loaded_by(lines: str) -> set[str]:
    """The packages of ours that a fresh Python has loaded after these lines."""
    show = "import sys; print(*{name.split('.')[0] for name in sys.modules})"
    done = subprocess.run(
        [sys.executable, "-c", f"{lines}\n{show}"], capture_output=True, text=True, check=True
    )
    return set(done.stdout.split()) & {"fleet", "hourhand", *ABOVE}


def test_the_command_line_loads_no_program() -> None:
    said = loaded_by("from hourhand.command_line import parser\nparser()")
    assert said == {"fleet", "hourhand"}


def test_a_program_loads_no_other_program() -> None:
    begin = "import hourhand.program as p\ntry: p.main(['{}', '--help'])\nexcept SystemExit: pass"
    assert loaded_by(begin.format("ingest")) >= {"ingest", "fleet"}
    assert not loaded_by(begin.format("ingest")) & {"scheduler", "dashboard", "demo_fleet"}
    assert not loaded_by(begin.format("scheduler")) & {"ingest", "dashboard", "demo_fleet"}


def test_what_is_no_program_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert program.main(["coffee"]) == 2
    assert program.main([]) == 2
    assert "Name a program: ingest, scheduler" in capsys.readouterr().err
    with pytest.raises(ValueError, match="no program"):
        command("coffee")
    assert set(SERVICE) < set(PROGRAMS)

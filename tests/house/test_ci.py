"""What CI runs is what the README says; and the parts of a run are required, hidden and named."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import parts
import pytest
from places import ROOT

SCRIPT = (ROOT / ".ci" / "run").read_text()
README = (ROOT / "README.md").read_text()
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()
COMMANDS = [line for line in README.splitlines() if line.startswith("python3 -m venv")]
DEBIAN = Path("/usr/bin/python3")


def test_ci_calls_the_readmes_test_command_to_the_letter() -> None:
    command = next(line for line in COMMANDS if "pytest" in line)
    assert f"\nreadme() {{\n  {command}\n}}\n" in SCRIPT
    assert len(re.findall(r"^readme$", SCRIPT, re.MULTILINE)) == 2
    first, second = re.findall(r"```sh\n(.*)\n(.*)\n```", DEVELOPERS)[0]
    assert first == command
    assert f"\n{second}\n" in SCRIPT


def test_ci_installs_what_the_readme_names() -> None:
    said = re.search(r"Debian's packages\s+(.*?) are installed", README, re.DOTALL)
    assert said is not None
    named = set(re.findall(r"`([\w-]+)`", said[1]))
    installed = re.search(r"^packages=\((.*)\)$", SCRIPT, re.MULTILINE)
    assert installed is not None
    assert {"mosquitto", "chromium", "postgresql", *parts.LIBRARIES.values()} <= named
    assert named <= set(installed[1].split())


def test_ci_runs_all_with_every_part_then_without_then_the_long_tier(tmp_path: Path) -> None:
    """The script itself, its commands replaced by one that says how it was called."""
    say = (
        "python3 -c \"import os, sys; print('RAN', sys.executable, sys.version_info >= (3, 11), "
        "os.environ.get('HOURHAND_TEST_REQUIRE'), os.environ.get('HOURHAND_TEST_HIDE'))\""
    )
    command = next(line for line in COMMANDS if "pytest" in line)
    script = SCRIPT.replace(command, say).replace(".venv/bin/pytest -m long", f"{say} long")
    (tmp_path / ".ci").mkdir()
    (tmp_path / ".ci" / "run").write_text(script)
    (tmp_path / "bin").mkdir()
    for name, text in (("dpkg-query", "echo install ok installed"), ("apt-get", "exit 9")):
        (tmp_path / "bin" / name).write_text(f"#!/bin/sh\n{text}\n")
        (tmp_path / "bin" / name).chmod(0o755)
    done = subprocess.run(
        ["bash", str(tmp_path / ".ci" / "run")],
        capture_output=True,
        text=True,
        check=True,
        env={
            **os.environ,
            "PATH": f"{tmp_path / 'bin'}:{Path(sys.executable).parent}:{os.environ['PATH']}",
            "HOURHAND_TEST_HIDE": "chromium",
            "HOURHAND_TEST_REQUIRE": "",
        },
    )
    ran = [line.split()[1:] for line in done.stdout.splitlines() if line.startswith("RAN ")]
    can_hide = {name for name, part in parts.PARTS.items() if part.may_hide}
    have = "mosquitto,chromium,postgresql,openssl"
    assert [row[2:] for row in ran] == [
        [have, "None"],
        ["None", "mosquitto,chromium,postgresql,containers"],
        [have, "None"],
    ]
    assert set(ran[1][3].split(",")) == can_hide
    assert {row[1] for row in ran} == {"True"}
    if DEBIAN.exists() and "Debian's" not in sys.version:
        own = subprocess.run(
            [DEBIAN, "-c", "import sys; print(sys.version_info >= (3, 11))"],
            capture_output=True,
            text=True,
            check=True,
        ).stdout.strip()
        assert own == "False" or {row[0] for row in ran} == {str(DEBIAN)}


SAMPLE = """
import parts
import pytest

def test_needs(): parts.need("postgresql")
def test_passes(): pass
"""


def run_sample(
    tmp_path: Path, text: str = SAMPLE, **environment: str
) -> subprocess.CompletedProcess[str]:
    """A run of its own, with the suite's conftest, over one sample file."""
    sample = tmp_path / "test_sample.py"
    sample.write_text(text)
    clean = {k: v for k, v in os.environ.items() if not k.startswith(("HOURHAND_", "PYTEST_"))}
    return subprocess.run(
        [
            sys.executable,
            "-m",
            "pytest",
            "-p",
            "no:cacheprovider",
            "-p",
            "conftest",
            "-p",
            "no:xdist",
            "-o",
            "addopts=-ra",
            "--rootdir",
            str(tmp_path),
            "-c",
            str(ROOT / "pyproject.toml"),
            str(sample),
        ],
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
        env={**clean, "PYTHONPATH": f"{ROOT / 'tests'}:{ROOT}", **environment},
    )


def test_a_hidden_part_is_skipped_in_words(tmp_path: Path) -> None:
    done = run_sample(tmp_path, HOURHAND_TEST_HIDE="postgresql")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "1 passed, 1 skipped" in done.stdout
    assert "needs postgresql: hidden from this run by HOURHAND_TEST_HIDE" in done.stdout


WRONG_NAMES = [
    ({"psql"}, set(), "names psql; parts: mosquitto, chromium"),
    (set(), {"browser"}, "names browser"),
    ({"openssl"}, set(), "cannot hide openssl"),
    ({"postgresql"}, {"postgresql"}, "both hidden and required: postgresql"),
]


@pytest.mark.parametrize(("hidden", "required", "said"), WRONG_NAMES)
def test_wrong_names_of_parts_are_said(
    monkeypatch: pytest.MonkeyPatch, hidden: set[str], required: set[str], said: str
) -> None:
    monkeypatch.setattr(parts, "HIDDEN", hidden)
    monkeypatch.setattr(parts, "REQUIRED", required)
    assert said in parts.wrong_settings()


def test_wrong_names_of_parts_end_the_run(tmp_path: Path) -> None:
    wrong = "openssl,postgresql,psql"
    done = run_sample(tmp_path, HOURHAND_TEST_HIDE=wrong, HOURHAND_TEST_REQUIRE="postgresql")
    assert done.returncode == pytest.ExitCode.USAGE_ERROR
    assert "names psql; parts: mosquitto, chromium" in done.stderr


ODD = ("", "not today", "needs luck: it is Friday", "needs chromium:")


def test_a_skip_without_words_fails_the_run(tmp_path: Path) -> None:
    """Each of these is no reason, and is named."""
    skips = "\n".join(f"def test_{n}(): pytest.skip({reason!r})" for n, reason in enumerate(ODD))
    done = run_sample(tmp_path, f"import pytest\n{skips}\ndef test_ok(): pass\n")
    assert done.returncode == pytest.ExitCode.TESTS_FAILED, done.stdout
    told = re.findall(r"^no reason to skip \(use parts.need\): (.*)$", done.stdout, re.MULTILINE)
    assert sorted(re.sub("^Skipped:? ?", "", text).strip() for text in told) == sorted(ODD)


def test_a_required_part_fails_in_the_words_of_the_skip(monkeypatch: pytest.MonkeyPatch) -> None:
    words = "there is no PostgreSQL server (Debian: apt install postgresql)"
    monkeypatch.setitem(parts.PARTS, "postgresql", parts.Part(lambda: words))
    monkeypatch.setattr(parts, "HIDDEN", set())
    parts.missing.cache_clear()
    try:
        monkeypatch.setattr(parts, "REQUIRED", set())
        with pytest.raises(pytest.skip.Exception, match=f"^needs postgresql: {re.escape(words)}$"):
            parts.need("postgresql")
        monkeypatch.setattr(parts, "REQUIRED", {"postgresql"})
        with pytest.raises(pytest.fail.Exception, match=f"needs postgresql: {re.escape(words)}$"):
            parts.need("postgresql")
        assert parts.wrong_settings() == f"required and not on this machine: postgresql: {words}"
    finally:
        parts.missing.cache_clear()


def program(tmp_path: Path, text: str) -> str:
    path = tmp_path / "program"
    path.write_text(f"#!/bin/sh\n{text}\n")
    path.chmod(0o755)
    return str(path)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            "echo 'node: error while loading shared libraries: libatomic.so.1: cannot open shared "
            "object file: No such file or directory' >&2; exit 127",
            "it does not start: libatomic.so.1 is missing (Debian: apt install libatomic1)",
        ),
        (
            "echo 'x: error while loading shared libraries: libfoo-2.so.0: cannot' >&2; exit 127",
            "it does not start: libfoo-2.so.0 is missing; install its library",
        ),
        ("echo no display >&2; exit 1", "it does not start: no display"),
        ("exit 3", "it does not start: it says nothing"),
        ("exit 0", ""),
    ],
)
def test_a_program_that_does_not_start_is_said_with_its_cure(
    tmp_path: Path, text: str, words: str
) -> None:
    assert parts.starts(program(tmp_path, text), "--version", called="it") == words


def test_the_browsers_driver_is_a_program_of_the_package() -> None:
    assert Path(parts.driver()).exists()


def test_every_part_is_there_or_says_what_to_do() -> None:
    for name in parts.PARTS:
        words = parts.missing(name)
        assert words == "" or parts.GOOD_REASON.match(f"needs {name}: {words}")

"""The page of published values lists what the tests check."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from checks import PAGE, TESTS, Checks, asked_for, listed


def test_the_page_lists_every_published_value_that_is_checked() -> None:
    assert listed(PAGE.read_text()) == set(asked_for()), "run `pytest --write-checks`"


def test_a_value_off_by_more_than_allowed_fails_and_is_not_hidden_by_its_fellows() -> None:
    checks = Checks(writing=True)
    checks("a rule", "a source", [1.0, 2.0], [1.0, 2.05], 0.1)
    with pytest.raises(AssertionError, match=r"a rule \(a source\): 2.2, published 2.0"):
        checks("a rule", "a source", [1.0, 2.0], [1.0, 2.2], 0.1)
    with pytest.raises(AssertionError, match="1 values for 2"):
        checks("a rule", "a source", [1.0, 2.0], [1.0])
    with pytest.raises(AssertionError, match="published 'due'"):
        checks("a rule", "a source", "due", "late")


def test_an_unlisted_rule_fails_where_the_page_is_not_being_written() -> None:
    checks = Checks()
    with pytest.raises(AssertionError, match="does not list an unheard-of rule"):
        checks("an unheard-of rule", "nobody", 1.0, 1.0)


def test_values_are_counted_once_and_the_largest_deviation_is_told() -> None:
    checks = Checks(writing=True)
    checks("a rule", "a source", [1.0, 2.0, 2.0], [1.0, 2.0, 2.01], 0.02)
    checks("a rule", "a source", 3.0, 3.0, 0.5)
    assert checks.page().splitlines()[-1] == "| a rule | a source | 3 | 0.01 | 0.02 |"
    assert listed(checks.page()) == {("a rule", "a source")}


@pytest.mark.long
@pytest.mark.timeout(1800)
def test_the_page_is_what_a_run_writes(tmp_path: Path, shared: Path) -> None:
    files = sorted({name for names in asked_for().values() for name in names})
    page = tmp_path / "checks.md"
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "pytest",
            "-q",
            "-p",
            "no:cacheprovider",
            f"--write-checks={page}",
            *(str(TESTS / name) for name in files),
        ],
        capture_output=True,
        text=True,
        check=False,
        cwd=TESTS.parent,
    )
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-2000:]
    assert counted(page.read_text()) == counted(PAGE.read_text()), "run `pytest --write-checks`"


def counted(page: str) -> list[list[str]]:
    """The lines of the page without the deviation, whose last digits are the machine's."""
    return [line.split("|")[1:4] + line.split("|")[5:] for line in page.splitlines() if "|" in line]

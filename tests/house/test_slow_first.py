"""A run on several cores begins with the files that take long, and takes every test of the run."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from places import ROOT, TESTS
from slow_first import FIRST, slow_first


def item(file: str, n: int) -> Any:
    return SimpleNamespace(path=TESTS / file, n=n)


def test_what_takes_long_comes_first_and_nothing_is_lost() -> None:
    items = [item("a/test_a.py", 0), item(FIRST[1], 1), item("b.py", 2), item(FIRST[0], 3)]
    items += [item(FIRST[1], 4), item("a/test_a.py", 5)]
    slow_first(items, TESTS)
    assert [one.n for one in items] == [3, 1, 4, 0, 2, 5]


def test_every_file_that_is_named_is_there_once() -> None:
    assert len(set(FIRST)) == len(FIRST)
    assert [name for name in FIRST if not (TESTS / name).is_file()] == []


def test_the_order_of_the_run_is_ours() -> None:
    """The runner would put files with many tests first, however short those are."""
    assert "--dist loadfile --no-loadscope-reorder" in (ROOT / "pyproject.toml").read_text()

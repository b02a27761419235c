"""No test stands on how fast the machine is: no assertion on a clock, no fixed wait for a page, no
search that is cut by seconds and then judged.

A machine that runs something else beside the tests is the usual one.
"""

from __future__ import annotations

import ast
from pathlib import Path

import pytest
from places import TESTS as HERE

FILES = sorted(HERE.rglob("*.py"))
CLOCKS = frozenset({"monotonic", "perf_counter", "process_time", "thread_time", "time"})
LEAST_S = 60
"""A program of ours that is started has so long at least before a test gives it up."""

HELD = frozenset(
    {"self.released.wait", "held.hold.wait", "self._stop.wait", "stop.wait", "pause.wait"}
)
"""Servers of the tests that hold an answer back until they are told, and the pauses of loops: nobody is
given up there."""


def called(node: ast.AST) -> str:
    """The last name of what is called: `time.monotonic()` is monotonic."""
    if not isinstance(node, ast.Call):
        return ""
    of = node.func
    return of.attr if isinstance(of, ast.Attribute) else of.id if isinstance(of, ast.Name) else ""


def clocked(function: ast.AST) -> set[str]:
    """Names that hold a length of time measured here: a difference of clocks."""
    found: set[str] = set()
    for node in ast.walk(function):
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.BinOp):
            sides = (node.value.left, node.value.right)
            if isinstance(node.value.op, ast.Sub) and any(called(s) in CLOCKS for s in sides):
                found |= {t.id for t in node.targets if isinstance(t, ast.Name)}
    return found


def on_a_clock(tree: ast.AST) -> list[int]:
    """Lines of assertions on a measured time; a deadline of a waiting loop is none."""
    found = []
    for function in ast.walk(tree):
        if not isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef):
            continue
        lengths = clocked(function)
        loops = [n for n in ast.walk(function) if isinstance(n, ast.While)]
        waiting = {id(inner) for loop in loops for inner in ast.walk(loop)}
        for node in ast.walk(function):
            if not isinstance(node, ast.Assert) or id(node) in waiting:
                continue
            inside = list(ast.walk(node.test))
            measured = any(isinstance(n, ast.Name) and n.id in lengths for n in inside)
            asked = any(called(n) in CLOCKS - {"time"} for n in inside)
            if measured or asked:
                found.append(node.lineno)
    return found


def hurries(given: ast.expr | None) -> bool:
    """A number, and too small a one."""
    return (
        isinstance(given, ast.Constant)
        and isinstance(given.value, int | float)
        and given.value < LEAST_S
    )


def hurried(tree: ast.AST) -> list[int]:
    """Lines that give a program less than a minute to end, or a page a fixed time to come."""
    found = []
    for node in ast.walk(tree):
        if called(node) == "wait_for_timeout":
            found.append(node.lineno)  # type: ignore[attr-defined]
        if called(node) not in ("communicate", "run", "wait") or not isinstance(node, ast.Call):
            continue
        first = node.args[0] if called(node) == "wait" and node.args else None
        if hurries(first) and ast.unparse(node.func) not in HELD:
            found.append(node.lineno)
        for word in node.keywords:
            given = word.value
            if word.arg == "timeout" and hurries(given):
                found.append(node.lineno)
    return found


def cut_by_seconds(tree: ast.AST) -> list[int]:
    """Lines that search for so many seconds: how far it gets is the machine's."""
    found = []
    for node in ast.walk(tree):
        if called(node) == "Limits" and isinstance(node, ast.Call):
            words = {word.arg: word.value for word in node.keywords}
            if "seconds" in words and not {"iterations", "solver"} & set(words):
                found.append(node.lineno)
    return found


MAY_BE_CUT = {"test_rounds_plan.py": 2}
"""Two that are about being stopped: by the watchdog, and by a person while it goes on."""


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.name)
def test_nothing_is_asserted_on_a_clock(path: Path) -> None:
    assert on_a_clock(ast.parse(path.read_text())) == []


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.name)
def test_nobody_is_hurried(path: Path) -> None:
    assert hurried(ast.parse(path.read_text())) == []


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.name)
def test_no_search_is_judged_that_was_cut_by_seconds(path: Path) -> None:
    assert len(cut_by_seconds(ast.parse(path.read_text()))) == MAY_BE_CUT.get(path.name, 0)


@pytest.mark.parametrize(
    ("code", "found"),
    [
        ("def f():\n a = time.monotonic()\n b = time.monotonic() - a\n assert b < 3", [4]),
        ("def f():\n a = time.monotonic()\n assert time.monotonic() - a < 3", [3]),
        ("def f():\n while not x:\n  assert time.monotonic() < deadline", []),
        ("def f():\n a = time.time()\n assert a", []),
    ],
)
def test_such_an_assertion_is_found(code: str, found: list[int]) -> None:
    assert on_a_clock(ast.parse(code)) == found


def test_hurry_and_cut_searches_are_found() -> None:
    assert hurried(ast.parse("process.wait(20)\nprocess.wait(120)")) == [1]
    assert hurried(ast.parse("page.wait_for_timeout(500)\nsubprocess.run(x, timeout=5)")) == [1, 2]
    assert hurried(ast.parse("subprocess.run(x, timeout=120)\nrun(x)")) == []
    assert cut_by_seconds(ast.parse("Limits(seconds=3)\nLimits(seconds=3, iterations=9)")) == [1]

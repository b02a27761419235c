"""Published values: asserted, counted, and listed on docs/checks.md.

A test asks for the fixture `checked` and calls it with a rule and a source, both written out:

    checked("Jeffreys interval", "NIST e-Handbook 7.2.4.2", published, got, 1e-6)

`pytest --write-checks` writes the page from the run; without it, a value that the page does not
list fails its test.
"""

from __future__ import annotations

import ast
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from places import TESTS

PAGE = TESTS.parent / "docs" / "checks.md"
HEAD = """# Published values

Written by the tests (`pytest --write-checks`): which rule is held to which source, by how many
distinct published values, and how far off the largest was. Values seen in a public page or file,
in a secondary source, or worked out again from stated inputs are here; values known from memory
only stand in configuration, labelled so, and are not.

| rule | source | published values | largest deviation | allowed |
|---|---|---|---|---|
"""
Key = tuple[str, str]


@dataclass
class Row:
    """One line of the page. deviation and allowed: of the value that came nearest to failing."""

    values: set[str] = field(default_factory=set)
    deviation: float = 0.0
    allowed: float = 0.0


@dataclass
class Checks:
    """What a run has checked. writing: the page is to be written, so it need not list it yet."""

    writing: bool = False
    rows: dict[Key, Row] = field(default_factory=dict)
    listed: set[Key] | None = None

    def __call__(
        self, rule: str, source: str, published: Any, got: Any, tolerance: float = 0.0
    ) -> None:
        """Assert that every value is within the tolerance of the published one (texts: equal)."""
        wanted, found = list(_flat(published)), list(_flat(got))
        assert len(wanted) == len(found), f"{rule}: {len(found)} values for {len(wanted)}"
        row = self.rows.setdefault((rule, source), Row())
        for want, have in zip(wanted, found, strict=True):
            row.values.add(f"{want!r}")
            off = 0.0 if want == have else float("inf")
            if not isinstance(want, str):
                off = abs(float(have) - float(want))
            assert off <= tolerance + 1e-12, f"{rule} ({source}): {have!r}, published {want!r}"
            if off >= row.deviation:
                row.deviation, row.allowed = off, max(row.allowed, tolerance)
        if not self.writing:
            if self.listed is None:
                self.listed = listed(PAGE.read_text() if PAGE.exists() else "")
            assert (rule, source) in self.listed, (
                f"docs/checks.md does not list {rule} ({source}): run `pytest --write-checks`"
            )

    def page(self) -> str:
        """The page, its rows in order of rule and source."""
        return HEAD + "".join(
            f"| {rule} | {source} | {len(row.values)} | {_number(row.deviation)} "
            f"| {_number(row.allowed)} |\n"
            for (rule, source), row in sorted(self.rows.items())
        )


def listed(page: str) -> set[Key]:
    """(rule, source) of every line of the page."""
    cells = [[c.strip() for c in line.split("|")] for line in page.splitlines()]
    return {(c[1], c[2]) for c in cells if len(c) == 7 and c[3].isdigit()}


def asked_for() -> dict[Key, set[str]]:
    """(rule, source) of every `checked` call in the tests, and the files that hold them.

    Raises ValueError where they are not written out: the page could not be held to them.
    """
    found: dict[Key, set[str]] = {}
    for file in sorted(TESTS.rglob("test_*.py")):
        if file.name == "test_checks.py":
            continue
        for node in ast.walk(ast.parse(file.read_text())):
            if not isinstance(node, ast.Call) or getattr(node.func, "id", "") != "checked":
                continue
            texts = [getattr(a, "value", None) for a in node.args[:2]]
            if not all(isinstance(text, str) and "|" not in text for text in texts):
                raise ValueError(f"{file.name}:{node.lineno}: write rule and source out")
            found.setdefault((str(texts[0]), str(texts[1])), set()).add(
                file.relative_to(TESTS).as_posix()
            )
    return found


def missing(checks: Checks) -> list[str]:
    """What the tests ask for and this run did not check, in words."""
    return [
        f"{rule} ({source})" for rule, source in asked_for() if (rule, source) not in checks.rows
    ]


def _flat(value: Any) -> Iterable[Any]:
    if isinstance(value, str) or np.ndim(value) == 0:
        yield value.item() if isinstance(value, np.generic) else value
        return
    for part in value:
        yield from _flat(part)


def _number(value: float) -> str:
    return "0" if value < 5e-13 else f"{value:.2g}"

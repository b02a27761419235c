"""The pages say what the code does: settings, register, records, commands, rules, dependencies."""

from __future__ import annotations

import argparse
import re
import tomllib
from pathlib import Path

import pytest
from places import ROOT

from fleet.findings import KINDS
from fleet.registry.facts.records.facts import FIELDS
from fleet.registry.register.columns import NAMES, REQUIRED
from fleet.settings import TABLE
from hourhand.command_line import parser


def page(name: str) -> str:
    return (ROOT / name).read_text()


def table_rows(text: str) -> list[list[str]]:
    rows = [line for line in text.splitlines() if line.startswith("|") and "---" not in line]
    return [[cell.strip() for cell in row.strip("|").split("|")] for row in rows]


def test_every_setting_is_listed_with_its_default_and_bounds() -> None:
    rows = {row[0].strip("`"): row for row in table_rows(page("docs/settings.md"))[1:]}
    assert set(rows) == {setting.name for setting in TABLE}
    for setting in TABLE:
        default = str(setting.default).lower() if setting.kind == "yes_no" else setting.default
        assert rows[setting.name][1] == (f"`{default}`" if default != "" else ""), setting.name
        assert rows[setting.name][2] == setting.may_be, setting.name
        assert rows[setting.name][3] == setting.help, setting.name


def test_every_register_column_is_listed() -> None:
    text = page("docs/register.md")
    listed = {name for row in table_rows(text)[1:] for name in re.findall(r"`(\w+)`", row[0])}
    assert listed == set(NAMES)
    required = text[text.index("Required:") : text.index("and `lat`")]
    assert set(re.findall(r"`(\w+)`", required)) == set(REQUIRED)


def test_every_kind_of_record_is_listed_with_its_columns() -> None:
    rows = {row[0].strip("`"): row[1] for row in table_rows(page("docs/records.md"))[1:]}
    assert set(rows) == set(FIELDS)
    for kind, fields in FIELDS.items():
        assert set(re.findall(r"`(\w+)`", rows[kind])) == {field.name for field in fields}, kind


def commands(top: argparse.ArgumentParser, name: str = "hourhand") -> dict[str, str]:
    """Every command with its help text."""
    groups = [a for a in top._actions if isinstance(a, argparse._SubParsersAction)]
    if not groups:
        return {name: top.format_help()}
    found: dict[str, str] = {}
    for group in groups:
        for word, child in group.choices.items():
            found |= commands(child, f"{name} {word}")
    return found


@pytest.mark.parametrize(("name", "text"), commands(parser()).items())
def test_every_command_has_an_example_and_is_in_the_readme(name: str, text: str) -> None:
    assert "example:\n  hourhand " in text
    first = " ".join(name.split()[:3])
    readme = page("README.md")
    assert first in readme or first.removeprefix("hourhand ") in readme, name


def test_every_finding_is_in_the_rules() -> None:
    rules = page("docs/rules.md")
    for kind in KINDS.keys() - {"earlier"}:
        assert f"`{kind}`" in rules, kind


def test_every_dependency_has_a_reason() -> None:
    project = tomllib.loads(page("pyproject.toml"))["project"]
    extras = [d for group in project["optional-dependencies"].values() for d in group]
    contributors = page("DEVELOPERS.md")
    for dependency in project["dependencies"] + extras:
        name = re.match(r"[A-Za-z0-9_-]+", dependency)
        assert name is not None
        assert name.group() in contributors, dependency


def test_the_constraints_name_no_host() -> None:
    for line in page("constraints.txt").splitlines():
        assert re.fullmatch(r"(#.*|[A-Za-z0-9._-]+==[A-Za-z0-9.+!_-]+)?", line), line


@pytest.mark.parametrize("name", sorted(p.name for p in (ROOT / "docs").glob("*.md")))
def test_every_page_can_be_reached(name: str) -> None:
    reached = page("README.md") + page("DEVELOPERS.md")
    for other in (ROOT / "docs").glob("*.md"):
        reached += other.read_text() if other.name != name else ""
    assert name in reached


@pytest.mark.parametrize(
    "path",
    [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))],
    ids=lambda p: p.name,
)
def test_links_lead_somewhere(path: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", path.read_text()):
        if not target.startswith("http"):
            assert (path.parent / target).exists(), target

"""What the documents name is there: command lines parse, paths answer, settings, files and links exist."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from places import ROOT
from seeding import NOW, seed

from dashboard.app import create_app
from demo_fleet.__main__ import _parser as demo_parser
from fleet.registry.register.columns import NAMES
from fleet.settings import TABLE
from hourhand.command_line import parser

PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]
PLACED = {"KIND": "geojson", "FILE": "a.csv", "JOB": "j1", "DIR": "d", "DATA": "d", "COMMAND": ""}
"""What a reader puts in place of a word in capitals."""
WORDS = {word for group in parser()._subparsers._group_actions for word in group.choices}  # type: ignore[union-attr]

ELSEWHERE = frozenset({"backup", "restore"})
"""Commands that are held to their page by tests of their own."""


def name(path: Path) -> str:
    return path.name


def code(text: str) -> list[str]:
    """Lines of fenced and indented blocks, and everything in backticks."""
    found = [
        line
        for block in re.findall(r"^```\w*\n(.*?)^```", text, re.DOTALL | re.MULTILINE)
        for line in re.sub(r"\\\n\s*", " ", block).splitlines()
    ]
    found += [line.strip() for line in re.findall(r"^    (\S.*)$", text, re.MULTILINE)]
    bare = re.sub(r"^```.*?^```", "", text, flags=re.DOTALL | re.MULTILINE)
    return found + [" ".join(one.split()) for one in re.findall(r"`([^`]+)`", bare)]


def lines_of(text: str, program: str) -> list[list[str]]:
    """The arguments of every command line of a program, as a shell would hand them over."""
    found = []
    for line in code(text):
        for match in re.finditer(rf"(?:^|[\s/&'(]){program} ([^#;&|)'<>]+)", f" {line}"):
            words = [PLACED.get(word, word) for word in shlex.split(match.group(1).strip())]
            found.append([word for word in words if word])
    return found


HOURHAND = [(page, words) for page in PAGES for words in lines_of(page.read_text(), "hourhand")]
DEMO = [
    (page, words) for page in PAGES for words in lines_of(page.read_text(), "python -m demo_fleet")
]


def said(case: object) -> str:
    return case.name if isinstance(case, Path) else " ".join(case)  # type: ignore[arg-type]


@pytest.mark.parametrize(("page", "words"), HOURHAND, ids=said)
def test_every_command_line_can_be_typed(
    page: Path, words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """With its options as they stand there. A command that is only named needs no file beside it."""
    if words[0] in ELSEWHERE - WORDS:
        return
    try:
        parser().parse_args(words)
        wrong = ""
    except SystemExit as ended:
        wrong = capsys.readouterr().err if ended.code else ""
    named = "arguments are required" in wrong and all(w.isalpha() and w.islower() for w in words)
    assert wrong == "" or named, f"{page.name}: hourhand {' '.join(words)}: {wrong}"


@pytest.mark.parametrize(("page", "words"), DEMO, ids=said)
def test_every_line_of_the_demonstration_can_be_typed(page: Path, words: list[str]) -> None:
    demo_parser().parse_args(words)


def test_there_are_such_lines() -> None:
    assert len(HOURHAND) > 30
    assert len(DEMO) == 4


@pytest.fixture(scope="module")
def routes(tmp_path_factory: pytest.TempPathFactory) -> set[str]:
    fleet = seed(tmp_path_factory.mktemp("routes"))
    app = create_app(fleet.settings, fleet.registry, fleet.history, now=lambda: NOW)
    found = set(app.openapi()["paths"])
    found |= {path for one in app.routes if (path := getattr(one, "path", ""))}
    fleet.history.store.close()
    fleet.registry.close()
    return {re.sub(r"\{[^}]*\}", "{}", path) for path in found}


@pytest.mark.parametrize("page", PAGES, ids=name)
def test_every_path_of_the_pages_answers(page: Path, routes: set[str]) -> None:
    """`/health`, `/api/units/{unit}/records`; `/api` is what many begin with."""
    for one in re.findall(r"`(?:GET |POST )?(/[a-z][\w{}/.-]*)`", page.read_text()):
        if one.startswith(("/etc/", "/data", "/tmp", "/var/", "/opt/")):
            continue
        path = re.sub(r"\{[^}]*\}", "{}", one)
        assert path in routes or any(known.startswith(f"{path}/") for known in routes), one


@pytest.mark.parametrize("page", PAGES, ids=name)
def test_every_setting_in_capitals_exists(page: Path) -> None:
    known = {f"HOURHAND_{setting.name.upper()}" for setting in TABLE}
    tests = "".join(path.read_text() for path in (ROOT / "tests").rglob("*.py"))
    for one in set(re.findall(r"HOURHAND_[A-Z_]*[A-Z]", page.read_text())):
        if one.startswith("HOURHAND_TEST_"):
            assert f'"{one}"' in tests, one
        else:
            assert one in known, one


@pytest.mark.parametrize("page", PAGES, ids=name)
def test_every_setting_that_is_called_one_exists(page: Path) -> None:
    known = {setting.name for setting in TABLE}
    for one in re.findall(r"[Ss]ettings?\s+`(\w+)`", page.read_text()):
        assert one in known, one


@pytest.mark.parametrize("page", PAGES, ids=name)
def test_every_file_and_module_named_is_there(page: Path) -> None:
    rooms = (
        "fleet",
        "ingest",
        "scheduler",
        "dashboard",
        "demo_fleet",
        "hourhand",
        "tests",
        "docs",
        ".ci",
    )
    for one in re.findall(r"`([^`\s]+)`", page.read_text()):
        if one.split("/")[0] in rooms and "/" in one and not set("{*+") & set(one):
            path = ROOT / one
            assert path.exists() or path.with_suffix(".py").exists(), one
        dotted = re.fullmatch(
            r"((?:fleet|ingest|scheduler|dashboard|demo_fleet|hourhand)(?:\.\w+)+)", one
        )
        if dotted and not one.endswith((".py", ".toml")):
            parts = one.split(".")
            roads = (
                ROOT.joinpath(*parts),
                ROOT.joinpath(*parts).with_suffix(".py"),
                ROOT.joinpath(*parts[:-1]).with_suffix(".py"),
                ROOT.joinpath(*parts[:-1]) / "__init__.py",
            )
            assert any(road.exists() for road in roads), one


def anchors(path: Path) -> set[str]:
    """The anchors of a page's headings, as a forge makes them."""
    heads = re.findall(r"^#+ (.+)$", path.read_text(), re.MULTILINE)
    return {re.sub(r"[^\w -]", "", head.lower()).replace(" ", "-") for head in heads}


@pytest.mark.parametrize("page", PAGES, ids=name)
def test_every_link_leads_to_a_page_and_a_heading(page: Path) -> None:
    for target in re.findall(r"\]\(([^)\s]+)\)", page.read_text()):
        if target.startswith("http"):
            continue
        file, _, anchor = target.partition("#")
        to = (page.parent / file).resolve() if file else page
        assert to.exists(), target
        assert not anchor or anchor in anchors(to), target


def test_a_profile_is_promised_only_where_it_can_be_given() -> None:
    """As soon as the register has a column for it the page may say so, and no sooner."""
    text = (ROOT / "docs" / "wire.md").read_text()
    section = text[text.index("## Device profiles") :]
    assert ("Not usable yet" in section) == ("profile" not in NAMES)
    assert "profile" in NAMES or "named in the\nregister" not in section


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("```sh\nhourhand up  # runs\n```", [["up"]]),
        ("`hourhand due --late`", [["due", "--late"]]),
        ("say `.venv/bin/hourhand demo` or not hourhand up", [["demo"]]),
    ],
)
def test_command_lines_are_found(text: str, found: list[list[str]]) -> None:
    assert lines_of(text, "hourhand") == found

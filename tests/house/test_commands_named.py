"""Every command that a sentence, a page or a help text names exists, with its options."""

from __future__ import annotations

import argparse
import ast
import io
import re
import tokenize
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path

import pytest
from places import ROOT

from hourhand.command_line import parser

PROGRAMS = ("fleet", "ingest", "scheduler", "dashboard", "demo_fleet", "hourhand")
PAGES = [
    *sorted(ROOT.glob("*.md")),
    *sorted((ROOT / "docs").glob("*.md")),
    ROOT / "docker-compose.yml",
    ROOT / "Containerfile",
    ROOT / ".ci" / "run",
]
SOURCES = [
    path
    for program in PROGRAMS
    for path in sorted((ROOT / program).rglob("*"))
    if path.suffix in (".py", ".html", ".js", ".toml", ".typ") and "__pycache__" not in path.parts
]
CALL = re.compile(
    r"(?<![\w/.@:=-])(?<!-[A-Za-z] )(?<!--rm )(?:[\w./-]*/bin/)?hourhand((?: +(?:--?[a-z][a-z-]*|[A-Za-z0-9][\w./:@-]*))+)"
)
"""`hourhand` and the words after it, up to a full stop, a bracket, a quote or a back-tick.
A user or a database of that name (`-U hourhand`) and the image (`run --rm hourhand`) are none."""
MODULE = re.compile(r"python3? -m ([a-z_]+(?:\.[a-z_]+)*)")
ELSEWHERE = ("pytest", "venv", "pip")


def texts(path: Path) -> Iterator[str]:
    """What stands in the file, line breaks as blanks; of Python its texts, put together where they
    are written in several pieces, and its comments."""
    source = path.read_text("utf-8")
    if path.suffix != ".py":
        yield " ".join(source.split()) if path.suffix == ".html" else joined(source)
        return
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield joined(node.value)
        elif isinstance(node, ast.JoinedStr):
            parts = (p.value if isinstance(p, ast.Constant) else "X" for p in node.values)
            yield joined("".join(map(str, parts)))
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type == tokenize.COMMENT:
            yield token.string


def joined(text: str) -> str:
    """A sentence broken over lines in one; a block of commands keeps its lines."""
    return re.sub(r"(`[^`\n]*)\n\s*([^`\n]*`)", r"\1 \2", text)


def subcommands(of: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser] | None:
    group = next((a for a in of._actions if isinstance(a, argparse._SubParsersAction)), None)
    return None if group is None else dict(group.choices)


def wrong(words: list[str]) -> str:
    """What is wrong with a call of hourhand; '' for nothing. One of prose is none."""
    at, known = parser(), subcommands(parser())
    said = "hourhand"
    rest = list(words)
    while known is not None:
        if not rest or rest[0].startswith("-"):
            return "" if rest[:1] in ([], ["--help"]) else f"{said} takes no {rest[0]}"
        word = rest.pop(0)
        if word not in known:
            return f"there is no {said} {word}"
        said, at = f"{said} {word}", known[word]
        known = subcommands(at)
    chosen = next((a for a in at._actions if not a.option_strings and a.choices), None)
    choices = () if chosen is None else chosen.choices or ()
    if choices and rest and rest[0][0].islower() and rest[0] not in choices:
        return f"{said} takes no {rest[0]}"
    if any(a.nargs == argparse.REMAINDER for a in at._actions):
        return ""  # a bench reads its own options
    options = {option for action in at._actions for option in action.option_strings}
    return "".join(
        f"{said} takes no {word}" for word in rest if word.startswith("--") and word not in options
    )


def calls(text: str) -> Iterator[list[str]]:
    for found in CALL.finditer(text):
        words = found[1].split()
        end = next((i for i, word in enumerate(words) if word.endswith((".", ":"))), None)
        yield [word.rstrip(".:") for word in (words if end is None else words[: end + 1])]


@pytest.mark.parametrize(
    "path", [*PAGES, *SOURCES], ids=lambda path: path.relative_to(ROOT).as_posix()
)
def test_what_is_named_exists(path: Path) -> None:
    for text in texts(path):
        for words in calls(text):
            assert wrong(words) == "", f"{' '.join(words)!r} in {text[:200]!r}"
        for module in MODULE.findall(text):
            name = module.rstrip(".")
            assert name.split(".")[0] in (*PROGRAMS, *ELSEWHERE), text[:200]
            if name.split(".")[0] in PROGRAMS:
                assert find_spec(name) is not None, f"there is no {name}: {text[:200]!r}"


@pytest.mark.parametrize(
    ("said", "fault"),
    [
        ("`hourhand settings` or the README lists them all.", "there is no hourhand settings"),
        ("restore it with `hourhand\n    bring-back FILE`", "there is no hourhand bring-back"),
        (".venv/bin/hourhand unit import register.csv", "there is no hourhand unit"),
        ("use hourhand units forget.", "there is no hourhand units forget"),
        ("`hourhand due --early`", "hourhand due takes no --early"),
        ("`hourhand bench tea`", "hourhand bench takes no tea"),
        ("`hourhand bench NAME`, `hourhand --help`, hourhand due --late.", ""),
        ("`hourhand backup FILE`; hourhand units list --search mill", ""),
    ],
)
def test_the_walk_finds_what_is_wrong(said: str, fault: str) -> None:
    found = [wrong(words) for words in calls(joined(said))]
    assert "".join(found) == fault
    assert found


def test_the_sentences_about_backups_name_the_command() -> None:
    """Whoever is told to restore a backup is told how."""
    for path in SOURCES:
        if path.suffix == ".py" and "backup" not in path.relative_to(ROOT).parts[:2]:
            for node in ast.walk(ast.parse(path.read_text())):
                text = getattr(node, "value", "") if isinstance(node, ast.Constant) else ""
                if isinstance(text, str) and re.search(r"[Rr]estore (it|the|a)\b.*backup", text):
                    assert "hourhand restore" in text, f"{path}: {text}"


def test_the_readmes_short_forms_exist_too() -> None:
    cells = re.findall(r"^\| (`hourhand [^|]*) \|", (ROOT / "README.md").read_text(), re.MULTILINE)
    spans = [span for cell in cells for span in re.findall(r"`([^`]+)`", cell)]
    assert len(spans) > len(cells) > 10
    for span in spans:
        assert wrong(span.removeprefix("hourhand ").split()) == "", span

"""Every text of fleet/words is held to ENGINEERING 15, whoever it is for and however it is built.

The walk reads the source of each family, so that a template nobody samples is held too.
"""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet import words
from fleet.model import Finding
from fleet.words import alarms as said_of
from fleet.words import customers
from fleet.words.saying import CAUTIONS, Sentence
from fleet.words.short import SHORT_CAUTION, plain, short
from tests.test_words import NOW, SAMPLES, ZONE

ROOM = Path(words.__file__).parent
FILES = sorted(ROOM.glob("*.py"))
NEVER = (
    r"\bswitch(ed|ing)? (it |the set )?(back )?(in)?to auto", r"\b(put|set|turn) it (back )?(in|to) auto",
    r"\btry (to )?(start|crank|it again|again)", r"(?<!may not )(?<!did not )\bstart (it|the (set|engine|generator))\b",
    r"\banother (start|attempt to start)", r"\brestart", r"\bcrank it\b", r"\bjump[ -]?(start|lead|cable)",
    r"\bopen (up )?(the|its|a) (panel|cover|cabinet|box|door)", r"\b(take|remove) the (panel|cover)\b",
    r"\breset (the|its) (fault|panel|controller|alarm)", r"\b(by|over)pass the\b",
    r"\brun (it|the (set|generator)|your generator)\b",
)  # fmt: skip
"""Another start, a jump start, an opened panel, a switch to automatic, a set run by who reads it."""


def templates(path: Path) -> list[str]:
    """Every text of a module but its docstrings, an f-string as its pieces with '#' between."""
    tree = ast.parse(path.read_text())
    documented = (ast.Module, ast.ClassDef, ast.FunctionDef)
    skip: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, documented) or hasattr(node, "body"):
            for child in getattr(node, "body", []) if isinstance(node.body, list) else []:
                if isinstance(child, ast.Expr) and isinstance(child.value, ast.Constant):
                    skip.add(id(child.value))
        if isinstance(node, ast.JoinedStr):
            skip.update(id(part) for part in node.values)
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in skip:
            found.append(node.value)
        if isinstance(node, ast.JoinedStr):
            parts = [str(p.value) if isinstance(p, ast.Constant) else "#" for p in node.values]
            found.append("".join(parts))
    return found


def offending(text: str) -> str:
    return next((p for p in NEVER if re.search(p, text, re.IGNORECASE)), "")


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_no_template_says_what_is_never_said(path: Path) -> None:
    for text in templates(path):
        assert not offending(text), (text, offending(text))


@pytest.mark.parametrize(
    "bad",
    ["Switch it to automatic.", "Put it back in auto.", "Try to start it again.", "Jump-start it.",
     "Open the panel and look.", "Ask them to restart it.", "Run your generator for 20 min.",
     "Reset the fault at its panel."],
)  # fmt: skip
def test_the_walk_can_fail(bad: str, tmp_path: Path) -> None:
    planted = tmp_path / "planted.py"
    planted.write_text(f'"""Doc."""\nX = 3\nSAID = f"{{X}} sets. {bad}"\n')
    assert any(offending(text) for text in templates(planted))


@pytest.mark.parametrize("way", ["email", "sms", "push", "webhook"])
@pytest.mark.parametrize("sample", SAMPLES, ids=lambda f: f.kind)
def test_a_message_that_may_send_a_person_carries_its_cautions(sample: Finding, way: str) -> None:
    said = words.sentence(sample, ZONE, NOW)
    body = said_of.body(said, "Alder House", "0123", way)  # type: ignore[arg-type]
    assert not offending(said.title)
    assert not offending(body.replace(said_of.SMS_CAUTION, ""))
    if sample.kind in words.SENDS_A_PERSON:
        lines = [said_of.SMS_CAUTION] if way in said_of.SHORT else list(CAUTIONS)
        assert all(line in body for line in lines)


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda f: f.kind)
def test_a_text_message_is_one_message(sample: Finding) -> None:
    said = words.sentence(sample, ZONE, NOW)
    link = "https://hourhand.example.net/alerts/e0123456789abcdef"
    text = short("Ärztehaus „Süd“ am Kanal, hinterer Hof\r\nBcc: x", said, link)
    assert len(text) <= 160
    assert text.endswith(link)
    assert text.isascii()
    assert "\n" not in text
    assert said.title.split()[0] in text or said.seen[:12] in text
    assert (SHORT_CAUTION in text) == bool(said.cautions)
    over = short("Alder House", said, link, ended="05:31")
    assert len(over) <= 160
    assert over.startswith("Over at 05:31")
    assert over.endswith(link)


@given(st.text(), st.text(), st.text(), st.text(max_size=300), st.booleans())
def test_whatever_comes_in_a_text_message_stays_one(
    place: str, seen: str, do: str, link: str, sends: bool
) -> None:
    said = Sentence(title="Would not start", seen=seen, do=do, cautions=CAUTIONS if sends else ())
    text = short(place, said, link)
    assert len(text) <= 160
    assert all(" " <= letter <= "~" and letter not in "[]{}~|^\\`" for letter in text)
    assert (SHORT_CAUTION in text) or not sends


def test_letters_that_would_make_three_messages_are_written_plainly() -> None:
    assert plain("Café – “Süd”… 5 €\tß") == 'Cafe - "Sud"... 5 EUR ss'


@pytest.mark.parametrize("powered", [True, False, None])
def test_a_customer_in_an_outage_reads_the_dangers(powered: bool | None) -> None:
    subject, body = customers.outage("Elm Power", "Oak\r\nBcc: a@b", powered=powered)
    assert "\n" not in subject
    assert "\r" not in subject + body
    for word in ("outdoors", "doors, windows", "carbon monoxide alarm", "dizzy", "Never plug",
                 "Engine off and cooled", "OFF", "start by itself"):  # fmt: skip
        assert word in body, word
    assert ("call us" in body) == (powered is not True)


@pytest.mark.parametrize("word", ["alert", "episode", "nominal", "SoC", "crank", "auto"])
def test_a_customer_reads_no_jargon(word: str) -> None:
    for text in templates(ROOM / "customers.py"):
        assert not re.search(rf"\b{word}\b", text, re.IGNORECASE), text

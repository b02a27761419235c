"""No page, sentence, document or example names a company: services are said in generic words.

The names to look for are those of the carrier library's own list, over two hundred of them; what is
left out of it are words of the language and open standards, and the library itself.
"""

from __future__ import annotations

import ast
import re
from pathlib import Path

import apprise
import pytest
from places import ROOT

WORDS_AND_STANDARDS = frozenset(
    {
        "amqp",
        "amqps",
        "apprise",
        "apprises",
        "dbus",
        "dot",
        "dot.",
        "e-mail",
        "evolution",
        "form",
        "forms",
        "irc",
        "ircs",
        "join",
        "json",
        "jsons",
        "line",
        "mailto",
        "mailtos",
        "matrix",
        "mqtt",
        "mqtts",
        "notify!",
        "push",
        "pushed",
        "resend",
        "rockets",
        "session",
        "sessions",
        "seven",
        "signal",
        "signals",
        "spike",
        "smpp",
        "smpps",
        "syslog",
        "twist",
        "windows",
        "workflow",
        "workflows",
        "xml",
        "xmls",
        "xmpp",
        "xmpps",
        "zoom",
    }
)


def brands() -> frozenset[str]:
    """Names and schemes of every service that the library knows, in small letters."""
    found: set[str] = set()
    for one in apprise.Apprise().details(show_requirements=False, show_disabled=True)["schemas"]:
        found.add(str(one["service_name"]).casefold())
        for kind in ("protocols", "secure_protocols"):
            found.update(str(scheme).casefold() for scheme in one[kind] or ())
    return frozenset(name for name in found if len(name) > 2 and name not in WORDS_AND_STANDARDS)


BRANDS = brands()
ANY = re.compile(
    r"(?<![\w-])("
    + "|".join(sorted(map(re.escape, BRANDS), key=len, reverse=True))
    + r")(?![\w-])",
    re.IGNORECASE,
)
SHOWN = [
    *sorted((ROOT / "dashboard").rglob("*.html")),
    *sorted((ROOT / "docs").glob("*.md")),
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
]
SPOKEN = [
    *sorted((ROOT / "fleet").rglob("*.py")),
    *sorted((ROOT / "dashboard").rglob("*.py")),
    *sorted((ROOT / "demo_fleet").rglob("*.py")),
    *sorted((ROOT / "hourhand").rglob("*.py")),
]


def name(path: Path) -> str:
    return str(path.relative_to(ROOT))


def named(text: str) -> list[str]:
    return [found.group() for found in ANY.finditer(text)]


def test_the_list_is_a_list_of_companies() -> None:
    assert len(BRANDS) > 200
    assert named("Send it by Telegram, or with TWILIO://x") == ["Telegram", "TWILIO"]
    assert named("a line of the form, joined; seven signals in JSON") == []


@pytest.mark.parametrize("path", SHOWN, ids=name)
def test_no_page_and_no_document_names_one(path: Path) -> None:
    assert named(path.read_text()) == []


@pytest.mark.parametrize("path", SPOKEN, ids=name)
def test_no_sentence_of_the_programs_names_one(path: Path) -> None:
    """Texts with a blank in them: sentences. A scheme by itself is what an address begins with."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and " " in node.value:
            assert named(node.value) == [], node.value[:200]

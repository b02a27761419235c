"""Every text of fleet/words is held to docs/engineering/cautions.md, whoever it is for and however
it is built.

The walk reads the source of each family, so that a template nobody samples is held too.
"""

from __future__ import annotations

import ast
import re
from pathlib import Path
from typing import get_args

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from offending import offending
from said_samples import NOW, SAMPLES, ZONE

from fleet import words
from fleet.findings import row_of
from fleet.findings.saying import CAUTIONS
from fleet.model import DeliveryMethod, Finding, Notice, NoticeKind
from fleet.words import alert_sentences, customer_sentences
from fleet.words.short import SHORT_CAUTION, message, plain
from scheduler.notify.delivering import text_message

ROOM = Path(words.__file__).parent
FILES = sorted(ROOM.glob("*.py"))


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


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_no_template_says_what_is_never_said(path: Path) -> None:
    for text in templates(path):
        assert not offending(text), (text, offending(text))


@pytest.mark.parametrize(
    "bad",
    [
        "Switch it to automatic.",
        "Put it back in auto.",
        "Try to start it again.",
        "Jump-start it.",
        "Open the panel and look.",
        "Ask them to restart it.",
        "Run your generator for 20 min.",
        "Reset the fault at its panel.",
    ],
)
def test_the_walk_can_fail(bad: str, tmp_path: Path) -> None:
    planted = tmp_path / "planted.py"
    planted.write_text(f'"""Doc."""\nX = 3\nSAID = f"{{X}} sets. {bad}"\n')
    assert any(offending(text) for text in templates(planted))


@pytest.mark.parametrize("way", ["email", "sms", "push", "webhook"])
@pytest.mark.parametrize("sample", SAMPLES, ids=lambda f: f.kind)
def test_a_message_that_may_send_a_person_carries_its_cautions(sample: Finding, way: str) -> None:
    said = words.sentence(sample, ZONE, NOW)
    body = alert_sentences.body(said, "Alder House", "0123", way)  # type: ignore[arg-type]
    assert not offending(said.title)
    assert not offending(body.replace(alert_sentences.SMS_CAUTION, ""))
    if row_of(sample.facts).sends:
        lines = [alert_sentences.SMS_CAUTION] if way in alert_sentences.SHORT else list(CAUTIONS)
        assert all(line in body for line in lines)


LINK = "https://hourhand.example.net/alerts/e0123456789abcdef"
BEGAN, LEARNED_AT = NOW - 17_160, NOW - 5340
"""02:14 and 05:31 on the wall."""


def notice_of(
    finding: Finding, place: str, way: DeliveryMethod = "sms", kind: NoticeKind = "alert"
) -> Notice:
    """What the holder of the duty phone is told of a finding at NOW."""
    said = words.sentence(finding, ZONE, NOW)
    ended = "05:31" if kind == "cleared" else ""
    return Notice(
        id="n1",
        cause="e1",
        step="1",
        person="p",
        way=way,
        kind=kind,
        subject=alert_sentences.subject(finding, said, place, kind),
        body=alert_sentences.body(said, place, "01632 960005", way, ended=ended),
        made_at=NOW,
        not_before=NOW,
        path="/alerts/e1",
    )


def cautioned(text: str) -> bool:
    return SHORT_CAUTION in text


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda f: f.kind)
def test_a_text_message_is_one_message(sample: Finding) -> None:
    told = notice_of(sample, "Ärztehaus „Süd“ am Kanal, hinterer Hof\r\nBcc: x")
    text = text_message(told, LINK)
    assert len(text) <= 160
    assert text.endswith(LINK)
    assert text.isascii()
    assert "\n" not in text
    said = words.sentence(sample, ZONE, NOW)
    assert plain(said.title)[:10] in text
    assert "Arzte" in text
    assert cautioned(text) == bool(said.cautions)
    over = text_message(notice_of(sample, "Alder House", kind="cleared"), LINK)
    assert len(over) <= 160
    assert over.startswith("Over: Alder House: ")
    assert over.endswith(LINK)
    assert not cautioned(over)


def late(sample: Finding, since: int = BEGAN, learned_at: int = LEARNED_AT) -> Finding:
    return msgspec.structs.replace(sample, since=since, learned_at=learned_at)


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda f: f.kind)
def test_late_news_of_every_kind_has_both_times_in_a_text_message(sample: Finding) -> None:
    text = text_message(notice_of(late(sample), "Weir Care Home"), LINK)
    assert "02:14, learned 05:31" in text
    assert text.endswith(LINK)
    assert len(text) <= 160
    assert cautioned(text) == row_of(sample.facts).sends
    for way in ("push", "email"):
        told = notice_of(late(sample), "Weir Care Home", way)
        assert told.subject.endswith("02:14, learned 05:31")
        assert "02:14, learned at 05:31" in told.body


@pytest.mark.parametrize(("later_s", "both"), [(600, False), (601, True)])
def test_what_is_learned_within_ten_minutes_is_not_called_late(later_s: int, both: bool) -> None:
    sample = next(f for f in SAMPLES if f.kind == "failed_start")
    said = words.sentence(late(sample, BEGAN, BEGAN + later_s), ZONE, NOW)
    assert (bool(said.late), "learned at" in said.seen) == (both, both)


ZONES = ("UTC", "Europe/Dublin", "America/St_Johns", "Asia/Kathmandu", "Pacific/Auckland")


@settings(max_examples=120, deadline=None)
@given(
    st.sampled_from(SAMPLES),
    st.text(max_size=300),
    st.text(st.characters(codec="ascii"), max_size=300),
    st.integers(0, 800 * 86_400),
    st.integers(0, 400 * 86_400),
    st.sampled_from(ZONES),
    st.booleans(),
    st.sampled_from(["sms", "push", "email"]),
)
def test_both_times_of_late_news_outlive_any_place_and_any_link(
    sample: Finding,
    place: str,
    link: str,
    before_s: int,
    ago_s: int,
    zone: str,
    next_in_line: bool,
    way: str,
) -> None:
    """160 characters of the 7-bit alphabet, none of them counted twice: the times as they stand on
    the site's wall, the caution where it sends a person, the link where it leaves room."""
    learned_at = NOW - ago_s
    finding = late(sample, learned_at - 601 - before_s, learned_at)
    said = words.sentence(finding, zone, NOW)
    subject = alert_sentences.subject(finding, said, place, "alert")
    if next_in_line:  # as scheduler.alarms.escalate words it
        subject = alert_sentences.one_line(f"{alert_sentences.NOBODY}: {subject}")
    times = (
        f"{words.moment(finding.since, zone, NOW)}, learned {words.moment(learned_at, zone, NOW)}"
    )
    assert subject.endswith(times)
    assert len(subject) <= 150
    body = alert_sentences.body(said, place, "01632 960005", way)  # type: ignore[arg-type]
    told = msgspec.structs.replace(notice_of(finding, "x"), subject=subject, body=body)
    text = text_message(told, link)
    assert len(text) <= 160
    assert all(" " <= letter <= "~" and letter not in "[]{}~|^\\`" for letter in text)
    assert times in text
    assert cautioned(text) == bool(said.cautions)
    wanted = plain(link)
    room = 160 - len(times) - len(SHORT_CAUTION) * bool(said.cautions)
    if wanted and len(wanted) <= min(80, room - 28):
        assert text.endswith(wanted)


@given(st.text(max_size=200), st.text(), st.text(max_size=300), st.booleans())
def test_whatever_comes_in_a_text_message_stays_one(
    subject: str, said: str, link: str, sends: bool
) -> None:
    text = message(subject, said, link, cautioned=sends)
    assert len(text) <= 160
    assert all(" " <= letter <= "~" and letter not in "[]{}~|^\\`" for letter in text)
    assert cautioned(text) or not sends


@pytest.mark.parametrize(
    ("place", "said"),
    [
        ("Weir", "Nobody has answered: Weir: Would not start. "),
        (
            "The Old Weir Care Home and Day Centre, Keld",
            "Nobody has answered: The O...: Would not start ",
        ),
        ("Hut: at the ford", "Nobody has answered: Hut:...: Would not start. "),
    ],
)
def test_a_place_is_cut_before_what_is_the_matter(place: str, said: str) -> None:
    """46 characters beside caution and link, 38 of them the words around the place."""
    subject = f"Nobody has answered: Act now: {place}: Would not start"
    link = "https://hourhand.example.net/alerts/e0123456789abcdef0123456789abcde"
    assert message(subject, place, link, cautioned=True).startswith(said)


def test_letters_that_would_make_three_messages_are_written_plainly() -> None:
    assert plain("Café – “Süd”… 5 €\tß") == 'Cafe - "Sud"... 5 EUR ss'


@pytest.mark.parametrize("power", get_args(customer_sentences.Power))
def test_a_customer_in_an_outage_reads_the_dangers(power: customer_sentences.Power) -> None:
    fares = customer_sentences.Fares(place="Oak\r\nBcc: a@b", at="07:12", power=power)
    subject, body = customer_sentences.outage_mail("Elm Power", fares)
    assert "\n" not in subject
    assert "\r" not in subject + body
    for word in (
        "outdoors",
        "doors, windows",
        "carbon monoxide alarm",
        "dizzy",
        "Never plug",
        "Engine off and cooled",
        "OFF",
        "start by itself",
    ):
        assert word in body, word
    assert ("call us" in body) == (power != "powered")


@pytest.mark.parametrize("word", ["alert", "episode", "nominal", "SoC", "crank", "auto"])
def test_a_customer_reads_no_jargon(word: str) -> None:
    for text in templates(ROOM / "customer_sentences.py"):
        assert not re.search(rf"\b{word}\b", text, re.IGNORECASE), text

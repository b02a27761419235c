"""Each kind of finding speaks in its example and is silent in its healthy twin; docs/findings.md says so."""

from __future__ import annotations

import re

import pytest
from finding_pairs import PAIRS, Pair, example, found
from finding_pairs.limits import LIMITS, unfounded, unspelled
from finding_pairs.page import BOOK, FAMILIES, PAGE, REASONS, led_back, page, sections
from finding_pairs.worlds import NOW, ZONE

from fleet import words
from fleet.findings import ROWS
from fleet.findings.catalogue import AnyRow
from fleet.model.book import GOES_TODAY

FOUND = tuple(row for row in ROWS if row.family != "earlier")
"""Every kind a rule can find. What an earlier version wrote and nothing finds any more has no example."""
by_name = pytest.mark.parametrize("pair", PAIRS, ids=[pair.name for pair in PAIRS])
by_row = pytest.mark.parametrize("row", FOUND, ids=[row.kind for row in FOUND])


def unpaired(kinds: set[str], pairs: tuple[Pair, ...]) -> set[str]:
    """Kinds without a pair, and pairs of no kind."""
    return kinds ^ {pair.kind for pair in pairs}


def test_every_kind_has_its_pair() -> None:
    kinds = {row.kind for row in FOUND}
    assert len(ROWS) - len(FOUND) == 1, "only what earlier versions wrote is found by no rule"
    assert unpaired(kinds, PAIRS) == set()
    assert unpaired(kinds | {"new_kind"}, PAIRS) == {"new_kind"}
    assert unpaired(kinds, PAIRS[1:]) == {PAIRS[0].kind}
    assert len({pair.name for pair in PAIRS}) == len(PAIRS)
    assert {row.family for row in FOUND} == set(FAMILIES)


@by_name
def test_the_example_speaks(pair: Pair) -> None:
    """It is found, once, and beside it only what the world rightly says too."""
    kinds = [f.kind for f in found(pair.speaks)]
    assert set(kinds) == {pair.kind} | pair.speaks.others
    assert kinds.count(pair.kind) == 1
    row = next(row for row in ROWS if row.kind == pair.kind)
    assert example(pair).severity in row.severities


@by_name
def test_the_healthy_twin_is_silent(pair: Pair) -> None:
    assert pair.kind not in pair.silent.others
    assert {f.kind for f in found(pair.silent)} == pair.silent.others


@by_name
def test_the_two_worlds_are_twins(pair: Pair) -> None:
    """They differ in what matters and in nothing else, and each says so in a line."""
    one, other = pair.speaks, pair.silent
    told = {"caption", "others"}
    apart = [n for n in one.__struct_fields__ if getattr(one, n) != getattr(other, n)]
    assert 1 <= len(set(apart) - told) <= 2, apart
    captions = [one.caption, other.caption]
    assert captions[0] != captions[1]
    assert all(c.endswith(".") and "\n" not in c for c in captions)


@by_name
def test_what_cannot_wait_is_not_put_off(pair: Pair) -> None:
    """Act now and Same day send somebody today, or say what to do now; never to a later round."""
    finding = example(pair)
    said = words.sentence(finding, ZONE, NOW).do
    if finding.severity in GOES_TODAY:
        assert not re.search(r"\bnext (round|visit|week|time)\b", said, re.IGNORECASE), said


@by_row
def test_every_severity_has_its_example(row: AnyRow) -> None:
    """Of each severity a kind may take an example is found; a Note, where its row says what makes it one."""
    shown = {example(pair).severity for pair in PAIRS if pair.kind == row.kind}
    quiet = row.quiet.set_aside == "note" or row.quiet.unchecked.startswith("note")
    assert shown | ({"note"} if quiet else set()) >= set(row.severities)


@by_row
def test_its_record_says_what_it_is(row: AnyRow) -> None:
    """What is seen, why it matters, what to do, and its limits with a source; figures stand there only."""
    said = sections(row.facts)
    *entry, limits = said.values()
    prose = " ".join(entry).replace("NFPA 110", "")
    assert not any(letter.isdigit() for letter in prose), prose
    assert all(text.endswith(".") for text in said.values())
    assert any(word in limits for word in ("source", "memory", "ISO", "NEMA", "NFPA")), limits


@by_row
def test_its_limits_are_those_of_the_rules(row: AnyRow) -> None:
    """Each figure of the rules is spelled, and no figure is spelled that no rule or document has."""
    limits = sections(row.facts)["Limits."]
    assert unspelled(row.kind, limits) == []
    assert unfounded(row.kind, limits) == ""


def test_a_figure_that_no_rule_has_is_seen() -> None:
    said = next(sections(row.facts)["Limits."] for row in FOUND if row.kind == "charger_fault")
    assert unfounded("charger_fault", said + " Or for 9 days.") == "9"
    assert unspelled("charger_fault", said.replace("13.0 V", "13.2 V")) == ["under 13.0 V for 24 h"]
    assert set(LIMITS) == {row.kind for row in FOUND}


def test_the_finding_page_is_as_written(request: pytest.FixtureRequest) -> None:
    text = page(FOUND, PAIRS)
    if request.config.getoption("--write-findings"):
        PAGE.write_text(text)
    assert PAGE.exists(), "run `pytest -k finding_page --write-findings`"
    assert PAGE.read_text() == text, "run `pytest -k finding_page --write-findings`"


BOOK_PAGES = sorted(path.name for path in BOOK.glob("*.md"))


@pytest.mark.parametrize("name", BOOK_PAGES)
def test_a_finding_page_of_the_book_leads_back(name: str, request: pytest.FixtureRequest) -> None:
    """Each entry names the heading that has its reasons, and that page names the entry."""
    place = BOOK / name
    text = led_back(name, place.read_text())
    if request.config.getoption("--write-findings"):
        place.write_text(text)
    assert place.read_text() == text, "run `pytest -k finding_page --write-findings`"


def test_every_kind_has_its_reasons_in_the_book() -> None:
    assert REASONS.keys() == {row.kind for row in FOUND}
    for kind, place in REASONS.items():
        name, _, anchor = place.partition("#")
        assert f"](engineering/{name}#{anchor})" in PAGE.read_text(), kind
        assert f"](../findings.md#{kind})" in (BOOK / name).read_text(), kind

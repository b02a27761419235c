"""Nothing in the demonstration, the documents and the tests is anybody's.

Names are not formed of real places, telephone numbers are from ranges kept for fiction (01632 960xxx
and 07700 900xxx by Ofcom, 555-0100 to 555-0199 in North America), and every mail domain is one that
RFC 2606 or RFC 6761 keeps free.
"""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import parts
import pytest
from places import ROOT

from demo_fleet.customers import (
    AREAS,
    MODELS,
    MOST_SETS,
    PEOPLE,
    REAL,
    STREETS,
    TECHNICIANS,
    TOWNS,
    places,
)

PLACES = places(MOST_SETS)
KEPT_FREE = re.compile(
    r"(?i)(^|\.)(example\.(com|net|org)|example|test|invalid|localhost)$"
)  # RFC 2606, RFC 6761
MAIL = re.compile(r"(?<![\w.%+-])[\w.%+-]+@((?:[A-Za-z0-9-]+\.)+[A-Za-z]{2,})(?![\w-])")
PHONE = re.compile(r"(?<![\w.+])(?:\+44 ?(?:\(0\))?|0044 ?|0)(1\d{3} ?\d{6}|7\d{3} ?\d{6})(?!\d)")
PHONE_US = re.compile(r"\+1[ (-]*(\d{3})[ )-]*(\d{3})[ -]?(\d{4})(?!\d)")
FICTION = re.compile(r"(1632 ?960\d{3}|7700 ?900\d{3})")


def tracked() -> list[Path]:
    """The project's own texts."""
    parts.need("git")
    said = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True)
    endings = {
        ".py",
        ".md",
        ".html",
        ".toml",
        ".json",
        ".jsonl",
        ".csv",
        ".yml",
        ".js",
        ".css",
        ".svg",
    }
    paths = [ROOT / name for name in said.stdout.decode().split("\0") if name]
    return [path for path in paths if path.suffix in endings and path.is_file()]


def words_of(text: str) -> set[str]:
    return set(re.findall(r"[a-z]+", text.lower()))


@pytest.mark.parametrize("place", PLACES, ids=lambda p: p.unit)
def test_a_name_is_formed_of_no_real_place(place: object) -> None:
    name, street = place.customer, place.street  # type: ignore[attr-defined]
    towns = {word for town in (*TOWNS, *AREAS) for word in words_of(town)} - {
        "upon",
        "valley",
        "coast",
    }
    for word in words_of(name) | words_of(street):
        real = [one for one in REAL | towns if len(one) > 3 and word.startswith(one)]
        assert real == [], f"{name}, {street}: {word}"
    assert not words_of(name) & REAL
    assert words_of(street) - STREETS - {"the", "unit"}, street


def test_a_set_stands_beside_its_town_and_at_no_address() -> None:
    for place in PLACES:
        lat, lon, _ = TOWNS[place.town]
        assert abs(place.lat - lat) < 0.02
        assert abs(place.lon - lon) < 0.03


def test_every_number_of_the_fleet_is_kept_for_drama() -> None:
    for place in PLACES:
        assert FICTION.fullmatch(place.phone.lstrip("0")), place.phone
    by_site = {place.site: place.phone for place in PLACES}
    assert len(set(by_site.values())) == len(by_site)


def test_people_and_makes_are_told_from_real_ones() -> None:
    assert all(len(name.split()) == 2 for name in (*PEOPLE, *TECHNICIANS))
    assert {name[:5] for name in MODELS} == {"Set A", "Set B", "Set C"}


def test_mail_goes_to_domains_that_are_kept_free() -> None:
    somebodys = {
        f"{path.relative_to(ROOT)}: {found.group()}"
        for path in tracked()
        for found in MAIL.finditer(path.read_text("utf-8"))
        if not KEPT_FREE.search(found.group(1))
    }
    assert somebodys == set()


def test_telephone_numbers_are_kept_for_fiction() -> None:
    somebodys: set[str] = set()
    for path in tracked():
        text = path.read_text("utf-8")
        for found in PHONE.finditer(text):
            if not FICTION.fullmatch(found.group(1)):
                somebodys.add(f"{path.relative_to(ROOT)}: {found.group()}")
        for found in PHONE_US.finditer(text):
            if found.group(2) != "555" or not found.group(3).startswith("01"):
                somebodys.add(f"{path.relative_to(ROOT)}: {found.group()}")
    assert somebodys == set()


@pytest.mark.parametrize(
    ("domain", "kept"),
    [
        ("example.org", True),
        ("x.example", True),
        ("firm.co.uk", False),
        ("post.com", False),
        ("example.org.uk", False),
    ],
)
def test_a_domain_of_somebodys_would_be_found(domain: str, kept: bool) -> None:
    (found,) = MAIL.finditer(f"write to a@{domain} today")
    assert bool(KEPT_FREE.search(found.group(1))) == kept


@pytest.mark.parametrize("text", ["01632 960001", "+44 7700 900123", "0044 1632 960012"])
def test_a_number_for_fiction_is_known(text: str) -> None:
    (found,) = PHONE.finditer(text)
    assert FICTION.fullmatch(found.group(1))
    (other,) = PHONE.finditer(f"0{1999} {305555}")
    assert not FICTION.fullmatch(other.group(1))

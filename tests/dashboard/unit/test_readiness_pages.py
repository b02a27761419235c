"""Today, Units and the API answer: which sets would carry their load, and which would not."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from as_viewer import as_owner, as_reader
from fastapi.testclient import TestClient
from found import finding
from new_registries import registry_of
from register_rows import NOW, row, take, write_turn

from dashboard.app import create_app
from dashboard.pages.today import TILES_AT_MOST
from fleet.history import History
from fleet.model import (
    EVERYTHING,
    EngineHours,
    MainsNow,
    Readiness,
    ReadinessNow,
    Scope,
    Severity,
    UnitSummary,
)
from fleet.registry import lists
from fleet.registry.base.engine import Registry
from fleet.registry.derived.rows import UnitTurn
from fleet.settings import Settings
from fleet.store import open_store

DAY = 86_400
WHY = {
    "ready": "proven",
    "doubtful": "not_proven",
    "not_ready": "failed_start",
    "unknown": "not_reporting",
    "set_aside": "laid_up",
}


def summary(
    unit: str, state: Readiness, why: str = "", grave: Severity | None = None
) -> UnitSummary:
    """A verdict as the scheduler would write it."""
    found = (finding("not_in_auto", severity=grave, since=NOW - 900),) if grave else ()
    held = ReadinessNow(
        state=state,
        why=why or WHY[state],
        since=NOW - 9999,
        proof_at=NOW - 6 * DAY,
        proof_sure=True,
        proof_v=231.0,
    )
    return UnitSummary(
        unit=unit,
        at=NOW,
        condition="standing_by",
        condition_since=NOW - DAY,
        heard_at=NOW - 60,
        newest_at=NOW - 60,
        hours=EngineHours(hours_h=400.0, source="meter"),
        findings=found,
        readiness=held,
        mains=MainsNow(state="present", last="present", at=NOW - 60),
    )


def write(registry: Registry, summaries: list[UnitSummary], customer: str = "mill-farm") -> None:
    """As the scheduler writes them at the end of a turn; new units carry their first facts_seq."""
    turns = [
        UnitTurn(
            unit=one.unit, customer=customer, look_again_at=NOW + 3600, summary=one, facts_seq=1
        )
        for one in summaries
    ]
    assert write_turn(registry, turns, NOW) == []


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[tuple[Registry, TestClient]]:
    """An empty office and its pages."""
    settings = Settings(data=tmp_path)
    open_store(settings, writing=True).close()
    registry = registry_of(settings)
    store = open_store(settings, writing=False)
    app = create_app(settings, registry, History(registry, store), now=lambda: NOW)
    as_owner(app)
    yield registry, TestClient(app, base_url="http://127.0.0.1:8080")
    store.close()
    registry.close()


STATES: dict[str, tuple[Readiness, str]] = {
    "U1": ("ready", ""),
    "U2": ("ready", ""),
    "U3": ("doubtful", ""),
    "U4": ("not_ready", ""),
    "U5": ("unknown", "not_reporting"),
    "U6": ("unknown", "too_new"),
    "U7": ("set_aside", ""),
}


@pytest.fixture
def eight(desk: tuple[Registry, TestClient]) -> tuple[Registry, TestClient]:
    """Eight sets, one of each kind, two ready, one never looked at."""
    registry, client = desk
    rows = [row(f"U{n}", site=f"Yard {n}", area="Lakes" if n < 4 else "Coast") for n in range(1, 9)]
    take(registry, *rows)
    write(registry, [summary(unit, *state) for unit, state in STATES.items()])
    return registry, client


def listed(client: TestClient, query: str) -> set[str]:
    page = client.get(f"/units?{query}").text
    return set(re.findall(r'<a class="un"\s+href="/units/(U\d+)">', page))


def test_each_part_of_the_sentence_opens_its_list(eight: tuple[Registry, TestClient]) -> None:
    _, client = eight
    page = client.get("/").text
    text = " ".join(re.sub(r"<[^>]+>", " ", page).split())
    assert "2 of 8 sets have lately proven to start by themselves and to make volts" in text
    lists = {
        "ready": {"U1", "U2"},
        "doubtful": {"U3"},
        "not_ready": {"U4"},
        "unknown": {"U5", "U6", "U8"},
        "silent": {"U5"},
        "too_new": {"U6", "U8"},
        "set_aside": {"U7"},
    }
    for word, units in lists.items():
        assert f'href="/units?readiness={word}"' in page
        assert listed(client, f"readiness={word}") == units
    assert listed(client, "readiness=ready&area=Coast") == set()
    assert listed(client, "area=Lakes") == {"U1", "U2", "U3"}
    assert len(listed(client, "readiness=nonsense")) == 8


def test_the_numbers_of_the_api_are_those_of_the_sentence(
    eight: tuple[Registry, TestClient],
) -> None:
    _, client = eight
    assert client.get("/api/readiness").json() == {
        "units": 8,
        "ready": 2,
        "doubtful": 1,
        "not_ready": 1,
        "unknown": 3,
        "unknown_silent": 1,
        "unknown_too_new": 2,
        "set_aside": 1,
    }
    found = client.get("/api/units?readiness=doubtful").json()["items"]
    assert [item["unit"] for item in found] == ["U3"]
    assert found[0]["readiness"]["sentence"].startswith("Doubtful: not proven for 6 days")
    assert found[0]["mains"]["state"] == "present"
    assert client.get("/api/units?readiness=perhaps").status_code == 422


def test_a_reader_counts_his_own_sets_only(eight: tuple[Registry, TestClient]) -> None:
    registry, client = eight
    take(registry, row("X1", customer="Other", site="Elsewhere"))
    write(registry, [summary("X1", "ready")], "other")
    as_reader(client.app, "other")  # type: ignore[arg-type]
    assert client.get("/api/readiness").json()["units"] == 1
    assert "1 of 1 set has lately proven to start by itself and to make volts" in " ".join(
        re.sub(r"<[^>]+>", " ", client.get("/").text).split()
    )
    assert listed(client, "readiness=doubtful") == set()
    assert lists.areas(registry, Scope(frozenset({"other"}))) == []


@pytest.mark.parametrize(
    ("typed", "found"),
    [
        ("01632 960012", True),
        ("01632960012", True),
        ("960012", True),
        ("01632-960-012", True),
        ("+44 1632 960012", True),
        ("0044 1632 960012", True),
        ("(01632) 960 012", True),
        ("01632 960013", False),
        ("+44 1632 960013", False),
        ("0163 2960", True),
        ("01632960", True),
        ("Yard 77", False),
        ("01632/960-123", True),
    ],
)
def test_a_phone_number_is_found_however_it_is_typed(
    desk: tuple[Registry, TestClient], typed: str, found: bool
) -> None:
    """The unit's, the site's or the customer's."""
    registry, _ = desk
    take(
        registry,
        row("U1", site="Yard", phone="01632 960012"),
        row("U2", site="Quay", phone="0163 2960"),
        row("U3", site="Mill", phone="01632 960123"),
    )
    assert bool(lists.units(registry, EVERYTHING, search=typed)) == found


def test_at_3000_sets_only_what_is_not_normal_is_shown(desk: tuple[Registry, TestClient]) -> None:
    """Every fortieth left out of automatic, every hundredth not ready with nothing to act on."""
    n = 3000
    registry, client = desk
    take(registry, *(row(f"G{k}", site=f"Yard {k}", area=f"Area {k % 40}") for k in range(n)))
    summaries, abnormal = [], set()
    for k in range(n):
        grave = k % 40 == 0
        bare = not grave and k % 100 == 7
        state: Readiness = "not_ready" if grave or bare else "ready" if k % 2 else "doubtful"
        summaries.append(summary(f"G{k}", state, grave="act_now" if grave else None))
        abnormal |= {f"G{k}"} if grave or bare else set()
    for begin in range(0, n, 500):
        write(registry, summaries[begin : begin + 500])
    answer = client.get("/")
    tiles = re.findall(r'<a class="tile[^"]*"\s+href="/units/([^"]+)"', answer.text)
    assert len(tiles) == len(set(tiles))
    assert set(tiles) == abnormal
    assert len(tiles) <= TILES_AT_MOST
    assert len(answer.content) < 400_000
    assert f"{sum(1 for k in range(n) if k % 2 and k % 40 and k % 100 != 7)}" in re.sub(
        r"[^0-9]+", " ", re.sub("\u2009", "", answer.text)
    )

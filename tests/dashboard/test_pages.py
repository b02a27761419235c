"""Pages as HTML: what they say, that foreign text stays text, and what they weigh."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, date, datetime
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import msgspec
import pytest
import sqlalchemy as sa
from as_viewer import as_owner, as_reader, form
from fastapi.testclient import TestClient
from found import finding
from hypothesis import given
from hypothesis import strategies as st
from seeding import (
    FAILED,
    HOSTILE,
    LATE,
    NEW,
    NOW,
    OUT_OF_AUTO,
    RUNNING,
    SILENT,
    Fleet,
    seeded,
    unit_id,
)

from dashboard import logbook, phrases
from dashboard.app import create_app
from dashboard.pages import forms
from dashboard.views import due, today
from dashboard.views import readings as bars
from dashboard.views.readiness import readiness_count
from fleet import words
from fleet.history import History
from fleet.model import (
    Customer,
    DueItem,
    EngineHours,
    Run,
    RunningSignal,
    SignalChannel,
    Site,
    Unit,
    UnitSummary,
)
from fleet.registry.base import tables
from fleet.registry.base.engine import open_registry
from fleet.registry.lists.rows import Counts
from fleet.settings import Settings
from fleet.store import open_store
from scheduler.day import Day, Spot

HERE = "http://127.0.0.1:8080"
PAGES = [
    "/",
    "/units",
    f"/units/{unit_id(0)}",
    f"/units/{unit_id(FAILED)}",
    f"/units/{unit_id(NEW)}",
    "/due?days=",
    "/alerts",
    "/alerts?show=all",
    "/health-page",
    "/more",
    "/tolerance",
    f"/units/{unit_id(0)}/record/meter_check",
    f"/units/{unit_id(6)}",
]


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Fleet]:
    with seeded(tmp_path_factory.mktemp("pages")) as made:
        yield made


@pytest.fixture(scope="module")
def client(fleet: Fleet) -> TestClient:
    app = create_app(fleet.settings, fleet.registry, fleet.history, now=lambda: NOW)
    as_owner(app)
    return TestClient(app, base_url=HERE)


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[TestClient]:
    settings = Settings(data=tmp_path)
    open_store(settings, writing=True).close()
    registry = open_registry(settings)
    store = open_store(settings, writing=False)
    app = create_app(settings, registry, History(registry, store), now=lambda: NOW)
    as_owner(app)
    yield TestClient(app, base_url=HERE)
    store.close()
    registry.close()


class Reader(HTMLParser):
    """Collects what a strict content policy would block, ids, and the text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.scripts: list[dict[str, str]] = []
        self.styles: list[str] = []
        self.handlers: list[str] = []
        self.ids: list[str] = []
        self.outside: list[str] = []
        self.text = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        held = {name: told or "" for name, told in attrs}
        if tag == "script":
            self.scripts.append(held)
        self.styles += ["style element"] if tag == "style" else []
        self.styles += [held["style"]] if "style" in held else []
        self.handlers += [name for name in held if name.startswith("on")]
        self.ids += [held["id"]] if "id" in held else []
        for name in ("src", "href", "action"):
            if str(held.get(name, "")).startswith(("http:", "https:", "//", "javascript:")):
                self.outside.append(held[name])

    def handle_data(self, data: str) -> None:
        self.text += data


@pytest.mark.parametrize("path", PAGES)
def test_pages_keep_to_the_policy_and_foreign_text_is_text(client: TestClient, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 200, answer.text[:500]
    page = Reader(answer.text)
    assert [script.get("src", "")[:16] for script in page.scripts] == ["/static/hourhand"]
    assert page.styles == []
    assert page.handlers == []
    assert page.outside == []
    assert len(page.ids) == len(set(page.ids)), "an id twice"
    assert "<script>alert" not in answer.text


def test_hostile_names_are_shown_as_they_were_written(client: TestClient) -> None:
    assert HOSTILE in Reader(client.get("/units").text).text
    assert "<b>9</b> Odd Street" in Reader(client.get("/units").text).text
    assert '{"<script>alert(1)</script>' in Reader(client.get("/health-page").text).text


def test_a_hostile_search_comes_back_as_text(client: TestClient) -> None:
    text = client.get("/units", params={"q": '"><script>alert(1)</script>'}).text
    assert "<script>alert" not in text
    assert "No set fits" in text


# --- Today -------------------------------------------------------------------------------------


def test_today_counts_and_names_what_needs_somebody(client: TestClient) -> None:
    page = Reader(client.get("/").text)
    text = " ".join(page.text.split())
    assert "If the mains failed everywhere now, 0 of 10 sets have lately proven to start" in text
    assert "4 need you." in text
    for part in (
        "0 Ready",
        "6 Doubtful",
        "2 Not ready",
        "2 Unknown 1 silent 1 too new",
        "0 Set aside",
        "2 Act now",
        "1 Same day",
        "1 No word",
    ):
        assert part.replace(" ", "") in text.replace(" ", ""), part
    assert text.index("Northgate Clinic") < text.index("Kiln School") < text.index("Weir Care Home")
    assert "Call the site, send the nearest van." in text
    assert "everything here is invented" in text
    assert "History is still loading: 4.0 MB of 16.0 MB." in text


def test_todays_first_paint_weighs_under_60_kb(client: TestClient) -> None:
    """The budget of docs/engineering/pages.md#first-paint: page, style and script as sent,
    compressed.
    """
    page = client.get("/")
    sent = 0
    for path in ["/", *re.findall(r'(?:src|href)="(/static/[^"]+)"', page.text)]:
        answer = client.get(path)
        sent += int(answer.headers["content-length"])
    assert sent < 60_000


def many(n: int, grave: int, areas: int) -> list[today.Row]:
    signal = RunningSignal(first=SignalChannel("ac_v", 200, 180))
    rows: list[today.Row] = []
    for i in range(n):
        found = (finding("failed_start", severity="act_now", since=NOW - 60),) if i < grave else ()
        rows.append(
            (
                Unit(
                    id=f"u{i}",
                    site=f"s{i}",
                    customer="c",
                    nominal_v=230,
                    nominal_hz=50,
                    running=signal,
                    service_plan="p",
                    area=f"Area {i % areas:02d}",
                ),
                Site(id=f"s{i}", customer="c", name=f"Site {i}", time_zone="UTC"),
                Customer(id="c", name="C"),
                UnitSummary(
                    unit=f"u{i}",
                    at=NOW,
                    condition="standing_by",
                    condition_since=None,
                    heard_at=NOW,
                    newest_at=NOW,
                    hours=EngineHours(hours_h=1, source="meter"),
                    findings=found,
                ),
            )
        )
    return rows


def test_at_150_sets_quiet_areas_are_folded_and_others_are_not() -> None:
    areas = today.areas(many(160, 3, 8), NOW, fold=True, say=words.sentence)
    assert [a.folded for a in areas] == [False] * 3 + [True] * 5
    assert not any(
        a.folded for a in today.areas(many(60, 3, 8), NOW, fold=False, say=words.sentence)
    )


@pytest.mark.parametrize(
    ("ids", "said"),
    [
        (["mill-1", "mill-2", "mill-10"], {"mill-1": "1", "mill-2": "2", "mill-10": "10"}),
        (["gs-11", "gs-12"], {"gs-11": "11", "gs-12": "12"}),
        (["a", "b"], {"a": "a", "b": "b"}),
        (["only"], {}),
    ],
)
def test_sets_of_one_site_are_told_apart_by_the_end_of_their_ids(
    ids: list[str], said: dict[str, str]
) -> None:
    row = many(1, 0, 1)[0]
    rows = [(msgspec.structs.replace(row[0], id=name), *row[1:]) for name in ids]
    assert today.tails(rows) == said


@given(st.lists(st.integers(0, 50), min_size=5, max_size=5), st.integers(0, 50), st.integers(0, 50))
def test_the_sentence_of_today_has_all_its_parts(
    judged: list[int], silent: int, unassessed: int
) -> None:
    """The five words are all sets; the unknown are the silent and the too new."""
    ready, doubtful, not_ready, new, aside = judged
    counts = Counts(
        units=sum(judged) + silent + unassessed,
        by_condition={},
        by_severity={},
        not_assessed=unassessed,
        silent=silent,
        by_readiness={
            "ready": ready,
            "doubtful": doubtful,
            "not_ready": not_ready,
            "unknown": new + silent,
            "set_aside": aside,
        },
    )
    said = readiness_count(counts)
    assert [word for word, _ in said.parts] == [
        "ready",
        "doubtful",
        "not_ready",
        "unknown",
        "set_aside",
    ]
    assert sum(number for _, number in said.parts) == counts.units
    assert (said.unknown_silent, said.unknown_too_new) == (silent, new + unassessed)
    assert dict(said.parts)["unknown"] == said.unknown_silent + said.unknown_too_new


# --- empty -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("path", "says"),
    [
        ("/", "hourhand units import"),
        ("/units", "hourhand units import"),
        ("/due", "hourhand units import"),
        ("/alerts", "No open alerts"),
        ("/health-page", "hourhand replay"),
    ],
)
def test_an_empty_page_says_what_will_be_there(empty: TestClient, path: str, says: str) -> None:
    answer = empty.get(path)
    assert answer.status_code == 200
    assert says in " ".join(Reader(answer.text).text.split())


def test_a_page_that_is_not_there_is_a_page(client: TestClient) -> None:
    answer = client.get("/nothing")
    assert answer.status_code == 404
    assert answer.headers["content-type"].startswith("text/html")
    assert "start from Today" in answer.text
    assert client.get("/units/none-such").status_code == 404


# --- Units and Unit ----------------------------------------------------------------------------


def text_of(client: TestClient, path: str) -> str:
    return " ".join(Reader(client.get(path).text).text.split())


def test_a_typed_id_opens_the_set_at_once(client: TestClient) -> None:
    answer = client.get("/units?q=GS-03", follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/units/gs-03")


def test_filters_find_by_condition_and_finding(client: TestClient) -> None:
    assert "Northgate Clinic" in text_of(client, "/units?condition=not_in_auto")
    assert "Alder House" not in text_of(client, "/units?condition=not_in_auto")
    assert "Weir Care Home" in text_of(client, "/units?severity=no_word")
    assert "Alder House" in text_of(client, "/units?severity=none")


def test_a_unit_page_begins_with_what_to_do(client: TestClient) -> None:
    text = text_of(client, f"/units/{unit_id(FAILED)}")
    assert text.index("Did not start at 06:12") < text.index("Last readings")
    assert "Call the site, send the nearest van." in text
    for caution in words.CAUTIONS:
        assert caution in text
    page = client.get(f"/units/{unit_id(FAILED)}").text
    assert 'href="tel:01632960001"' in page
    assert 'href="geo:54.420000,-1.875000"' in page


def test_every_sentence_that_sends_a_person_has_its_cautions_on_the_page(
    client: TestClient,
) -> None:
    """docs/engineering/cautions.md: nobody is sent to a set without its caution lines."""
    for n in (FAILED, SILENT, OUT_OF_AUTO, LATE):
        text = text_of(client, f"/units/{unit_id(n)}")
        assert all(caution in text for caution in words.CAUTIONS), unit_id(n)


def test_times_are_those_of_the_site(client: TestClient) -> None:
    """Planted at 06:12 UTC on 25 November: London keeps UTC in winter. A run that began on
    17 October at 04:05 UTC began at 05:05 by London's summer clock (until 25 October 2026)."""
    text = text_of(client, f"/units/{unit_id(FAILED)}")
    start = datetime.fromtimestamp(NOW - 39 * 86_400 - 3 * 3600, UTC)
    assert (start.month, start.day, start.hour, start.minute) == (10, 17, 4, 5)
    assert "17 Oct 05:05" in text


def test_the_running_set_says_so_and_its_run_is_open(client: TestClient) -> None:
    text = text_of(client, f"/units/{unit_id(RUNNING)}")
    assert "On load" in text
    assert "running" in text


def test_checked_and_unchecked_volts(client: TestClient) -> None:
    assert "Not yet checked with a meter: Battery, Output." in text_of(
        client, f"/units/{unit_id(0)}"
    )


def test_a_set_that_was_never_heard_has_a_page(client: TestClient) -> None:
    text = text_of(client, f"/units/{unit_id(NEW)}")
    assert "Nothing was heard from this set yet" in text
    assert "last heard never" in text


def test_due_says_how_late_and_why(client: TestClient) -> None:
    text = text_of(client, "/due?days=30")
    assert "Late" in text
    assert "Kiln School" in text
    # Battery check every 6 months, last done 2025-01-10: due 2025-07-10, 503 days before
    # 2026-11-25 (21 + 153 + 329 days by the calendar).
    assert (date(2026, 11, 25) - date(2025, 7, 10)).days == 503
    assert "503 days late" in text
    assert "No such work" in text_of(client, "/due?days=30&area=Nowhere")


def test_health_names_strangers_reasons_and_forgiven(client: TestClient) -> None:
    text = text_of(client, "/health-page")
    for said in ("stranger-7", "not JSON", "number as text: 12", "Not seen yet", "52 000 lines"):
        assert said in text


# --- forms -------------------------------------------------------------------------------------

FORM = {"id": "0e4a6a3e-6f0b-4d1e-9a54-8f3f7f3f0001", "at": "2026-11-24T10:00", "by": "Dee"}
OTHER = "0e4a6a3e-6f0b-4d1e-9a54-8f3f7f3f0002"
SAME = {"sec-fetch-site": "same-origin"}


def test_a_service_done_by_form_moves_what_is_due(client: TestClient, fleet: Fleet) -> None:
    path = f"/units/{unit_id(LATE)}/record/task_done"
    task = re.search(r'<option value="([^"]+)">Battery check', client.get(path).text)
    assert task is not None
    sent = client.post(path, data=form() | FORM | {"task": task[1], "hours": "404,5"}, headers=SAME)
    assert sent.status_code == 200
    assert "Written down: service done." in sent.text
    from scheduler.turns import Memory, work_through

    work_through(fleet.registry, fleet.history, NOW, Memory())
    due_now = client.get(f"/api/units/{unit_id(LATE)}/due").json()["items"]
    item = next(i for i in due_now if i["task"] == task[1])
    assert item["last_done_on"] == "2026-11-24"
    assert item["last_done_hours_h"] == 404.5


@pytest.mark.parametrize(
    ("kind", "sent", "says"),
    [
        ("hour_meter", {"hours": "a lot"}, "not a number"),
        ("hour_meter", {}, "please fill this in"),
        ("hour_meter", {"hours": "5", "by": " "}, "Your name"),
        ("hour_meter", {"hours": "5", "at": "soon"}, "date and time"),
        (
            "meter_check",
            {"channel": "fuel_pct", "meter": "1", "raw": "1", "instrument": "A"},
            "choose one",
        ),
        (
            "meter_check",
            {"channel": "ac_v", "meter": "0", "raw": "0.3", "instrument": "A"},
            "not energised",
        ),
        ("note", {"text": "x", "id": "not-a-uuid"}, "UUID"),
    ],
)
def test_a_form_that_cannot_be_taken_comes_back_as_it_was_filled_in(
    client: TestClient, kind: str, sent: dict[str, Any], says: str
) -> None:
    answer = client.post(
        f"/units/{unit_id(7)}/record/{kind}",
        data=form() | FORM | {"id": OTHER} | sent,
        headers=SAME,
    )
    assert answer.status_code == 422
    text = " ".join(Reader(answer.text).text.split())
    assert says in text
    assert "Nothing was written down yet." in text
    for name, value in sent.items():
        if value.strip() and kind != "note" and name != "channel":
            assert f'value="{value}"' in answer.text


def test_hours_that_cannot_be_are_asked_about_before_they_are_written(client: TestClient) -> None:
    sent = form() | FORM | {"id": "0e4a6a3e-6f0b-4d1e-9a54-8f3f7f3f0003", "hours": "40700"}
    path = f"/units/{unit_id(7)}/record/hour_meter"
    asked = client.post(path, data=sent, headers=SAME)
    assert asked.status_code == 422
    assert "more than the clock allows" in asked.text
    assert 'name="sure"' in asked.text
    assert client.post(path, data=sent | {"sure": "yes"}, headers=SAME).status_code == 200


def test_a_second_point_of_a_check_joins_the_first() -> None:
    facts = forms.facts_from(
        forms.KINDS["meter_check"].fields,
        {
            "channel": "battery_v",
            "meter": "12,1",
            "raw": "12.0",
            "meter_2": "14.2",
            "raw_2": "14.0",
            "instrument": "A 77",
        },
        "UTC",
    )
    assert facts == {
        "channel": "battery_v",
        "meter": [12.1, 14.2],
        "raw": [12.0, 14.0],
        "instrument": "A 77",
    }


def test_every_kind_of_record_has_a_form_that_opens(client: TestClient) -> None:
    for kind in forms.KINDS:
        assert client.get(f"/units/{unit_id(0)}/record/{kind}").status_code == 200
    assert client.get(f"/units/{unit_id(0)}/record/tea").status_code == 422


def test_form_fields_are_facts_the_registry_knows() -> None:
    from fleet.registry.facts.records.facts import FIELDS

    for kind, shown in forms.KINDS.items():
        known = {field.name for field in FIELDS[kind]}
        assert {f.name.removesuffix("_2") for f in shown.fields} <= known, kind


# --- usual ranges ------------------------------------------------------------------------------


def day(n: int, low: float, high: float, channel: str = "battery_v", ran: bool = False) -> Day:
    spot = Spot(n=48, min=low, max=high, mean=(low + high) / 2, last=low, last_at=n * 86_400)
    run = Run(start=n * 86_400, end=n * 86_400 + 600, start_seen="observed", end_seen="observed")
    return Day(unit="u", day=n, n=48, spots={channel: spot}, runs=(run,) if ran else ())


def test_usual_is_the_middle_of_daily_lows_and_highs_and_leaves_today_out() -> None:
    days = [day(n, 12.5, 13.4) for n in range(100, 130)]
    usual = logbook.usual([*days, day(130, 8.0, 20.0)], "battery_v", before=130)
    assert (usual.low, usual.high, usual.days) == (12.5, 13.4, 30)


def test_a_single_odd_day_does_not_widen_what_is_usual() -> None:
    days = [day(n, 12.5, 13.4) for n in range(29)] + [day(29, 5.0, 30.0)]
    usual = logbook.usual(days, "battery_v", before=30)
    assert (usual.low, usual.high) == (12.5, 13.4)


def test_too_few_days_say_so() -> None:
    usual = logbook.usual([day(n, 12, 13) for n in range(6)], "battery_v", before=50)
    assert usual.low is None
    assert bars.usual_words("battery_v", usual) == "too few days to say what is usual"


def test_what_only_speaks_while_running_is_judged_on_days_with_a_run() -> None:
    days = [day(n, 0.0, 230.0 + n % 3, "ac_v", ran=True) for n in range(6)]
    days += [day(n, 0.0, 0.0, "ac_v") for n in range(6, 26)]
    usual = logbook.usual(days, "ac_v", before=30)
    assert usual.told == "running"
    assert (usual.low, usual.high, usual.days) == (230.0, 232.0, 6)
    standing = bars.bar(now_of("ac_v", 0.0), usual, running=False)
    assert standing.picture is None
    assert standing.outside is False
    assert bars.bar(now_of("ac_v", 245.0), usual, running=True).outside is True


def now_of(channel: str, value: float) -> logbook.Now:
    return logbook.Now(channel=channel, value=value, at=NOW, calibrated=False, checkable=True)


@given(st.floats(11, 14), st.floats(0, 2), st.floats(0, 1))
def test_no_value_within_its_usual_range_is_called_outside(
    low: float, width: float, where: float
) -> None:
    days = [day(n, low, low + width) for n in range(10)]
    usual = logbook.usual(days, "battery_v", before=10)
    value = low + where * width
    assert bars.bar(now_of("battery_v", value), usual, running=False).outside is False


# --- words -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("age", "said"),
    [
        (5, "just now"),
        (240, "4 min ago"),
        (5399, "90 min ago"),
        (7200, "05:05"),
        (86_400, "Tue 07:05"),
        (-30, "just now"),
        (-600, "in 10 min"),
    ],
)
def test_moments_are_relative_while_fresh(age: int, said: str) -> None:
    assert phrases.fresh(NOW - age, "UTC", NOW) == said


@pytest.mark.parametrize(
    ("on", "said"),
    [
        ("2026-11-25", "today"),
        ("2026-11-26", "tomorrow"),
        ("2026-11-24", "yesterday"),
        ("2026-11-28", "Sat 28 Nov"),
        ("2026-12-09", "9 Dec"),
        ("2027-02-01", "1 Feb 2027"),
    ],
)
def test_dates_are_said_as_a_dispatcher_says_them(on: str, said: str) -> None:
    assert phrases.day_words(on, date(2026, 11, 25)) == said


@pytest.mark.parametrize(
    ("channel", "value", "said"),
    [
        ("battery_v", 12.64, ("12.6", "V")),
        ("mains_v", 231.4, ("231", "V")),
        ("run_hours_h", 12345.67, ("12\u2009345.6", "h")),
        ("in_auto", 0.0, ("Not in auto", "")),
        ("engine_temp_c", -8.4, ("\u22128", "°C")),
        ("speed_rpm", 1502.0, ("1\u2009502", "rpm")),
        ("odd_thing", 1.234, ("1.23", "")),
    ],
)
def test_readings_carry_their_unit(channel: str, value: float, said: tuple[str, str]) -> None:
    assert phrases.reading(channel, value) == said


def item(**more: object) -> DueItem:
    given_ = {
        "unit": "u",
        "task": "oil",
        "name": "Oil",
        "state": "later",
        "binds": "calendar",
        "share": 0.5,
    } | more
    return DueItem(**given_)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("facts", "said"),
    [
        ({"state": "late", "late_days": 1}, "1 day late"),
        ({"state": "late_beyond", "late_hours_h": 16.0}, "16.0 h over"),
        ({"due_on": "2026-11-28"}, "Sat 28 Nov"),
        ({"binds": "hours", "likely_on": "2026-12-03"}, "about 3 Dec"),
        ({"binds": "hours", "hours_left_h": 120.0}, "in 120 h"),
        ({"state": "unknown", "binds": "neither"}, "not known"),
        ({"state": "due"}, "now"),
    ],
)
def test_when_work_is_due(facts: dict[str, Any], said: str) -> None:
    assert due.when(item(**facts), date(2026, 11, 25)) == said


def test_paperwork_is_never_act_now() -> None:
    states = ("late_beyond", "late", "due", "soon", "later", "unknown")
    assert {due.severity(item(state=s)) for s in states} == {"same_day", "next_visit", None}


def test_a_scope_of_nobody_sees_nothing(fleet: Fleet) -> None:
    app = create_app(fleet.settings, fleet.registry, fleet.history, now=lambda: NOW)
    as_reader(app)
    text = TestClient(app, base_url=HERE).get("/").text
    assert "Nothing here yet" in text


@pytest.mark.parametrize("doc", [b"{}", b"not json", b'{"unit": 3}'])
def test_an_assessment_of_another_version_is_as_none_until_the_next_look(
    tmp_path: Path, doc: bytes
) -> None:
    with seeded(tmp_path / "data") as fleet:
        with fleet.registry.write() as connection:
            connection.execute(sa.update(tables.assessment).values(doc=doc))
        app = create_app(fleet.settings, fleet.registry, fleet.history, now=lambda: NOW)
        client = TestClient(app, base_url=HERE, raise_server_exceptions=False)
        unit = unit_id(FAILED)
        at = f"/api/units/{unit}"
        for path in (
            f"/units/{unit}",
            at,
            f"{at}/runs",
            f"{at}/exercise",
            f"{at}/supply",
            f"/charts/unit/{unit}.json",
        ):
            assert client.get(path).status_code == 200, path

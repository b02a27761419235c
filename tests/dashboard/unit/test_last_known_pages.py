"""What is last known of a set whose device speaks oddly, from its messages to the pages."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from as_viewer import form
from intake_desk import msg, reading
from register_rows import NOW
from spoken_sets import SpokenSets

from fleet import words
from ingest.wire import Message
from scheduler.alarms.lifecycle import COMES_AND_GOES

ZONE = "Europe/Berlin"


@pytest.fixture
def office(tmp_path: Path) -> Iterator[SpokenSets]:
    made = SpokenSets(tmp_path, "ODD")
    yield made
    made.close()


def garbled(at: int) -> Message:
    return msg(b"\x16\x03\x01 ADC=0x7ff", device="dev-ODD", at=at)


def well(at: int, running: float = 0.0) -> Message:
    return reading(at, device="dev-ODD", running=running, in_auto=1.0, battery_v=12.7)


def test_a_device_that_speaks_and_is_not_understood_is_no_silent_one(office: SpokenSets) -> None:
    """A new firmware writes what nobody can read: it is not well, and not off either."""
    begin = NOW - 6 * 3600
    office.hear(*(well(t) for t in range(begin, begin + 3600, 300)))
    first = begin + 3600
    office.hear(*(garbled(t) for t in range(first, first + 7200, 300)))
    office.turn(first + 7200)
    pulse = office.desk.pulse("dev-ODD")
    assert (pulse.heard_at, pulse.puzzling_since) == (first - 300, first)
    assert pulse.puzzling_at == first + 6900
    listed, page, today = (office.text(path) for path in ("/units", "/units/ODD", "/"))
    since = words.moment(first, ZONE, office.now)
    for text in (listed, page):
        assert f"Speaks, not understood since {since}" in text, text
        assert f"its device speaks, and is not understood since {since}" in text.replace("I", "i")
    assert "Standing by" not in page
    assert "Speaks, not understood" in today
    assert f"nothing it sent since {since} could be read" in page
    assert "Check its power and signal" not in page + today
    api = office.api("/api/units/ODD")
    assert (api["condition"], api["readiness"]["state"]) == ("not_reporting", "unknown")
    assert api["readiness"]["puzzling_since"] is not None
    later = first + 7200 + 3600
    office.turn(later)
    assert "Silent" in office.text("/"), "it speaks no more: silent like any other"
    assert "not understood" not in office.text("/units/ODD")
    office.hear(well(later + 60), well(later + 120))
    office.turn(later + 200)
    assert office.desk.pulse("dev-ODD").puzzling_at is None
    assert office.api("/api/units/ODD")["condition"] == "standing_by"


def test_names_that_are_all_unknown_are_not_understood(office: SpokenSets) -> None:
    """A firmware that calls everything otherwise: its values are kept, and say nothing of the set."""
    begin = NOW - 4 * 3600
    office.hear(*(well(t) for t in range(begin, begin + 3600, 300)))
    first = begin + 3600

    def renamed(at: int, **also: object) -> Message:
        said = {"reg40001": 0, "reg40002": 127, "state": "idle"} | also
        return msg({"at": at, "next_s": 86_400, "values": said}, device="dev-ODD", at=at)

    office.hear(*(renamed(t) for t in range(first, first + 7200, 300)))
    office.turn(first + 7200)
    pulse = office.desk.pulse("dev-ODD")
    assert (pulse.heard_at, pulse.puzzling_since) == (first - 300, first)
    assert pulse.newest_at == first - 300
    assert len(office.desk.kept("dev-ODD")["reg40002"]) == 24, "kept as unknown, as promised"
    assert office.api("/api/units/ODD")["condition"] == "not_reporting"
    page = office.text("/units/ODD")
    assert f"Speaks, not understood since {words.moment(first, ZONE, office.now)}" in page
    assert "reg40002" in office.text("/health-page")
    null_is_a_word = renamed(first + 7300, running=None)
    office.hear(null_is_a_word)
    pulse = office.desk.pulse("dev-ODD")
    assert (pulse.heard_at, pulse.puzzling_at) == (first + 7300, None)


def test_one_that_was_never_understood_says_so(office: SpokenSets) -> None:
    office.hear(*(garbled(t) for t in range(NOW - 3600, NOW, 300)))
    office.turn(NOW)
    page = office.text("/units/ODD")
    assert f"Speaks, not understood since {words.moment(NOW - 3600, ZONE, NOW)}" in page, page
    assert "Nothing has ever been heard" not in page
    assert "Check the device's topic" not in page


def test_a_set_last_understood_running_may_run_still(office: SpokenSets) -> None:
    begin = NOW - 7200
    office.hear(*(well(t, 1.0) for t in range(begin, begin + 300, 60)))
    office.hear(*(garbled(t) for t in range(begin + 300, NOW, 300)))
    office.turn(NOW)
    for path in ("/", "/units", "/units/ODD"):
        text = office.text(path)
        assert f"last heard running, {words.moment(begin + 240, ZONE, NOW)}" in text, text
    assert "It was running when it was last understood" in office.text("/units/ODD")


@pytest.mark.parametrize("how", ["other values only", "nothing at all"])
def test_an_open_alert_says_since_when_its_value_is_not_heard_anew(
    office: SpokenSets, how: str
) -> None:
    """Left out of automatic, said for an hour; then its switch is not read any more."""
    begin = NOW - 4 * 3600
    out = [
        reading(t, device="dev-ODD", running=0.0, in_auto=0.0, battery_v=12.7)
        for t in range(begin, begin + 3600, 300)
    ]
    office.hear(*out)
    last = begin + 3300
    office.turn(last + 60)
    stale = f"Not heard anew since {words.moment(last, ZONE, NOW)}: it may have changed."
    (alert,) = office.api("/api/alerts")["items"]
    assert alert["unheard_since"] is None
    path = f"/alerts/{alert['id']}"
    for page in ("/", "/alerts", "/units/ODD", path):
        assert "out of automatic" in office.text(page).lower() or page != path
        assert "Not heard anew" not in office.text(page)
    if how == "other values only":
        office.hear(
            *(
                reading(t, device="dev-ODD", running=0.0, battery_v=12.7)
                for t in range(last + 300, NOW, 300)
            )
        )
    office.turn(NOW)
    for page in ("/alerts", "/units/ODD", path):
        assert stale in office.text(page), page
    found = {a["kind"]: a for a in office.api("/api/alerts")["items"]}
    assert stale in found["not_in_auto"]["sentence"]
    office.hear(reading(NOW + 60, device="dev-ODD", running=0.0, in_auto=0.0, battery_v=12.7))
    office.turn(NOW + 120)
    for page in ("/alerts", "/units/ODD", path):
        assert "Not heard anew" not in office.text(page), page


@pytest.mark.parametrize("taken", [False, True])
def test_a_device_that_comes_and_goes_is_one_alert_with_a_count(
    office: SpokenSets, taken: bool
) -> None:
    """Heard for half an hour and silent for another, for nine hours; then it is well."""
    begin = NOW - 2 * 86_400
    office.hear(*(well(t) for t in range(begin, begin + 7200, 300)))
    office.turn(begin + 7200)
    start = begin + 7200
    known: set[str] = set()
    for at in range(start, start + 9 * 3600, 600):
        if at % 3600 < 1500:
            office.hear(well(at), well(at + 300))
        office.turn(at + 310)
        known |= {a["id"] for a in office.api("/api/alerts?unit=ODD")["items"]}
        if taken and at == start + 6 * 3600:
            (alert,) = office.api("/api/alerts?unit=ODD")["items"]
            answer = office.client.post(
                f"/alerts/{alert['id']}/have",
                data=form(),
                headers={"origin": "http://127.0.0.1:8080"},
                follow_redirects=False,
            )
            assert answer.status_code == 303, answer.text
    (alert,) = office.api("/api/alerts?unit=ODD")["items"]
    assert known == {alert["id"]}, "one, whether somebody took it or not"
    assert alert["crossings"] >= 7
    told = [s["kind"] for s in alert["steps"] if s["kind"] in ("raised", "recurred", "realarmed")]
    assert len(told) == 1 + COMES_AND_GOES, (
        "each silence after these is counted, and told to nobody"
    )
    assert f"came back {alert['crossings']} times" in office.text(f"/alerts/{alert['id']}")
    heard = start + 9 * 3600
    for at in range(heard, heard + 3 * 3600, 600):
        office.hear(well(at), well(at + 300))
        office.turn(at + 310)
    left = office.api("/api/alerts?unit=ODD")["items"]
    assert [a["state"] for a in left] in ([], ["returned"]), "heard for long enough, it is over"


def test_a_set_without_a_device_is_not_silent(tmp_path: Path) -> None:
    """Nothing will ever be heard of it, by what the register says: it is served by date and hours."""
    office = SpokenSets(tmp_path, "ODD", "BARE", without=("BARE",))
    office.hear(well(NOW - 60))
    for day in range(3):
        office.turn(NOW + day * 86_400)
    office.hear(well(office.now - 30))
    office.turn(office.now)
    bare = office.api("/api/units/BARE")
    assert (bare["condition"], bare["readiness"]["state"]) == ("no_device", "unknown")
    assert bare["readiness"]["why"] == "no_device"
    assert [f["kind"] for f in bare["findings"] if f["kind"] == "not_reporting"] == []
    assert [
        a for a in office.api("/api/alerts?unit=BARE")["items"] if a["kind"] == "not_reporting"
    ] == []
    page = office.text("/units/BARE")
    assert "No device" in page
    assert "Not reporting" not in page
    assert "1 of 1 reporting" in page
    assert "Without a device 1" in office.text("/health-page")
    assert "BARE" in office.text("/units?condition=no_device")
    assert "BARE Ltd" not in office.text("/units?condition=not_reporting")
    office.close()


def test_two_devices_under_one_id_are_believed_as_neither(office: SpokenSets) -> None:
    """Two boards with one configuration: one's set stands and the other's runs."""
    begin = NOW - 5 * 3600

    def said(at: int, which: int, n: int) -> Message:
        return reading(
            at,
            device="dev-ODD",
            seq=(1000, 20)[which] + n,
            running=float(which),
            in_auto=1.0,
            battery_v=(12.7, 14.1)[which],
            run_hours_h=(812.3, 14.2)[which],
        )

    office.hear(*(said(begin + 300 * n, 0, n) for n in range(12)))
    office.turn(begin + 3600)
    assert office.api("/api/units/ODD")["condition"] == "standing_by"
    gaps = office.desk.pulse("dev-ODD").sequence_gaps
    both = [(n, which) for n in range(12, 36) for which in (0, 1)]
    office.hear(*(said(begin + 300 * n + 60 * which, which, n) for n, which in both))
    second = begin + 36 * 300
    told = second - 200
    office.turn(told)
    pulse = office.desk.pulse("dev-ODD")
    assert pulse.sequence_gaps == gaps, "neither has lost a message"
    assert pulse.puzzling_since is not None
    since = words.moment(pulse.puzzling_since, ZONE, told)
    title = "Two devices seem to speak as dev-ODD"
    for path in ("/", "/units", "/units/ODD"):
        assert title in office.text(path), path
    page = office.text("/units/ODD")
    assert f"{title} since {since}" in page
    assert "Standing by" not in page
    assert "Find the other board that has this id" in page
    assert title.lower() in office.text("/health-page").lower()
    unit = office.api("/api/units/ODD")
    assert (unit["condition"], unit["readiness"]["state"]) == ("not_reporting", "unknown")
    assert unit["readiness"]["two_devices"] == "dev-ODD"
    kept = office.desk.kept("dev-ODD")["run_hours_h"]
    assert max(kept) < pulse.puzzling_since, "nothing is taken from then on"
    assert len([at for at, h in kept.items() if h < 100]) <= 2, "what came before it was plain"
    assert {reason[:11] for _, reason, _ in office.desk.quarantine()} == {"two devices"}
    alerts = [
        a for a in office.api("/api/alerts?unit=ODD")["items"] if a["kind"] == "not_reporting"
    ]
    assert len(alerts) == 1, "one alert, however often either speaks"
    office.hear(*(said(second + 300 * n, 0, 36 + n) for n in range(30)))
    office.turn(second + 30 * 300)
    assert office.api("/api/units/ODD")["condition"] == "standing_by"
    assert title not in office.text("/units/ODD")

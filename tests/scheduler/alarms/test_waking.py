"""Who is woken, who waits for the morning, who hears nothing: the waking table and the notices."""

from __future__ import annotations

import pytest
from found import finding as made
from waking_cases import DAY, NIGHT, ZONE, at, case, later

from fleet import words
from fleet.model import (
    Contact,
    Criticality,
    Notice,
    Rota,
    Severity,
    Waking,
    WakingRow,
)
from fleet.model.duty import WakingMains
from fleet.words import alert_sentences
from scheduler import alarms
from scheduler.alarms import AlertNews, Office, Quiet
from scheduler.alarms.waking import changed, table, wakes

ANN = Contact(person="ann", name="Ann", ways=("push", "email"))
BOB = Contact(person="bob", name="Bob", ways=("sms",))
OFFICE = Office(
    people=(ANN, BOB),
    rota=Rota(people=("ann", "bob"), start="2026-11-02", handover="08:00", zone=ZONE),
)


MORNING = at("2026-11-04T06:30")


DEFAULTS: list[tuple[str, Severity, Criticality, bool | None, bool]] = [
    ("failed_start", "act_now", "home", None, True),
    ("failed_start", "act_now", "business", None, True),
    ("failed_start", "act_now", "life", None, True),
    ("not_in_auto", "act_now", "home", None, False),
    ("not_in_auto", "act_now", "life", None, True),
    ("not_reporting", "no_word", "home", None, False),
    ("shut_down", "act_now", "home", None, False),
    ("fuel_low", "same_day", "life", None, False),
    ("failed_start", "act_now", "home", True, True),
    ("failed_start", "act_now", "home", False, False),
    ("failed_start", "act_now", "business", True, True),
    ("failed_start", "act_now", "business", False, False),
    ("failed_start", "act_now", "life", False, True),
    ("not_in_auto", "act_now", "life", False, True),
    ("not_in_auto", "act_now", "home", False, False),
    ("not_reporting", "no_word", "life", False, True),
    ("not_reporting", "no_word", "home", False, False),
    ("not_reporting", "no_word", "home", True, True),
    ("fuel_low", "same_day", "life", True, False),
    ("service_due", "same_day", "life", True, False),
    ("volts_standing", "act_now", "home", False, True),
    ("open_neutral", "act_now", "home", False, True),
    ("over_voltage", "act_now", "business", False, True),
]


@pytest.mark.parametrize(("kind", "severity", "criticality", "off", "woken"), DEFAULTS)
def test_the_default_table(
    kind: str, severity: Severity, criticality: Criticality, off: bool | None, woken: bool
) -> None:
    """docs/engineering/alarms.md#who-is-woken. None: nothing there tells of the mains."""
    finding = made(kind, severity=severity, since=0)
    mains: dict[bool | None, WakingMains] = {True: "off", False: "on", None: "not_sensed"}
    assert wakes(Waking(), finding, criticality, mains[off]) is woken


def test_the_owner_changes_rows_and_no_danger_sleeps() -> None:
    rows = [(c, crit, m, False) for c, crit, m, _, _ in table(Waking())]
    never = changed(rows)
    failed = made("failed_start", severity="act_now", since=0)
    assert not wakes(never, failed, "life", "off")
    assert not wakes(never, failed, "life", "not_sensed")
    for kind in ("volts_standing", "open_neutral", "over_voltage"):
        danger = made(kind, severity="act_now", since=0)
        assert wakes(never, danger, "home", "on")
    row = WakingRow(concern="no_cover", criticality="home", mains="on", wake="wake")
    assert wakes(Waking(rows=(row,)), failed, "home", "on")
    unsensed = WakingRow(
        concern="start_failed", criticality="home", mains="not_sensed", wake="morning"
    )
    left = Waking(rows=(unsensed,))
    assert not wakes(left, failed, "home", "not_sensed")
    assert wakes(left, failed, "business", "not_sensed")
    assert wakes(left, failed, "home", "off")
    back = changed([(c, crit, m, default) for c, crit, m, _, default in table(never)])
    assert back == Waking()


def test_what_wakes_leaves_at_once_by_every_way() -> None:
    found = alarms.tell([case(mains="off")], OFFICE, NIGHT)
    assert [(n.person, n.way, n.wakes, n.not_before, n.kind) for n in found] == [
        ("ann", "push", True, NIGHT, "alert"),
        ("ann", "email", True, NIGHT, "alert"),
    ]


def test_what_does_not_wake_waits_for_half_past_six_and_one_way() -> None:
    (notice,) = alarms.tell([case()], OFFICE, NIGHT)
    assert (notice.way, notice.wakes, notice.not_before) == ("push", False, MORNING)


def test_what_waits_goes_to_whoever_holds_the_phone_in_the_morning() -> None:
    """After the handover of 9 November, 08:00, it is the other one's."""
    late = at("2026-11-09T21:00")
    (notice,) = alarms.tell([case(now=late)], OFFICE, late)
    assert (notice.person, notice.not_before) == ("bob", at("2026-11-10T06:30"))


@pytest.mark.parametrize(
    ("severity", "kind", "told"),
    [
        ("act_now", "failed_start", DAY),
        ("same_day", "fuel_low", DAY),
        ("no_word", "not_reporting", at("2026-11-05T06:30")),
        ("next_visit", "service_due", None),
    ],
)
def test_by_day(severity: Severity, kind: str, told: int | None) -> None:
    """Act now and Same day at once, No word in the morning, Next visit sends nothing."""
    found = alarms.tell([case(kind, severity, DAY)], OFFICE, DAY)
    assert [n.not_before for n in found] == ([] if told is None else [told])


@pytest.mark.parametrize("hour", ["06:29", "20:00"])
def test_the_edges_of_the_day(hour: str) -> None:
    now = at(f"2026-11-04T{hour}")
    (notice,) = alarms.tell([case(now=now)], OFFICE, now)
    assert notice.not_before > now


def test_the_same_again_is_the_same_notice() -> None:
    """A turn that is computed twice gives the same ids, whenever it is."""
    ids = [
        [n.id for n in alarms.tell([case(mains="off")], OFFICE, now)] for now in (NIGHT, NIGHT + 40)
    ]
    assert ids[0] == ids[1]
    assert len(set(ids[0])) == 2


def test_nothing_is_told_in_learning_time_but_these() -> None:
    """docs/engineering/alarms.md#new-and-adopted-sets: failed start, dangers, not reporting."""
    told = {
        kind
        for kind in (
            "failed_start",
            "volts_standing",
            "open_neutral",
            "over_voltage",
            "not_reporting",
            "not_in_auto",
            "fuel_low",
            "service_due",
        )
        if alarms.tell([case(kind, "act_now", DAY, learning=True)], OFFICE, DAY)
    }
    assert told == {
        "failed_start",
        "volts_standing",
        "open_neutral",
        "over_voltage",
        "not_reporting",
    }


@pytest.mark.parametrize(("learning", "adopted"), [(True, False), (False, True)])
def test_a_danger_nobody_has_checked_says_so(learning: bool, adopted: bool) -> None:
    unsure = case("over_voltage", now=DAY, learning=learning, adopted=adopted, facts={})
    assert all(alert_sentences.UNCHECKED in n.body for n in alarms.tell([unsure], OFFICE, DAY))
    sure = case("over_voltage", now=DAY, facts={})
    assert not any(alert_sentences.UNCHECKED in n.body for n in alarms.tell([sure], OFFICE, DAY))


def test_silent_states_tell_nobody() -> None:
    held = case(mains="off", quiet=Quiet(visit="visit:1"))
    assert alarms.tell([held], OFFICE, NIGHT) == []
    assert alarms.withdrawn([held]) == [held.episode.id]
    freed = later(held, held.episode.finding, NIGHT + 60)
    assert [n.kind for n in alarms.tell([freed], OFFICE, NIGHT + 60)] == ["alert", "alert"]


def test_a_set_inside_an_outage_is_told_by_its_call_list() -> None:
    assert alarms.tell([case(mains="off", grouped=True)], OFFICE, NIGHT) == []
    danger = case("volts_standing", mains="off", grouped=True, facts={})
    assert alarms.tell([danger], OFFICE, NIGHT)


def test_one_all_clear() -> None:
    first = case(mains="off")
    over = later(first, None, NIGHT + 600)
    told = alarms.tell([over], OFFICE, NIGHT + 600)
    assert {n.person for n in told} == {c.person for c in OFFICE.people}, (
        "the registry drops the rest"
    )
    (push, mail) = (n for n in told if n.person == "ann")
    assert (push.kind, push.not_before, push.wakes) == ("cleared", NIGHT + 600, False)
    assert push.subject.startswith("Over: Alder House")
    assert "03:10" in mail.body
    assert alarms.withdrawn([over]) == [over.episode.id]
    assert alarms.tell([later(over, None, NIGHT + 700)], OFFICE, NIGHT + 700) == []


def test_an_all_clear_in_the_night_long_after_waits() -> None:
    over = later(case(now=at("2026-11-03T12:00")), None, NIGHT)
    assert {n.not_before for n in alarms.tell([over], OFFICE, NIGHT)} == {MORNING}


def test_the_next_in_line_is_told_of_what_nobody_answers() -> None:
    first = alarms.tell([case(mains="off")], OFFICE, NIGHT)
    assert alarms.escalate(first, OFFICE, NIGHT + 899) == []
    (notice,) = alarms.escalate(first, OFFICE, NIGHT + 900)
    assert (notice.person, notice.way, notice.kind, notice.wakes) == (
        "bob",
        "sms",
        "escalated",
        True,
    )
    assert notice.subject.startswith("Nobody has answered: ")
    assert alarms.escalate([*first, notice], OFFICE, NIGHT + 950)[0].id == notice.id
    assert alarms.escalate(first, OFFICE, NIGHT + 7 * 3600) == []
    waiting = alarms.tell([case()], OFFICE, NIGHT)
    assert alarms.escalate(waiting, OFFICE, NIGHT + 9000) == [], "it woke nobody"


def test_a_message_has_one_line_of_subject_and_its_cautions() -> None:
    """No CR/LF from outside; who is sent to a set is cautioned, in short where it must be."""
    rude = case(now=DAY, place="Odd\r\nBcc: x@example.org\u2028 Street" + "x" * 300)
    (notice,) = alarms.tell([rude], OFFICE, DAY)
    assert notice.subject.isprintable()
    assert len(notice.subject) <= 150
    assert alert_sentences.SMS_CAUTION in notice.body
    mailed = Office(people=(Contact(person="ann", name="Ann", ways=("email",)),), rota=OFFICE.rota)
    (mail,) = alarms.tell([rude], mailed, DAY)
    for line in words.CAUTIONS:
        assert line in mail.body
    assert mail.path == f"/alerts/{rude.episode.id}"


def test_nobody_to_tell_is_no_fault() -> None:
    assert alarms.tell([case(mains="off")], Office(), NIGHT) == []
    mute = Office(people=(Contact(person="ann", name="Ann"),), rota=OFFICE.rota)
    assert alarms.tell([case(mains="off")], mute, NIGHT) == []


def test_late_news_has_both_times() -> None:
    finding = made(
        "failed_start",
        severity="act_now",
        since=DAY - 9000,
        learned_at=DAY,
        facts={"attempts": 3},
    )
    episode = alarms.opening("unit:u1", finding, DAY)
    told: list[Notice] = alarms.tell(
        [AlertNews(episode=episode, steps=episode.steps, place="Alder House", zone=ZONE)],
        OFFICE,
        DAY,
    )
    assert "Did not start at 08:30, learned at 11:00" in told[0].body

"""The life of an alert after ANSI/ISA-18.2: every legal and illegal step, delays, suppression."""

from __future__ import annotations

import itertools
import json
from pathlib import Path
from typing import Any, get_args

import msgspec
import pytest
from found import finding
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.findings import starting
from fleet.findings.row import HOLD_S
from fleet.model import AlertState, Episode, Finding, Severity, Step, StepKind
from scheduler import alarms
from scheduler.alarms import TRANSITIONS, IllegalStep, Quiet, episode_id, grown, state_of, step
from scheduler.alarms.lifecycle import SILENT, newest, next_step

SUBJECT = "unit:u1"
NEVER_HELD = "failed_start"
"""A kind that is over the moment it is gone."""


def found(kind: str, severity: Severity = "act_now", since: int = 100, part: str = "") -> Finding:
    return finding(kind, severity=severity, since=since, part=part)


def raised(kind: str = NEVER_HELD, at: int = 200, severity: Severity = "act_now") -> Episode:
    (episode,), _ = step([], SUBJECT, [found(kind, severity)], at)
    return episode


def acked(episode: Episode, at: int = 250) -> Episode:
    return grown(episode, [alarms.acknowledge(episode, "ann", at)])


def looked(
    episodes: list[Episode], findings: list[Finding], now: int, quiet: Quiet | None = None
) -> list[Episode]:
    """One look, and the open episodes as the registry keeps them afterwards, ended ones too."""
    opened, steps = step(episodes, SUBJECT, findings, now, quiet or Quiet())
    return alarms.after_turn(episodes, opened, steps)


def kinds(episode: Episode) -> list[str]:
    return [s.kind for s in episode.steps]


PUBLISHED: list[tuple[AlertState, StepKind, AlertState]] = [
    ("normal", "raised", "unacknowledged"),
    ("unacknowledged", "acknowledged", "acknowledged"),
    ("unacknowledged", "returned", "returned"),
    ("acknowledged", "cleared", "normal"),
    ("normal", "shelved", "shelved"),
    ("unacknowledged", "shelved", "shelved"),
    ("acknowledged", "shelved", "shelved"),
    ("normal", "suppressed", "suppressed"),
    ("unacknowledged", "suppressed", "suppressed"),
    ("acknowledged", "suppressed", "suppressed"),
    ("normal", "removed", "out_of_service"),
    ("unacknowledged", "removed", "out_of_service"),
    ("acknowledged", "removed", "out_of_service"),
]
"""ANSI/ISA-18.2 and IEC 62682, transitions seen in public sources (NORM, UNACK, ACKED, RTNUN, SHLVD,
DSUPR, OOSRV)."""
FROM_MEMORY: list[tuple[AlertState, StepKind, AlertState]] = [
    ("returned", "acknowledged", "normal"),
    ("returned", "recurred", "unacknowledged"),
    ("acknowledged", "realarmed", "unacknowledged"),
    ("returned", "shelved", "shelved"),
    ("returned", "suppressed", "suppressed"),
    ("returned", "removed", "out_of_service"),
    ("shelved", "unshelved", "unacknowledged"),
    ("shelved", "cleared", "normal"),
    ("suppressed", "unsuppressed", "unacknowledged"),
    ("suppressed", "cleared", "normal"),
    ("out_of_service", "restored", "unacknowledged"),
    ("out_of_service", "cleared", "normal"),
]
"""The same standard, as remembered; ours follow them."""
OURS: list[tuple[AlertState, StepKind, AlertState]] = [
    ("unacknowledged", "changed", "unacknowledged"),
    ("unacknowledged", "lapsed", "unacknowledged"),
    ("unacknowledged", "resumed", "unacknowledged"),
    ("acknowledged", "changed", "acknowledged"),
    ("acknowledged", "lapsed", "acknowledged"),
    ("acknowledged", "resumed", "acknowledged"),
]
"""Steps within a state: news of the same, and the off-delay."""
LEGAL = {(state, kind): to for state, kind, to in [*PUBLISHED, *FROM_MEMORY, *OURS]}
PAIRS = list(itertools.product(get_args(AlertState), get_args(StepKind)))


def test_published_transitions(checked: Any) -> None:
    for state, kind, to in PUBLISHED:
        checked("alert transitions", "ANSI/ISA-18.2, IEC 62682", to, alarms.after(state, kind))


EVENTS: dict[str, set[StepKind]] = {
    "alarm_occurs": {"raised", "recurred"},
    "ack": {"acknowledged"},
    "shelve": {"shelved"},
    "return_to_normal": {"returned", "cleared"},
    "re_alarm": {"realarmed"},
    "suppress": {"suppressed"},
    "remove_from_service": {"removed"},
}
NAMES: dict[str, AlertState] = {
    "NORM": "normal",
    "UNACK": "unacknowledged",
    "ACKED": "acknowledged",
    "RTNUN": "returned",
    "SHLVD": "shelved",
    "DSUPR": "suppressed",
    "OOSRV": "out_of_service",
}


def test_the_whole_published_table(shared: Path) -> None:
    """Every row of the collected table that names its target is one of ours, event for event."""
    rows = json.loads((shared / "check" / "check-values.json").read_text())["alarm_transitions"]
    asked = [row for row in rows["allowed"] if row[1] in EVENTS and row[2] in NAMES]
    assert len(asked) >= 13
    for first, event, last in asked:
        found_to = {TRANSITIONS.get((NAMES[first], kind)) for kind in EVENTS[event]}
        assert NAMES[last] in found_to, (first, event, last)


@pytest.mark.parametrize(("state", "kind"), PAIRS)
def test_every_step_from_every_state(state: AlertState, kind: StepKind) -> None:
    """What the table holds leads where it says; everything else is refused."""
    if (state, kind) in LEGAL:
        assert alarms.after(state, kind) == LEGAL[state, kind]
    else:
        with pytest.raises(IllegalStep):
            alarms.after(state, kind)


@pytest.mark.parametrize(
    ("state", "kind"),
    [
        ("normal", "acknowledged"),
        ("unacknowledged", "cleared"),
        ("normal", "returned"),
        ("acknowledged", "acknowledged"),
        ("shelved", "acknowledged"),
        ("suppressed", "shelved"),
    ],
)
def test_what_must_never_happen(state: AlertState, kind: StepKind) -> None:
    """Acknowledging what is normal; clearing silently what nobody has seen."""
    with pytest.raises(IllegalStep):
        alarms.after(state, kind)


def test_a_shelf_needs_an_end() -> None:
    episode = raised()
    with pytest.raises(IllegalStep, match="end"):
        next_step(episode, "shelved", 300, by="ann")
    with pytest.raises(IllegalStep, match="end"):
        alarms.shelve(episode, "ann", 300, 300)


def test_raised_once_and_over_once() -> None:
    episode = raised()
    assert (episode.opened_at, episode.severity, state_of(episode)) == (
        200,
        "act_now",
        "unacknowledged",
    )
    assert step([episode], SUBJECT, [found(NEVER_HELD)], 300) == ([], [])
    (over,) = looked([episode], [], 400)
    assert (kinds(over), state_of(over), over.closed_at) == (
        ["raised", "returned"],
        "returned",
        None,
    )
    assert step([over], SUBJECT, [], 500) == ([], [])
    seen = acked(over, 600)
    assert (state_of(seen), seen.closed_at) == ("normal", 600)


def test_what_somebody_has_is_over_when_it_is_gone() -> None:
    (over,) = looked([acked(raised())], [], 400)
    assert (kinds(over), over.closed_at) == (["raised", "acknowledged", "cleared"], 400)


def test_after_a_restart() -> None:
    """Field case 25: nothing again for the first, one all-clear for the second, the third alerts."""
    first, second = acked(raised(at=900)), raised("service_due", at=900)
    now = [found(NEVER_HELD), found("not_in_auto")]
    opened, steps = step([first, second], SUBJECT, now, 1000)
    assert [e.kind for e in opened] == ["not_in_auto"]
    assert [(s.episode, s.kind) for s in steps] == [(second.id, "returned")]
    after = alarms.after_turn([first, second], opened, steps)
    assert step(after, SUBJECT, now, 1001) == ([], [])


def test_what_comes_back_unseen_is_the_same_alert() -> None:
    """RTNUN, condition re-occurs: UNACK, in the same episode."""
    (over,) = looked([raised("not_reporting", severity="no_word")], [], 400)
    (again,) = looked([over], [found("not_reporting", "no_word", since=450)], 500)
    assert again.id == over.id
    assert kinds(again) == ["raised", "returned", "recurred"]
    assert (state_of(again), again.finding.since) == ("unacknowledged", 450)


def test_what_comes_back_after_it_was_closed_is_a_new_alert() -> None:
    (closed,) = looked([acked(raised("not_reporting", severity="no_word"))], [], 400)
    (second,), _ = step([closed], SUBJECT, [found("not_reporting", "no_word")], 500)
    assert second.id != closed.id


@pytest.mark.parametrize(("severity", "days"), [("act_now", 7), ("same_day", 1)])
def test_an_alert_that_nobody_answers_is_closed_in_the_end(severity: Severity, days: int) -> None:
    (over,) = looked([raised(severity=severity)], [], 400)
    assert step([over], SUBJECT, [], 400 + days * 86_400 - 1) == ([], [])
    (closed,) = looked([over], [], 400 + days * 86_400)
    assert (kinds(closed)[-1], closed.steps[-1].by, closed.closed_at) == (
        "acknowledged",
        "",
        400 + days * 86_400,
    )


def test_severity_and_another_failed_start_are_steps_of_one_life() -> None:
    oil = raised("service_due", severity="next_visit")
    worse = found("service_due", "same_day", since=150)
    (changed,) = looked([oil], [worse], 250)
    assert (kinds(changed), changed.severity) == (["raised", "changed"], "same_day")
    assert step([changed], SUBJECT, [worse], 300) == ([], [])
    again = found(NEVER_HELD, since=500)
    (failed,) = looked([acked(raised())], [again], 510)
    assert (kinds(failed)[-1], state_of(failed)) == ("realarmed", "unacknowledged")
    assert failed.acknowledged_at is None
    assert step([failed], SUBJECT, [again], 520) == ([], [])


def test_what_eases_stays_taken() -> None:
    episode = acked(raised("service_due", severity="same_day"))
    (eased,) = looked([episode], [found("service_due", "next_visit", since=100)], 300)
    assert (kinds(eased)[-1], state_of(eased)) == ("changed", "acknowledged")


def test_a_value_that_swings_about_its_limit() -> None:
    """Field case 23: over and under the limit every 10 min for a day: one open, at most one close,
    the number of crossings shown."""
    episodes: list[Episode] = []
    for n in range(145):
        low = n % 2 == 0 and n < 144
        found_now = [found("battery_weak", "same_day")] if low else []
        for now in (n * 600, n * 600 + 300):
            episodes = looked(episodes, found_now, now)
    (episode,) = looked(episodes, [], 144 * 600 + HOLD_S + 600)
    assert kinds(episode).count("raised") == 1
    assert kinds(episode).count("returned") == 1
    assert alarms.crossings(episode) == 71


def test_the_off_delay_is_met_and_not_before() -> None:
    episode = raised("not_in_auto")
    off_s = starting.NOT_IN_AUTO.alarm.over_after_s
    (waiting,) = looked([episode], [], 300)
    assert (kinds(waiting)[-1], state_of(waiting)) == ("lapsed", "unacknowledged")
    assert alarms.look_again([waiting], 300) == 300 + off_s
    assert step([waiting], SUBJECT, [], 300 + off_s - 1) == ([], [])
    (over,) = looked([waiting], [], 300 + off_s)
    assert state_of(over) == "returned"
    (back,) = looked([waiting], [found("not_in_auto")], 310)
    assert kinds(back)[-1] == "resumed"


def test_an_answer_within_the_off_delay_does_not_restart_it() -> None:
    (waiting,) = looked([raised("not_in_auto")], [], 300)
    taken = acked(waiting, 320)
    (over,) = looked([taken], [], 300 + starting.NOT_IN_AUTO.alarm.over_after_s)
    assert (kinds(over)[-1], over.closed_at) == ("cleared", 360)


def test_silence_keeps_an_alert_open() -> None:
    """Stale readings keep an episode open; a failed start ends by what people or a run say."""
    episode = raised("not_in_auto")
    assert step([episode], SUBJECT, [], 90_000, Quiet(silent=True)) == ([], [])
    (over,) = looked([raised()], [], 90_000, Quiet(silent=True))
    assert state_of(over) == "returned"


def test_a_shelf_and_its_end() -> None:
    episode = acked(raised())
    shelf = grown(episode, [alarms.shelve(episode, "ann", 5000, 300, "parts are ordered")])
    assert state_of(shelf) == "shelved"
    worse = found(NEVER_HELD, since=900)
    assert step([shelf], SUBJECT, [worse], 1000) == ([], [])
    assert step([shelf], SUBJECT, [], 1000) == ([], []), "it stays shelved while it is gone"
    assert alarms.look_again([shelf], 1000) == 5000
    (still,) = looked([shelf], [worse], 5000)
    assert (kinds(still)[-1], state_of(still), still.acknowledged_at) == (
        "unshelved",
        "unacknowledged",
        None,
    )
    (gone,) = looked([shelf], [], 5000)
    assert (kinds(gone)[-1], gone.closed_at) == ("cleared", 5000)


def test_an_open_visit_silences_its_set() -> None:
    visit = Quiet(visit="visit:v1")
    (held,) = looked([raised()], [found(NEVER_HELD)], 300, visit)
    assert (state_of(held), held.steps[-1].cause) == ("suppressed", "visit:v1")
    born, _ = step([held], SUBJECT, [found(NEVER_HELD), found("not_in_auto")], 310, visit)
    assert [(e.kind, state_of(e)) for e in born] == [("not_in_auto", "suppressed")]
    (still,) = looked([held], [found(NEVER_HELD)], 400)
    assert (kinds(still)[-1], state_of(still)) == ("unsuppressed", "unacknowledged")
    (mended,) = looked([held], [], 400)
    assert (kinds(mended)[-1], mended.closed_at) == ("cleared", 400)


def test_silence_is_held_back_by_an_outage_and_nothing_else_is() -> None:
    out = Quiet(silence_of="o1")
    both = [found("not_reporting", "no_word"), found(NEVER_HELD)]
    opened, _ = step([], SUBJECT, both, 300, out)
    assert {e.kind: state_of(e) for e in opened} == {
        "not_reporting": "suppressed",
        NEVER_HELD: "unacknowledged",
    }
    later = looked(opened, both, 900)
    assert {e.kind: kinds(e)[-1] for e in later} == {
        "not_reporting": "unsuppressed",
        NEVER_HELD: "raised",
    }


def test_out_of_service_and_back() -> None:
    aside = Quiet(aside=True)
    (away,) = looked([raised()], [], 300, aside)
    assert (kinds(away)[-1], state_of(away)) == ("removed", "out_of_service")
    assert step([away], SUBJECT, [], 900, aside) == ([], [])
    (back,) = looked([away], [found(NEVER_HELD)], 1000)
    assert (kinds(back)[-1], state_of(back)) == ("restored", "unacknowledged")
    due = raised("service_due", severity="next_visit")
    stays = [found("service_due", "next_visit")]
    assert step([due], SUBJECT, stays, 300, aside) == ([], [])


def test_a_visit_to_a_set_that_is_out_of_service_tells_nobody() -> None:
    (away,) = looked([raised()], [], 300, Quiet(aside=True))
    assert step([away], SUBJECT, [], 400, Quiet(aside=True, visit="visit:v1")) == ([], [])


def test_notes_open_nothing_and_a_finding_that_shrank_to_one_is_over() -> None:
    assert step([], SUBJECT, [found("meter_rolled_over", "note")], 100) == ([], [])
    (over,) = looked(
        [raised("not_reporting", severity="no_word")], [found("not_reporting", "note")], 300
    )
    assert state_of(over) == "returned"


def test_one_open_per_subject_kind_and_part() -> None:
    twice = [
        found("service_due", "next_visit", part="oil"),
        found("service_due", "same_day", part="oil"),
    ]
    opened, _ = step([], SUBJECT, [*twice, found("service_due", "next_visit", part="belt")], 100)
    assert [(e.part, e.severity) for e in opened] == [("belt", "next_visit"), ("oil", "same_day")]
    other = Episode(
        **{**{f: getattr(opened[0], f) for f in opened[0].__struct_fields__}, "subject": "unit:u2"}
    )
    assert step([other], SUBJECT, [], 200) == ([], [])


@pytest.mark.parametrize(
    ("kind", "known_at", "raised_at", "learned_at"),
    [
        ("failed_start", None, 600, None),
        ("failed_start", None, 601, 601),
        ("failed_start", 900, 1000, 900),
        ("over_voltage", 60, 4000, 4000),
        ("voltage_out", 60, 4000, 60),
        ("charger_fault", None, 86_400, None),
    ],
)
def test_late_news_is_learned_when_it_came(
    kind: str, known_at: int | None, raised_at: int, learned_at: int | None
) -> None:
    """Seconds after it began; what is only proven after a day by its nature is not late."""
    since = 1_000_000
    known = None if known_at is None else since + known_at
    found = finding(kind, severity="act_now", since=since, learned_at=known)
    episode = alarms.opening("unit:u1", found, since + raised_at)
    wanted = None if learned_at is None else since + learned_at
    assert episode.finding.learned_at == wanted
    graver = msgspec.structs.replace(found, severity="same_day")
    (step,) = alarms.proceed(episode, graver, since + raised_at + 90_000)
    assert step.finding is not None
    assert step.finding.learned_at == wanted, "the moment it was learned stays"


def test_what_was_seen_while_a_set_was_out_of_service_was_known() -> None:
    """Its switch was left at OFF after the work, which ended three hours later."""
    since = 1_000_000
    found = finding("not_in_auto", severity="act_now", since=since)
    back = Quiet(back_at=since + 10_800)
    for after_s, learned_at in ((60, None), (660, since + 11_460)):
        episode = alarms.opening("unit:u1", found, since + 10_800 + after_s, back)
        assert episode.finding.learned_at == learned_at


def test_ids_are_stable_and_fit_the_contract() -> None:
    """Ids match [A-Za-z0-9][A-Za-z0-9_-]{0,63}; parts cannot run into each other."""
    name = episode_id(SUBJECT, "failed_start", "", 200)
    assert name == episode_id(SUBJECT, "failed_start", "", 200)
    assert name.isalnum()
    assert len(name) <= 64
    assert episode_id("unit:a", "bc", "", 1) != episode_id("unit:a", "b", "c", 1)


def test_steps_written_before_there_were_states() -> None:
    """An episode of an older version: raised, changed, acknowledged, cleared without states."""
    whole = raised()
    kinds: tuple[StepKind, ...] = ("raised", "changed", "acknowledged")
    old = [
        Step(episode=whole.id, n=n, at=100 + n, kind=kind, state="")
        for n, kind in enumerate(kinds, 1)
    ]
    episode = Episode(
        **{**{f: getattr(whole, f) for f in whole.__struct_fields__}, "steps": tuple(old)}
    )
    assert state_of(episode) == "acknowledged"
    assert (
        state_of(grown(episode, [alarms.lifecycle.next_step(episode, "cleared", 200)])) == "normal"
    )


QUIETS = [
    Quiet(),
    Quiet(visit="visit:1"),
    Quiet(silence_of="o"),
    Quiet(aside=True),
    Quiet(silent=True),
]


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sets(st.sampled_from(["failed_start", "not_in_auto", "not_reporting"])),
            st.sampled_from(QUIETS),
            st.sampled_from(["", "ack", "shelve"]),
            st.integers(1, 4000),
        ),
        max_size=25,
    )
)
def test_any_life_is_legal(looks: list[tuple[set[str], Quiet, str, int]]) -> None:
    """Whatever is found, answered and held back: no illegal step, one open episode a kind, numbers
    without gaps, closed exactly when normal, and a second look changes nothing."""
    kept: dict[str, Episode] = {}
    now = 1000
    for present, quiet, answer, wait in looks:
        now += wait
        going = [e for e in kept.values() if e.closed_at is None]
        if answer and going:
            first = going[0]
            if (state_of(first), "acknowledged" if answer == "ack" else "shelved") in TRANSITIONS:
                made = (
                    alarms.acknowledge(first, "ann", now)
                    if answer == "ack"
                    else alarms.shelve(first, "ann", now + 900, now)
                )
                kept[first.id] = grown(first, [made])
                going = [e for e in kept.values() if e.closed_at is None]
        findings = [found(kind, since=now) for kind in sorted(present)]
        opened, steps = step(going, SUBJECT, findings, now, quiet)
        for episode in alarms.after_turn(going, opened, steps):
            kept[episode.id] = episode
            assert [s.n for s in episode.steps] == list(range(1, len(episode.steps) + 1))
            assert (episode.closed_at is None) == (state_of(episode) != "normal")
        going = [e for e in kept.values() if e.closed_at is None]
        assert len({(e.kind, e.part) for e in going}) == len(going)
        again = step(going, SUBJECT, findings, now, quiet)
        assert not again[0]
        assert all(
            s.kind in ("suppressed", "removed", "unsuppressed", "restored", "cleared", "returned")
            for s in again[1]
        )


def test_silent_states_are_the_three_of_the_standard() -> None:
    assert {"shelved", "suppressed", "out_of_service"} == SILENT
    assert newest(raised(), "shelved") is None

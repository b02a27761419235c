"""The verdict on a unit: hours, habit, silence, condition, findings."""

from __future__ import annotations

from datetime import UTC, date, datetime
from itertools import pairwise

import msgspec
import pytest
from assessed import DAY, T0, a_run, day, demand, found, inputs, metered, record, unit
from found import facts_as
from hypothesis import given
from hypothesis import strategies as st

from fleet import words
from fleet.findings.reporting import NotReporting, SimEnding
from fleet.findings.service import UsesIntegratedHours
from fleet.findings.starting import FailedStart
from fleet.model import (
    Fitting,
    Habit,
    HoursRise,
    Latest,
    MeterEvent,
    Pulse,
    Record,
    Run,
    ServicePlan,
    StartDemand,
    Task,
)
from scheduler.assess import assess, encode, read
from scheduler.assess.habit import gap_s, learned, silent_limit_s
from scheduler.assess.hours import Gains, cross_check, ledger
from scheduler.day import Carry, Day, Gap, Spell
from scheduler.rules.hours import MeterCarry

# ---------------------------------------------------------------- engine hours


def test_the_meters_own_value_without_an_anchor() -> None:
    book = ledger(unit(), [], [metered(0, 2.0, 812.0), metered(1, 0.4, 812.4)], None, T0 + 2 * DAY)
    assert (book.now.hours_h, book.now.source) == (812.4, "meter")
    assert book.at(T0 + DAY) == pytest.approx(812.0)
    assert book.at(T0 + DAY // 2) == pytest.approx(811.0)
    assert book.at(T0 - 1) is None
    assert book.now.anchor_at is None


def test_anchor_plus_what_the_meter_gained_after_it() -> None:
    """The engine's own meter said 1,200 when the device's said 10.5."""
    days = [metered(0, 1.0, 10.0), metered(1, 1.0, 11.0), metered(2, 3.0, 14.0)]
    anchor = record("hour_meter", T0 + DAY + DAY // 2, hours=1200.0)
    book = ledger(unit(), [anchor], days, None, T0 + 3 * DAY)
    assert book.now.hours_h == pytest.approx(1203.5)
    assert (book.now.anchor_h, book.now.source) == (1200.0, "meter")
    assert book.at(T0) == pytest.approx(1198.5)
    assert book.at(T0 + 2 * DAY) == pytest.approx(1200.5)
    assert book.when(1201.5) == T0 + 2 * DAY + DAY // 3


def test_an_anchor_before_the_first_report() -> None:
    """Serviced at 800 h; the device came later. A meter that fits is the engine's and tells what
    ran meanwhile; one that does not is another count, and the missing hours are said."""
    serviced = record("task_done", T0 - 100 * DAY, task="oil", hours=800)
    fits = ledger(unit(), [serviced], [metered(0, 1.0, 851.0)], None, T0 + DAY)
    assert (fits.now.hours_h, fits.now.note) == (851.0, "")
    fresh = ledger(unit(), [serviced], [metered(0, 1.0, 13.0)], None, T0 + DAY)
    assert fresh.now.hours_h == 801.0
    assert "not in it" in fresh.now.note
    far = ledger(unit(), [serviced], [metered(0, 1.0, 9001.0)], None, T0 + DAY)
    assert far.now.hours_h == 801.0, "100 days cannot hold 8,200 h"


def test_the_registers_last_service_is_an_anchor_too() -> None:
    """Day 19,900 is 2024-06-26. A fresh device meter must not hide that 800 h were run."""
    known = unit(last_service="2024-06-26", last_service_hours=800.0)
    assert ledger(known, [], [metered(0, 1.0, 13.0)], None, T0 + DAY).now.hours_h == 801.0
    assert ledger(known, [], [metered(0, 1.0, 851.0)], None, T0 + DAY).now.hours_h == 851.0


def test_a_reset_goes_on_from_the_old_reading() -> None:
    """Field case 2: 1204.4, then 0.0, 0.1, 0.2 staying low: the total goes on from 1204.4."""
    event = MeterEvent(at=T0 + DAY + 60, kind="reset", before_h=1204.4, after_h=0.0)
    rise = HoursRise(from_at=T0 + DAY + 60, to_at=T0 + DAY + 780, hours_h=0.2)
    days = [
        metered(0, 0.1, 1204.4),
        day(1, meter=(event,), hours=(rise,), carry=Carry(meter=MeterCarry(max_h=0.2))),
        metered(2, 1.0, 1.2),
    ]
    book = ledger(unit(), [], days, None, T0 + 3 * DAY)
    assert book.now.hours_h == pytest.approx(1205.6)


def test_a_wrapped_counter_counts_on() -> None:
    """Field case 4: 65534, 65535, 0, 1, one per hour: total 65,537."""
    event = MeterEvent(at=T0 + 7200, kind="roll_over", before_h=65535, after_h=0)
    rise = HoursRise(from_at=T0, to_at=T0 + 3 * 3600, hours_h=3)
    wrapped = day(0, meter=(event,), hours=(rise,), carry=Carry(meter=MeterCarry(max_h=1)))
    before = metered(-1, 0.0, 65534)
    assert ledger(unit(), [], [before, wrapped], None, T0 + DAY).now.hours_h == pytest.approx(65537)


def test_runs_stand_in_for_a_meter_that_counts_standing_and_it_is_said() -> None:
    """Key-on meters gain all day: not used, said, and no cross-check finding on top."""
    days = [
        metered(
            n,
            24.0,
            24.0 * n + 24,
            rise_standing_h=23.0,
            standing_watched_s=82_800,
            runs=(a_run(T0 + n * DAY + 3600, 3600),),
        )
        for n in range(3)
    ]
    now = T0 + 3 * DAY
    anchor = record("hour_meter", T0, hours=500)
    book = ledger(unit(), [anchor], days, None, now)
    assert (book.now.hours_h, book.now.source) == (503.0, "integrated")
    known = inputs(now, records=(anchor,))
    verdict = assess(known, days, now)
    note = found(verdict, "uses_integrated_hours")
    assert note is not None
    assert note.severity == "note"
    assert facts_as(note, UsesIntegratedHours).standing_h == 69.0
    assert found(verdict, "meter_disagrees") is None


def test_runs_hidden_between_coarse_reports_do_not_make_a_key_on_meter() -> None:
    """A set that reports every 6 h gains its exercise of 20 min between two off readings."""
    days = [
        metered(n, 0.3, 500 + 0.3 * (n + 1), rise_standing_h=0.3, standing_watched_s=82_800)
        for n in range(0, 70, 7)
    ]
    book = ledger(unit(), [record("hour_meter", T0, hours=500)], days, None, T0 + 70 * DAY)
    assert book.now.source == "meter"


def test_hours_of_runs_and_an_open_run_without_any_meter() -> None:
    open_run = a_run(T0 + DAY, 1800, end=None, last_on_at=T0 + DAY + 1800)
    book = ledger(unit(), [], [day(0, runs=(a_run(T0 + 60, 7200),))], open_run, T0 + DAY + 1900)
    assert (book.now.hours_h, book.now.source) == (2.5, "integrated")
    assert "never read" in book.now.note
    nothing = ledger(unit(), [], [], None, T0)
    assert (nothing.now.hours_h, nothing.now.source) == (None, "none")


@pytest.mark.parametrize(
    ("gained", "ran", "silent", "disagrees", "why"),
    [
        (21.5, 20.0, 0, True, "7.5 % and 1.5 h"),
        (20.9, 20.0, 0, False, "0.9 h is not beyond 1 h"),
        (103.0, 100.0, 0, False, "3 % is not beyond 5 %"),
        (17.0, 20.0, 0, True, "the meter stands while runs are seen"),
        (30.0, 20.0, 12, False, "12 h of silence may have held the difference"),
        (40.0, 20.0, 12, True, "but not 20 h"),
    ],
)
def test_cross_check_over_30_days(
    gained: float, ran: float, silent: int, disagrees: bool, why: str
) -> None:
    """docs/engineering/hours.md#cross-check: beyond 5 % and 1 h, after all that silences would
    allow.
    """
    hours = ran / 10
    days = [
        metered(n, gained / 10, n, runs=(a_run(T0 + n * DAY, round(hours * 3600)),))
        for n in range(10)
    ]
    gap = Gap(start=T0 + 5 * DAY + 40_000, end=T0 + 5 * DAY + 40_000 + silent * 3600)
    days.append(day(10, gaps=(gap,) if silent else ()))
    check = cross_check(days, None, T0 + 11 * DAY)
    assert check is not None
    assert check.disagrees is disagrees, why


@given(
    st.lists(st.tuples(st.integers(1, 5000), st.integers(0, 5000), st.floats(0, 50)), max_size=20)
)
def test_gains_add_up(steps: list[tuple[int, int, float]]) -> None:
    spans, at = [], 0
    for length, pause, hours in steps:
        spans.append((at, at + length, hours))
        at += length + pause
    gains = Gains(spans)
    cuts = [0, at // 3, at // 2, at]
    pieces = sum(gains.between(a, b) for a, b in pairwise(cuts))
    assert pieces == pytest.approx(sum(h for _, _, h in spans))
    assert gains.between(at // 3, at // 2) >= -1e-9


# ---------------------------------------------------------------- habit and silence


@pytest.mark.parametrize(
    ("habit", "running", "gap", "limit", "why"),
    [
        (Habit(standing_s=900, running_s=60), False, 2250, 2700, "2.5 and 3 habits"),
        (Habit(standing_s=900, running_s=60), True, 180, 1200, "at least 3 min, at least 20 min"),
        (Habit(standing_s=60, running_s=60), False, 180, 1200, "at least 3 min, at least 20 min"),
        (
            Habit(standing_s=3600, running_s=60),
            True,
            180,
            3960,
            "it may have gone back to standing",
        ),
        (
            Habit(mode="on_change", heartbeat_s=3600),
            False,
            3960,
            10_800,
            "the heartbeat is the habit",
        ),
        (Habit(mode="sleeping", standing_s=21_600), False, 47_520, 47_520, "second missed + 10 %"),
    ],
)
def test_allowed_gap_and_silence(
    habit: Habit, running: bool, gap: int, limit: int, why: str
) -> None:
    """The limits of docs/engineering/reporting.md#silence."""
    assert gap_s(habit, running) == gap, why
    assert silent_limit_s(habit, running) == limit, why


def test_a_promised_report_is_waited_for() -> None:
    asleep = Habit(mode="sleeping", standing_s=3600)
    pulse = Pulse(device="d", heard_at=T0, next_due_at=T0 + 21_600)
    assert silent_limit_s(asleep, False, pulse) == 47_520


def test_a_habit_is_learned_in_steps_and_jitter_changes_nothing() -> None:
    days = [day(n, standing_interval_s=600 + n % 3, running_interval_s=61) for n in range(20)]
    habit = learned(days)
    assert habit is not None
    assert (habit.standing_s, habit.running_s, habit.source) == (600, 60, "learned")
    assert learned([day(0)]) is None
    only_standing = learned([day(0, standing_interval_s=300)])
    assert only_standing is not None
    assert only_standing.running_s == 300


def test_silence_counts_from_receipt_and_is_looked_at_on_time() -> None:
    """Field case 20 is ingest's; here: heard_at alone says when a device was heard."""
    heard = T0 + 12 * 3600
    days = [day(0)]
    before = assess(inputs(heard), days, heard + 2699)
    assert found(before, "not_reporting") is None
    assert before.look_again_at == heard + 2700
    after = assess(inputs(heard), days, heard + 2700)
    silent = found(after, "not_reporting")
    assert silent is not None
    assert (silent.severity, silent.since) == ("no_word", heard)
    assert facts_as(silent, NotReporting).heard_at == heard
    assert facts_as(silent, NotReporting).last_condition == "standing_by"
    assert after.summary.condition == "not_reporting"
    assert after.look_again_at > heard + 2700


def test_never_heard_is_a_note_until_a_day_after_its_fitting() -> None:
    verdict = assess(inputs(None), [], T0)
    note = found(verdict, "not_reporting")
    assert note is not None
    assert (note.severity, verdict.summary.condition) == ("note", "not_reporting")
    fitted = (Fitting(id="f", device="d", unit="u", from_at=T0),)
    new = found(assess(inputs(None, fittings=fitted), [], T0 + 3600), "not_reporting")
    assert new is not None
    assert new.severity == "note"
    late = found(assess(inputs(None, fittings=fitted), [], T0 + DAY), "not_reporting")
    assert late is not None
    assert late.severity == "no_word"
    assert found(assess(inputs(None, fittings=(), pulses=()), [], T0), "not_reporting") is None


def test_a_swapped_board_that_never_speaks_is_silent_after_its_limit() -> None:
    fittings = (
        Fitting(id="f", device="d", unit="u", to_at=T0),
        Fitting(id="g", device="e", unit="u", from_at=T0),
    )
    known = inputs(fittings=fittings, pulses=())
    assert found(assess(known, [day(-1)], T0 + 2699), "not_reporting") is None
    silent = found(assess(known, [day(-1)], T0 + 2700), "not_reporting")
    assert silent is not None
    assert silent.severity == "no_word"


# ---------------------------------------------------------------- condition and findings

NOON = T0 + 12 * 3600


def standing(*demands: StartDemand, auto: int | None = 1, **fields: object) -> list[Day]:
    spell = None if auto is None else Spell(value=auto, since=NOON - 3600, at=NOON)
    return [day(0, starts=demands, carry=Carry(in_auto=spell), **fields)]


def test_standing_by_in_the_trades_words() -> None:
    verdict = assess(inputs(NOON), standing(), NOON + 60)
    assert (verdict.summary.condition, verdict.findings) == ("standing_by", ())
    assert verdict.look_again_at == NOON + 2700


def test_a_set_out_of_automatic_cannot_start_by_itself() -> None:
    """Common practice, no source. On-delay 60 s (docs/engineering/defaults.md#delays)."""
    spell = Spell(value=0, since=NOON, at=NOON)
    days = [day(0, carry=Carry(in_auto=spell))]
    early = assess(inputs(NOON), days, NOON + 59)
    assert early.summary.condition == "not_in_auto"
    assert found(early, "not_in_auto") is None
    assert early.look_again_at == NOON + 60
    finding = found(assess(inputs(NOON), days, NOON + 60), "not_in_auto")
    assert finding is not None
    assert (finding.severity, finding.since) == ("act_now", NOON)


def test_a_failed_start_stays_until_something_answers_it() -> None:
    failed = demand(NOON - 600, "failed", crank_min_v=8.9, crank_s=6.0, cause="overcrank")
    pulse = Pulse(device="d", heard_at=NOON, latest={"mains_v": Latest(NOON, 1.0)})
    known = inputs(NOON, pulses=(pulse,))
    finding = found(assess(known, standing(failed), NOON), "failed_start")
    assert finding is not None
    assert (finding.severity, finding.since) == ("act_now", NOON - 600)
    assert facts_as(finding, FailedStart).attempts == 3
    assert facts_as(finding, FailedStart).crank_min_v == 8.9
    assert facts_as(finding, FailedStart).mains_v == 1.0
    assert facts_as(finding, FailedStart).cause == "overcrank"

    def raised(demands: list[StartDemand], runs: list[Run], records: list[Record]) -> bool:
        days = standing(*demands, runs=tuple(runs))
        kept = msgspec.structs.replace(known, records=tuple(records))
        return found(assess(kept, days, NOON), "failed_start") is not None

    assert not raised([failed, demand(NOON - 300, "started", 1)], [], [])
    assert not raised([failed], [a_run(NOON - 300, 200)], [])
    assert not raised([failed], [], [record("visit", NOON - 60)])
    assert not raised([failed], [], [record("task_done", NOON - 60, task="oil")])
    assert raised([failed], [a_run(NOON - 5000, 200)], [record("visit", NOON - 5000)])
    assert raised([failed], [], [record("note", NOON - 60, text="rang them")])
    assert raised([failed, demand(NOON - 300, "not_seen", 0)], [], [])


def test_late_news_is_history_or_is_raised_with_both_times() -> None:
    """Field case 22 and docs/engineering/alarms.md#late-news: only the newest known moment raises."""
    late = demand(NOON - 7200, "failed", learned_at=NOON)
    later_success = demand(NOON - 3600, "started", 1, learned_at=NOON - 3600)
    assert found(assess(inputs(NOON), standing(late, later_success), NOON), "failed_start") is None
    finding = found(assess(inputs(NOON), standing(late), NOON), "failed_start")
    assert finding is not None
    assert (finding.since, finding.learned_at) == (NOON - 7200, NOON)


def test_set_aside_by_people_quiets_alerts_and_says_so() -> None:
    failed = demand(NOON - 600, "failed")
    work = record("out_of_service", NOON - 900, **{"from": NOON - 900, "to": NOON + 900})
    verdict = assess(inputs(NOON, records=(work,)), standing(failed), NOON)
    assert verdict.summary.condition == "out_of_service"
    finding = found(verdict, "failed_start")
    assert finding is not None
    assert (finding.severity, finding.facts.set_aside) == ("note", "out_of_service")
    assert verdict.look_again_at == NOON + 900
    over = found(
        assess(inputs(NOON, records=(work,)), standing(failed), NOON + 900), "failed_start"
    )
    assert over is not None
    assert over.severity == "act_now"
    winter = unit(laid_up_from="2024-10-01", laid_up_to="2024-10-31")  # day 20,000 is 2024-10-04
    assert assess(inputs(NOON, the_unit=winter), standing(), NOON).summary.condition == "laid_up"


def test_meter_notes_and_what_confirms_them() -> None:
    reset = MeterEvent(at=NOON, kind="reset", before_h=812.4, after_h=0.0)
    rolled = MeterEvent(at=NOON, kind="roll_over", before_h=65535, after_h=0)
    days = [day(0, meter=(reset, rolled))]
    verdict = assess(inputs(NOON), days, NOON + 60)
    kinds = {f.kind: f.severity for f in verdict.findings}
    assert kinds == {"meter_reset": "note", "meter_rolled_over": "note"}
    confirmed = record("hour_meter", NOON + 30, hours=812.4)
    verdict = assess(inputs(NOON, records=(confirmed,)), days, NOON + 60)
    assert {f.kind for f in verdict.findings} == {"meter_rolled_over"}


def test_notes_on_the_device() -> None:
    pulse = Pulse(
        device="d",
        heard_at=NOON,
        clock_wrong_since=NOON - 60,
        clock_wrong_at=NOON - 10,
        sequence_gaps=3,
    )
    verdict = assess(inputs(NOON, pulses=(pulse,)), standing(), NOON)
    assert {f.kind: f.severity for f in verdict.findings} == {
        "clock_wrong": "note",
        "sequence_gaps": "note",
    }
    assert verdict.summary.clock_note


@pytest.mark.parametrize(
    ("days_left", "heard_after", "severity"),
    [
        (31, False, None),
        (30, False, "note"),
        (8, False, "note"),
        (7, False, "next_visit"),
        (0, False, "next_visit"),
        (-1, False, "next_visit"),
        (-40, False, "next_visit"),
        (-2, True, "note"),
    ],
)
def test_a_data_card_that_ends_is_told_in_time(
    days_left: int, heard_after: bool, severity: str | None
) -> None:
    """Told 30 days ahead, work 7 days ahead and after; still heard after it, the date is wrong."""
    last = date.fromordinal(datetime.fromtimestamp(NOON, UTC).toordinal() + days_left)
    heard = NOON if heard_after else NOON - 100 * DAY
    held = inputs(NOON, pulses=(Pulse(device="d", heard_at=heard),))
    held = msgspec.structs.replace(
        held, unit=msgspec.structs.replace(held.unit, sim_ends=last.isoformat())
    )
    found = [f for f in assess(held, standing(), NOON).findings if f.kind == "sim_ending"]
    assert [f.severity for f in found] == ([severity] if severity else [])
    for f in found:
        assert facts_as(f, SimEnding).works == heard_after
        assert f.since <= NOON
        assert words.sentence(f, "UTC", NOON).cautions


@pytest.mark.parametrize(
    ("used_mb", "budget_mb", "late_months", "told"),
    [
        (3.9, 5.0, 0, False),
        (4.0, 5.0, 0, True),
        (9.0, 5.0, 0, True),
        (9.0, 5.0, 1, False),
        (9.0, None, 0, False),
    ],
)
def test_a_data_budget_is_held_against_what_came_this_month(
    used_mb: float, budget_mb: float | None, late_months: int, told: bool
) -> None:
    today = datetime.fromtimestamp(NOON, UTC)
    month = 12 * today.year + today.month - 1 - late_months
    pulse = Pulse(device="d", heard_at=NOON, month=month, month_b=int(used_mb * 1e6))
    held = inputs(NOON, pulses=(pulse,))
    held = msgspec.structs.replace(
        held, unit=msgspec.structs.replace(held.unit, data_mb_month=budget_mb)
    )
    found = [f for f in assess(held, standing(), NOON).findings if f.kind == "data_budget"]
    assert [f.severity for f in found] == (["note"] if told else [])


def test_due_work_becomes_findings_by_hours() -> None:
    plan = ServicePlan(id="p", name="P", tasks=(Task(id="oil", name="Oil", every_h=100),))
    days = [metered(n, 5.0, 800 + 5.0 * n + 5) for n in range(30)]
    done = record("task_done", T0, task="oil", hours=800)
    now = T0 + 24 * DAY
    verdict = assess(inputs(now, plan=plan, records=(done,)), days[:24], now)
    finding = found(verdict, "service_due")
    assert finding is not None
    assert (finding.part, finding.severity) == ("oil", "same_day"), "120 of 100 h"
    assert finding.since == T0 + 20 * DAY, "the moment the engine passed 900 h"
    assert verdict.summary.next_due is not None
    assert verdict.summary.next_due.hours_used_h == 120


def test_blind_spots_are_not_seen_never_good() -> None:
    pulse = Pulse(device="d", heard_at=NOON, latest={"mains_v": Latest(NOON, 231)})
    verdict = assess(inputs(NOON, pulses=(pulse,)), [day(0)], NOON)
    assert set(verdict.blind) == {
        "starts",
        "switch",
        "fuel",
        "charger",
        "hours",
        "volts",
        "transfer",
    }


def test_the_verdict_is_a_document() -> None:
    verdict = assess(inputs(NOON), standing(demand(NOON - 600, "failed")), NOON)
    again = read(encode(verdict))
    assert again == verdict
    assert again is not None
    assert encode(verdict) == encode(again)


@given(st.integers(0, 3 * DAY))
def test_the_next_look_is_ahead_and_within_an_hour(after: int) -> None:
    verdict = assess(inputs(NOON), standing(demand(NOON - 600, "failed")), NOON + after)
    assert NOON + after < verdict.look_again_at <= NOON + after + 3600


def test_the_same_inputs_give_the_same_bytes_whatever_the_order_of_records() -> None:
    records = tuple(record("task_done", NOON - n, task="oil", hours=800 - n) for n in range(5))
    plan = ServicePlan(id="p", name="P", tasks=(Task(id="oil", name="Oil", every_months=6),))
    one = assess(inputs(NOON, records=records, plan=plan), standing(), NOON)
    two = assess(inputs(NOON, records=records[::-1], plan=plan), standing(), NOON)
    assert encode(one) == encode(two)

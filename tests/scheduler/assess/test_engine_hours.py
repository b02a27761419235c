"""Engine hours through replaced meters, readings in any order, and meters that are not followed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import accumulate, pairwise
from random import Random
from typing import get_args

import msgspec
import numpy as np
import pytest
from assessed import DAY, HABIT, T0, a_run, day, found, inputs, metered, record, unit
from found import facts_as
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from fleet.calibration import apply
from fleet.findings.service import MeterDisagrees, MeterReset
from fleet.model import (
    Calibration,
    HourFormat,
    HoursRise,
    MeterEvent,
    Record,
    Run,
    Series,
    ServicePlan,
    Task,
    Unit,
)
from scheduler.assess import assess, day_facts
from scheduler.assess.hours import Ledger, ledger
from scheduler.day import Carry, Day, decode, digest, encode
from scheduler.rules.hours import MeterCarry
from scheduler.rules.hours.format_evidence import FormatEvidence

# ---------------------------------------------------------------- a replaced meter

BEGUN_H = 1200.0


@dataclass(frozen=True)
class Life:
    """An engine over some days: hours run each day, and the day at whose end its meter was replaced
    by one that shows new_h. device: its meter is the one the device reports."""

    ran: tuple[float, ...]
    replaced: int
    new_h: float
    device: bool

    def engine_h(self, at: int) -> float:
        """True engine hours at a moment."""
        n, part = divmod(at - T0, DAY)
        sums = [0.0, *accumulate(self.ran)]
        return BEGUN_H + sums[n] + (self.ran[n] * part / DAY if n < len(self.ran) else 0.0)

    @property
    def replaced_at(self) -> int:
        return T0 + (self.replaced + 1) * DAY

    def shows_h(self, at: int) -> float:
        """What the engine's own meter shows."""
        if at < self.replaced_at:
            return round(self.engine_h(at), 1)
        return round(self.engine_h(at) - self.engine_h(self.replaced_at) + self.new_h, 1)

    def reading(self, at: int, kind: str = "hour_meter") -> Record:
        more = {"task": "oil"} if kind == "task_done" else {}
        return record(kind, at, hours=self.shows_h(at), **more)

    def replacement(self, at: int | None = None) -> Record:
        old = round(self.engine_h(self.replaced_at), 1)
        when = self.replaced_at if at is None else at
        return record("meter_replaced", when, old_hours=old, new_hours=self.new_h)

    def days(self) -> list[Day]:
        """What the device reported: its own meter, or one that never began again."""
        found = []
        for n, ran in enumerate(self.ran):
            end = T0 + (n + 1) * DAY
            shown = self.engine_h(end)
            fell = self.device and n == self.replaced + 1
            if self.device and n > self.replaced:
                shown = shown - self.engine_h(self.replaced_at) + self.new_h
            before = self.engine_h(self.replaced_at)
            event = MeterEvent(at=T0 + n * DAY, kind="reset", before_h=before, after_h=self.new_h)
            one = metered(n, ran, shown)
            runs = (a_run(T0 + n * DAY, round(ran * 3600)),) if ran else ()
            found.append(msgspec.structs.replace(one, meter=(event,) if fell else (), runs=runs))
        return found

    def ledger(self, records: Sequence[Record], days: Sequence[Day] | None = None) -> Ledger:
        now = T0 + len(self.ran) * DAY
        return ledger(unit(), records, self.days() if days is None else days, None, now)

    @property
    def true_h(self) -> float:
        return self.engine_h(T0 + len(self.ran) * DAY)


def told(book: Ledger) -> tuple[object, ...]:
    """All a ledger says."""
    return book.now, book.gains.spans, book.base_at, book.base_h, book.readings, book.first_at


STORM = Life(ran=(0.5, 2.0, 0.0, 4.0, 1.0, 3.0), replaced=2, new_h=0.4, device=True)


def test_a_lower_reading_alone_no_longer_makes_the_engine_young() -> None:
    """The device's meter fell; the advice was once to write down its reading, and that was all."""
    read = [STORM.reading(T0), STORM.reading(T0 + 5 * DAY)]
    assert read[1].facts["hours"] == pytest.approx(5.4)
    book = STORM.ledger(read)
    assert book.now.hours_h == pytest.approx(STORM.true_h, abs=0.2)
    assert "less than the engine has run" in book.now.note


def test_a_replacement_is_told_by_the_device_or_by_record_and_answers_the_finding() -> None:
    now = T0 + 6 * DAY
    asked = found(
        assess(inputs(now, records=(STORM.reading(T0),)), STORM.days(), now), "meter_reset"
    )
    assert asked is not None
    assert facts_as(asked, MeterReset).after_h == 0.4
    answered = (STORM.reading(T0), STORM.replacement())
    assert found(assess(inputs(now, records=answered), STORM.days(), now), "meter_reset") is None


def test_work_written_with_the_new_meters_hours_counts_from_the_engines_age() -> None:
    """A task done at 5.4 h of the new meter is due 100 h after the engine's 1,207, not at 105."""
    plan = ServicePlan(id="p", name="P", tasks=(Task(id="oil", name="Oil", every_h=100),))
    now = T0 + 6 * DAY
    known = inputs(
        now,
        records=(STORM.reading(T0), STORM.replacement(), STORM.reading(T0 + 5 * DAY, "task_done")),
        plan=plan,
    )
    (due,) = assess(known, STORM.days(), now).due
    assert due.last_done_hours_h == pytest.approx(STORM.engine_h(T0 + 5 * DAY), abs=0.2)
    assert due.hours_used_h == pytest.approx(3.0, abs=0.2)


def test_what_nobody_can_explain_is_taken_as_it_was_written() -> None:
    """No replacement, no reset seen, and whoever typed it said he was sure."""
    life = Life(ran=(1.0, 1.0, 1.0), replaced=2, new_h=0.0, device=False)
    sure = record("hour_meter", T0 + 2 * DAY, hours=700.0)
    assert life.ledger([life.reading(T0), sure]).now.hours_h == pytest.approx(701.0)


lives = st.builds(
    Life,
    ran=st.lists(st.sampled_from([0.0, 0.3, 1.0, 6.0, 20.0]), min_size=6, max_size=12).map(tuple),
    replaced=st.integers(0, 3),
    new_h=st.sampled_from([0.0, 0.4, 3.0]),
    device=st.booleans(),
)
hours_of_day = st.integers(0, 23)


@given(lives, st.lists(st.tuples(st.integers(0, 5), hours_of_day), max_size=6), st.randoms())
def test_readings_and_replacement_in_any_order_give_the_same_true_hours(
    life: Life, read: list[tuple[int, int]], rng: Random
) -> None:
    """Whatever was read of either meter, and in whatever order it became known."""
    moments = {T0 + n * DAY + h * 3600 for n, h in read} - {T0, life.replaced_at}
    records = [life.reading(at) for at in sorted(moments)]
    records += [life.reading(T0), life.replacement()]
    book = life.ledger(records)
    assert book.now.hours_h == pytest.approx(life.true_h, abs=0.3)
    for at in sorted(moments):
        assert book.at(at) == pytest.approx(life.engine_h(at), abs=0.3)
    mixed = records[:]
    rng.shuffle(mixed)
    assert told(life.ledger(mixed)) == told(book)


@given(lives, st.integers(-2, 3), st.integers(1, 20), st.lists(st.integers(5, 130), max_size=4))
def test_a_replacement_written_down_at_another_moment_keeps_the_age(
    life: Life, days_off: int, hours_off: int, read: list[int]
) -> None:
    """Late or early by days, with readings of the new meter before it: no more is lost or gained
    than the engine ran between the two moments."""
    said = max(T0 + 3600, life.replaced_at + days_off * DAY + hours_off * 3600)
    said = min(said, T0 + len(life.ran) * DAY - 60)
    moments = {min(life.replaced_at + h * 3600, T0 + len(life.ran) * DAY - 120) for h in read}
    records = [life.reading(T0), life.replacement(said), *(life.reading(at) for at in moments)]
    ran_between = abs(life.engine_h(said) - life.engine_h(life.replaced_at))
    assert life.ledger(records).now.hours_h == pytest.approx(life.true_h, abs=0.3 + ran_between)


@given(lives, st.data())
def test_what_is_undone_leaves_the_hours_as_they_were(life: Life, data: st.DataObject) -> None:
    """A record that was taken back does not stand, so it is not among what is read."""
    records = [life.reading(T0), life.replacement(), life.reading(T0 + 5 * DAY + 60)]
    wrong = record("hour_meter", T0 + data.draw(st.integers(1, 5 * DAY)), hours=9000.0)
    before = life.ledger(records)
    assert told(life.ledger([*records, wrong])) != told(before)
    assert told(life.ledger([r for r in [*records, wrong] if r is not wrong])) == told(before)


@given(lives)
def test_hours_between_two_moments_never_exceed_the_clock(life: Life) -> None:
    book = life.ledger([life.reading(T0), life.replacement(), life.reading(T0 + 5 * DAY)])
    known = [(T0 + k * DAY // 2, book.at(T0 + k * DAY // 2)) for k in range(2 * len(life.ran))]
    for (a, low), (b, high) in pairwise(known):
        assert low is not None
        assert high is not None
        assert -0.11 <= high - low <= (b - a) / 3600 + 0.3


# ---------------------------------------------------------------- a meter that is not followed


def slow(share: float, ran: Sequence[float], shown: float = 812.0) -> list[Day]:
    """Days on which the meter gained so much of what the engine ran."""
    found = []
    for n, hours in enumerate(ran):
        shown += hours * share
        runs = (a_run(T0 + n * DAY + 3600, round(hours * 3600)),) if hours else ()
        found.append(metered(n, hours * share, shown, runs=runs))
    return found


STORMY = [6.0, 0.0, 5.0, 0.0, 4.0]


@pytest.mark.parametrize(("share", "pace"), [(0.5, "slow"), (0.0, "slow"), (1.5, "fast")])
def test_a_meter_that_is_told_slow_or_fast_is_not_followed(share: float, pace: str) -> None:
    now = T0 + 5 * DAY
    read = record("hour_meter", T0, hours=500)
    book = ledger(unit(), [read], slow(share, STORMY), None, now)
    assert book.now.hours_h == pytest.approx(515.0, abs=0.05)
    assert book.now.source == "integrated"
    assert "15.0 h of it are added up from the runs" in book.now.note
    verdict = assess(inputs(now, records=(read,)), slow(share, STORMY), now)
    note = found(verdict, "meter_disagrees")
    assert note is not None
    assert facts_as(note, MeterDisagrees).follows == "runs"
    assert verdict.hours == book.now


def test_hours_counted_in_a_storm_are_kept_when_later_months_agree() -> None:
    """Sixty quiet days on: the note is over, its hours stay."""
    read = record("hour_meter", T0, hours=500)
    quiet = [0.3 if n % 7 == 0 else 0.0 for n in range(60)]
    storm = slow(0.5, STORMY)
    later = slow(1.0, quiet, shown=storm[-1].carry.meter.max_h or 0.0)
    days = [*storm, *(_moved(one, 5) for one in later)]
    at_storm = ledger(unit(), [read], storm, None, T0 + 5 * DAY).now.hours_h
    assert at_storm is not None
    held = at_storm
    for n in range(6, 65):
        book = ledger(unit(), [read], days[:n], None, T0 + n * DAY)
        assert book.now.hours_h is not None
        assert book.now.hours_h >= held - 1e-6, n
        held = book.now.hours_h
    assert held == pytest.approx(515.0 + sum(quiet), abs=0.05)
    assert book.now.source == "meter"
    assert "16.5 h of it are added up from the runs" in book.now.note
    assert (
        found(
            assess(inputs(T0 + 65 * DAY, records=(read,)), days, T0 + 65 * DAY), "meter_disagrees"
        )
        is None
    )


def _moved(one: Day, n: int) -> Day:
    """The same day, n days later."""
    by = n * DAY
    return msgspec.structs.replace(
        one,
        day=one.day + n,
        first_at=(one.first_at or 0) + by,
        last_at=(one.last_at or 0) + by,
        hours=tuple(
            HoursRise(from_at=r.from_at + by, to_at=r.to_at + by, hours_h=r.hours_h)
            for r in one.hours
        ),
        runs=tuple(_run_moved(r, by) for r in one.runs),
        carry=Carry(
            meter=MeterCarry(max_h=one.carry.meter.max_h, at=(one.carry.meter.at or 0) + by)
        ),
    )


def _run_moved(run: Run, by: int) -> Run:
    end = None if run.end is None else run.end + by
    return msgspec.structs.replace(
        run, start=run.start + by, end=end, last_on_at=run.last_on_at + by
    )


def test_where_the_runs_were_not_seen_the_meter_is_followed() -> None:
    """A set whose running signal is on the wrong wire would stand still for ever."""
    days = [msgspec.structs.replace(one, runs=()) for one in slow(1.0, STORMY)]
    read = record("hour_meter", T0, hours=500)
    assert ledger(unit(), [read], days, None, T0 + 5 * DAY).now.hours_h == pytest.approx(515.0)
    verdict = assess(inputs(T0 + 5 * DAY, records=(read,)), days, T0 + 5 * DAY)
    note = found(verdict, "meter_disagrees")
    assert note is not None
    assert facts_as(note, MeterDisagrees).follows == "meter"


def test_without_a_reading_a_slow_meter_still_tells_where_it_began() -> None:
    """812 h before anything was seen, and 15 h of runs since."""
    book = ledger(unit(), [], slow(0.5, STORMY), None, T0 + 5 * DAY)
    assert book.now.hours_h == pytest.approx(827.0, abs=0.05)


def test_a_meter_that_seems_to_write_otherwise_waits_for_an_answer() -> None:
    """Hours and minutes read as decimals: the runs stand in, and the fall at each hour is no reset."""
    seen = FormatEvidence(at=T0 + 5 * DAY, value=827.3, leaps=4, hours_minutes=4)
    days = slow(0.6, STORMY, shown=812.3)
    event = MeterEvent(at=T0 + 4 * DAY, kind="reset", before_h=812.59, after_h=813.0)
    last = msgspec.structs.replace(days[-1].carry.meter, format_evidence=seen)
    days[-1] = msgspec.structs.replace(days[-1], meter=(event,), carry=Carry(meter=last))
    read, now = record("hour_meter", T0, hours=812.5), T0 + 5 * DAY
    book = ledger(unit(), [read], days, None, now)
    assert book.now.hours_h == pytest.approx(827.5, abs=0.05)
    verdict = assess(inputs(now, records=(read,)), days, now)
    assert found(verdict, "hour_format_asked") is not None
    assert found(verdict, "meter_reset") is None
    assert found(verdict, "meter_disagrees") is None


# ---------------------------------------------------------------- the register's last service


def of_auckland(**fields: object) -> Unit:
    return unit(last_service="2024-10-05", **fields)


@pytest.mark.parametrize(("hour", "local_day"), [(20, True), (2, False)])
def test_the_hours_limit_counts_where_the_last_service_is_the_day_of_a_reading(
    hour: int, local_day: bool
) -> None:
    """Only a day in the register, and a meter read on it by the clock in Auckland: 2024-10-04 20:00Z is
    the morning of the 5th there, and 02:00Z the afternoon of the 4th."""
    plan = ServicePlan(id="p", name="P", tasks=(Task(id="oil", name="Oil", every_h=100),))
    now = T0 + 10 * DAY
    base = inputs(
        now,
        the_unit=of_auckland(),
        records=(record("hour_meter", T0 + hour * 3600, hours=800.0),),
        plan=plan,
    )
    known = msgspec.structs.replace(
        base, site=msgspec.structs.replace(base.site, time_zone="Pacific/Auckland")
    )
    quiet = [day(n, carry=Carry(meter=MeterCarry())) for n in range(8, 10)]
    (due,) = assess(known, quiet, now).due
    assert (due.due_at_hours_h == 900.0) is local_day
    assert (due.binds == "hours") is local_day


def test_a_reading_of_the_day_stands_for_the_registers_hours_of_that_day() -> None:
    """Hours of the last service at noon UTC used to stand behind a reading of the same evening."""
    known = of_auckland(last_service_hours=799.0)
    read = record("hour_meter", T0 + 20 * 3600, hours=800.0)
    days = [metered(n, 1.0, 13.0 + n) for n in range(3)]
    book = ledger(known, [read], days, None, T0 + 3 * DAY, zone="Pacific/Auckland")
    assert book.anchors == ((T0 + 20 * 3600, 800.0),)
    alone = ledger(known, [], days, None, T0 + 3 * DAY, zone="Pacific/Auckland")
    assert alone.anchors == ((T0 + 23 * 3600, 799.0),), "noon in Auckland"


# ---------------------------------------------------------------- from readings to hours

SENT_DAYS = 12


@dataclass(frozen=True)
class Sent:
    """Readings of a device over some days: how it writes, and at how many hours it begins again."""

    runs: tuple[tuple[int, int], ...]
    writes: HourFormat
    ends_h: float | None
    begun_h: float
    silent: tuple[tuple[int, int], ...] = ()

    def ran_h(self, t: NDArray[np.int64]) -> NDArray[np.float64]:
        """Hours run until each moment."""
        ran = np.zeros(len(t), np.float64)
        for a, b in self.runs:
            ran += np.clip(t - a, 0, b - a) / 3600
        return ran

    def series(self) -> dict[str, Series]:
        times = set(range(T0, T0 + SENT_DAYS * DAY, 900))
        for a, b in self.runs:
            times |= set(range(a, b + 61, 60))
        heard = [x for x in times if not any(a < x < b for a, b in self.silent)]
        t = np.array(sorted(x for x in heard if x < T0 + SENT_DAYS * DAY), np.int64)
        hours = self.begun_h + self.ran_h(t)
        if self.ends_h is not None:
            hours = hours % self.ends_h
        on = np.zeros(len(t), np.bool_)
        for a, b in self.runs:
            on |= (t >= a) & (t < b)
        return {
            "ac_v": Series(t, np.where(on, 231.0, 0.0)),
            "run_hours_h": Series(t, _written(hours, self.writes)),
        }

    def days(self, calibrations: tuple[Calibration, ...]) -> list[Day]:
        """Digested one by one, each from what was stored of the one before."""
        known = inputs(calibrations=calibrations)
        facts = day_facts(known, HABIT)
        whole = self.series()
        whole["run_hours_h"] = apply(whole["run_hours_h"], calibrations)
        found: list[Day] = []
        for n in range(SENT_DAYS):
            mine = {k: _of(one, T0 // DAY + n) for k, one in whole.items()}
            made = digest(facts, T0 // DAY + n, mine, (), found[-1].carry if found else None)
            found.append(decode(encode(made)))
        return found


def _of(one: Series, on: int) -> Series:
    keep = one.t // DAY == on
    return Series(one.t[keep], one.v[keep])


def _written(hours: NDArray[np.float64], writes: HourFormat) -> NDArray[np.float64]:
    if writes == "hours_minutes":
        return np.round(np.floor(hours + 1e-9) + np.floor(hours * 60 + 1e-6) % 60 / 100, 2)
    if writes == "hours":
        return np.round(np.floor(hours * 10 + 1e-6) / 10, 1)
    return np.floor(hours * {"minutes": 60, "seconds": 3600}[writes] + 1e-6)


def declared(writes: HourFormat) -> tuple[Calibration, ...]:
    return (
        Calibration(
            id="h",
            fitting="f",
            channel="run_hours_h",
            gain=1,
            offset=0,
            from_at=T0 + 9 * DAY,
            hour_format=writes,
        ),
    )


def runs_of(starts: Sequence[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    """Runs that lie apart, of (hour since the begin, minutes)."""
    found: list[tuple[int, int]] = []
    for hour, minutes in sorted(starts):
        a = T0 + hour * 3600 + 1800
        if not found or a > found[-1][1] + 3600:
            found.append((a, a + minutes * 60))
    return tuple(found)


sent = st.builds(
    Sent,
    runs=st.lists(
        st.tuples(st.integers(2, SENT_DAYS * 24 - 14), st.integers(12, 700)), min_size=3, max_size=9
    ).map(runs_of),
    writes=st.sampled_from(get_args(HourFormat)),
    ends_h=st.sampled_from([None, 1000.0]),
    begun_h=st.sampled_from([812.3, 997.9, 999.2]),
)


@settings(max_examples=25)
@given(sent, st.randoms())
def test_hours_of_every_way_to_write_are_those_the_engine_ran(one: Sent, rng: Random) -> None:
    """Declared late, begun again at a thousand hours, readings of people in any order: the same hours,
    and never more than the clock allows."""
    days = one.days(declared(one.writes))
    at = np.array([T0, T0 + 5 * DAY, T0 + SENT_DAYS * DAY - 60])
    ran = one.ran_h(at)
    read = [
        record("hour_meter", int(t), hours=500.0 + h) for t, h in zip(at[:2], ran, strict=False)
    ]
    rng.shuffle(read)
    now = int(at[2])
    book = ledger(unit(), read, days, None, now, 60)
    assert book.now.hours_h == pytest.approx(500.0 + ran[2], abs=0.25)
    before = None
    for moment in range(T0, now, DAY // 3):
        hours = book.at(moment)
        assert hours is not None
        if before is not None:
            assert -0.21 <= hours - before <= 8.0 + 0.21
        before = hours


@settings(max_examples=15)
@given(sent)
def test_hours_are_not_lost_while_nobody_has_said_how_it_writes(one: Sent) -> None:
    """Recognised and asked about, or too little seen to tell: at most an hour is missing."""
    plain = endless(one)
    days = plain.days(())
    read = record("hour_meter", T0, hours=500.0)
    now = T0 + SENT_DAYS * DAY - 60
    book = ledger(unit(), [read], days, None, now, 60)
    assert book.now.hours_h == pytest.approx(500.0 + plain.ran_h(np.array([now]))[0], abs=1.3)


def endless(one: Sent) -> Sent:
    """The same device, of a meter that does not begin again."""
    return replace(one, ends_h=None)

"""Planted truth: the invented fleet's machines rendered straight into days and verdicts.

A seed makes a fleet; its plain sets are befallen by yes/no faults and by what only looks like one,
and some report more coarsely. Nothing of the rules is asked here: what is true is known from the
script and the life of each machine. Readings go through fittings and calibrations as in service,
but no broker and no store take part (the full road is tested in test_turns and test_journey).
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from demo_fleet import papers
from demo_fleet.assembly import SHOWCASE, DemoSet, Fleet, build_fleet
from demo_fleet.machine import FOREVER, Ails, Script, build_life
from demo_fleet.machine import events as told_events
from demo_fleet.machine import readings as told_readings
from demo_fleet.planted import condition
from demo_fleet.schedule import exercise_starts
from fleet.history import read_series
from fleet.model import DeviceEvent, Latest, Pulse, Series
from fleet.registry import unscoped
from fleet.registry.base.engine import open_registry
from fleet.registry.facts.records import import_records
from fleet.registry.facts.rows import UnitInputs
from fleet.registry.register import import_units
from scheduler.assess import Assessment, assess, day_facts, habit_of
from scheduler.day import Carry, Day, digest

DAY_S, HOUR_S = 86_400, 3_600
ORIGIN = 1_760_000_000
"""2025-10-09; each seed's year ends 17 days after that of the one before."""
TEACH_DAYS = 13
WORN_DAYS, WORN_V = 150, 2.8
"""A battery that ends in a failed start has lost so much while cranking, in so many days."""
Spans = tuple[tuple[int, int], ...]


@dataclass(frozen=True)
class Cast:
    """One set and what befalls it beyond its script.

    dark: spans in which nothing is sent, and nothing is delivered later either. learned: neither
    birth nor register says how it reports. meter_step_h, volts_step: how coarsely it rounds.
    """

    s: DemoSet
    dark: Spans = ()
    learned: bool = False
    meter_step_h: float = 0.1
    volts_step: float = 0.0
    meter_rate: float = 1.0
    meter_counts: Spans = ()
    """Spans in which the hour meter counts with the key on, running or not."""


def cast_of(seed: int, share: int = 1) -> tuple[Fleet, list[Cast]]:
    """The fleet of a seed, its plain sets befallen.

    share: only each so many-th set, others in each seed; over as many seeds all have been there.
    In every other such round the sets whose state would ail are plain, and befallen.
    """
    plain = frozenset(n for n in condition.CAST if (n // share + seed // share) % 2)
    fleet = build_fleet(seed, ORIGIN + seed * 17 * DAY_S, 60, without=plain)
    kept = [s for s in fleet.sets if s.place.n % share == seed % share]
    casts = [
        Cast(s) if s.plays or s.place.n == SHOWCASE else befallen(fleet, s, seed) for s in kept
    ]
    return replace(fleet, sets=tuple(c.s for c in casts)), casts


def befallen(fleet: Fleet, s: DemoSet, seed: int) -> Cast:
    """A plain set with up to a handful of things happening to it, drawn from (seed, set)."""
    rng = np.random.default_rng([seed, s.place.n])
    first, origin = fleet.first, fleet.origin

    def somewhen(before: int = 3) -> int:
        return int(rng.integers(first + 20 * DAY_S, origin - before * DAY_S))

    def spans(share: float, shortest: int, longest: int) -> Spans:
        if rng.random() >= share:
            return ()
        at = somewhen()
        return ((at, at + int(shortest * (longest / shortest) ** rng.random())),)

    script = s.machine.script
    odd = rng.random()
    manual = spans(0.4, 2 * HOUR_S, 9 * DAY_S)
    manual = tuple(m for m in manual if not _touches(m, script.manual))
    zero = somewhen()
    script = replace(
        script,
        manual=script.manual + manual,
        hand=script.hand + spans(0.3, 600, 4 * HOUR_S),
        meter_reset=somewhen() if odd < 0.15 else FOREVER,
        meter_zero=((zero, zero + 601),) if 0.25 <= odd < 0.45 else (),
        offline=spans(0.2, HOUR_S, 9 * HOUR_S),
        clock_lost=somewhen() if odd > 0.95 else FOREVER,
        exercise_off=spans(0.25, 8 * DAY_S, 40 * DAY_S),
    )
    reporter, habit = s.machine.reporter, s.habit
    if reporter.mode == "steady" and rng.random() < 0.25:
        reporter = replace(reporter, standing_s=900, running_s=900, events=False)
        habit = msgspec.structs.replace(habit, standing_s=900, running_s=900)
    coarse = rng.random() < 0.2
    made = replace(s, machine=replace(s.machine, script=script, reporter=reporter), habit=habit)
    made = relived(fleet, made)
    if 0.15 <= odd < 0.25:
        made = _wrapping(made, int(rng.integers(len(made.machine.life.start))))
    if rng.random() < 0.4:
        made = _failing(fleet, made, rng)
    return Cast(
        made,
        dark=spans(0.4, HOUR_S, 12 * DAY_S),
        learned=reporter.mode == "steady" and rng.random() < 0.15,
        meter_step_h=1.0 if coarse else 0.1,
        volts_step=5.0 if coarse else 0.0,
    )


def relived(fleet: Fleet, s: DemoSet) -> DemoSet:
    """The set with the life its script now asks for."""
    m, first = s.machine, fleet.first // DAY_S
    outages = list(zip(m.life.lost.tolist(), m.life.back.tolist(), strict=True))
    starts = exercise_starts(m.plate.seed, s.exercise, first, fleet.origin // DAY_S + 60)
    return replace(
        s, machine=replace(m, life=build_life(m.plate, fleet.first, outages, starts, m.script))
    )


def scripted(fleet: Fleet, s: DemoSet, **over: Any) -> DemoSet:
    """The set with other words in its script."""
    script: Script = replace(s.machine.script, **over)
    return relived(fleet, replace(s, machine=replace(s.machine, script=script)))


def _failing(fleet: Fleet, s: DemoSet, rng: np.random.Generator) -> DemoSet:
    """One automatic start fails; somebody comes days later, or nobody does until the end.

    Half of them fail with notice: the battery has cranked lower for months, and is then replaced.
    """
    begin, end = fleet.first + 30 * DAY_S, fleet.origin - 2 * DAY_S
    automatic = [
        d for d in s.machine.life.demands if d.why in ("outage", "exercise") and begin < d.at < end
    ]
    if not automatic:
        return s
    at = automatic[int(rng.integers(len(automatic)))].at
    mended = (at // DAY_S + int(rng.integers(2, 6))) * DAY_S + 11 * HOUR_S
    script = s.machine.script
    manual = ((mended - 1200, mended + 1800),)
    ails = script.ails
    if rng.random() < 0.5:
        ails = Ails(battery_ages=(at - WORN_DAYS * DAY_S, WORN_V / WORN_DAYS))
    if mended > fleet.origin or _touches(manual[0], script.manual):
        return scripted(fleet, s, fail=((at - 60, FOREVER),), ails=ails)
    if ails.battery_ages[0] < FOREVER:
        ails = replace(ails, battery_until=mended)
    return scripted(
        fleet,
        s,
        ails=ails,
        fail=((at - 60, mended - HOUR_S),),
        hand=(*script.hand, (mended, mended + 900)),
        manual=script.manual + manual,
    )


def _wrapping(s: DemoSet, run: int) -> DemoSet:
    """The hour meter goes past 9,999.9 h in the middle of a run."""
    life = s.machine.life
    middle = int(life.start[run] + life.end[run]) // 2
    script = replace(s.machine.script, meter_wraps_h=10_000.0)
    meter_h = 10_000.0 - life.hours(middle)
    return replace(s, machine=replace(s.machine, script=script, meter_h=meter_h))


def _touches(span: tuple[int, int], spans: Spans) -> bool:
    return any(span[0] < b + HOUR_S and a < span[1] + HOUR_S for a, b in spans)


@dataclass(frozen=True)
class Heard:
    """What the office received of one set: readings as sent, each with its moment of delivery."""

    t: NDArray[np.int64]
    delivered: NDArray[np.int64]
    values: dict[str, NDArray[np.float64]]
    events: tuple[DeviceEvent, ...]
    events_delivered: NDArray[np.int64]
    series: dict[str, Series]

    def newest(self, now: int) -> int | None:
        """Index of the newest reading delivered by now."""
        place = int(np.searchsorted(self.t, now, "right"))
        known = np.flatnonzero(self.delivered[max(0, place - 400) : place] <= now)
        return max(0, place - 400) + int(known[-1]) if len(known) else None


class _Shelf:
    """Just enough of a store for `read_series`."""

    def __init__(self, c: Cast, t: NDArray[np.int64], values: dict[str, Any]) -> None:
        self.c, self.t, self.values = c, t, values

    def read(self, device: str, channels: Any, start: int, end: int) -> dict[str, Series]:
        swap = self.c.s.machine.script.board_swap
        new = device == self.c.s.place.device
        keep = (self.t >= start) & (self.t < end) & ((self.t >= swap) == (new and swap < FOREVER))
        return {name: Series(self.t[keep], v[keep]) for name, v in self.values.items()}


def heard(c: Cast, inputs: UnitInputs, first: int, end: int) -> Heard:
    """Render a set over [first, end) and read it as history does."""
    s = c.s
    t, values = told_readings(s.machine, first, end)
    keep = ~_inside(t, c.dark)
    t, values = t[keep], {name: v[keep] for name, v in values.items()}
    if c.meter_rate != 1.0 or c.meter_counts:
        values["run_hours_h"] = _odd_meter(c, t)
    if "run_hours_h" in values and c.meter_step_h != 0.1:
        step = c.meter_step_h
        values["run_hours_h"] = np.floor(values["run_hours_h"] / step + 1e-6) * step
    if c.volts_step:
        values["ac_v"] = np.round(values["ac_v"] / c.volts_step) * c.volts_step
    events = [
        DeviceEvent(
            device=s.device_at(e["at"]),
            at=e["at"],
            event=e["event"],
            cause=e.get("cause", ""),
            values=e.get("values", {}),
        )
        for e in told_events(s.machine, first, end)
        if not any(a <= e["at"] < b for a, b in c.dark)
    ]
    at = np.array([e.at for e in events], np.int64)
    shelf: Any = _Shelf(c, t, values)
    series = read_series(shelf, inputs, None, first, end)
    return Heard(t, _delivered(c, t), values, tuple(events), _delivered(c, at), series)


def _odd_meter(c: Cast, t: NDArray[np.int64]) -> NDArray[np.float64]:
    """A meter that runs fast or slow, or counts while the key is on."""
    life = c.s.machine.life
    seen = np.union1d(t, np.concatenate((life.start, life.end)))
    on = np.zeros(len(seen) - 1, np.bool_)
    for a, b in (*zip(life.start.tolist(), life.end.tolist(), strict=True), *c.meter_counts):
        on[np.searchsorted(seen, a) : np.searchsorted(seen, b)] = True
    ran = np.concatenate(([0.0], np.cumsum(np.diff(seen) * on))) / 3600
    shown = c.s.machine.meter_h + c.meter_rate * ran[np.searchsorted(seen, t)]
    found: NDArray[np.float64] = np.floor(shown * 10 + 1e-6) / 10
    return found


def _delivered(c: Cast, t: NDArray[np.int64]) -> NDArray[np.int64]:
    found = t + 2
    for begin, back in c.s.machine.script.offline:
        found = np.where((t >= begin) & (t < back), back + 120, found)
    return found


def _inside(t: NDArray[np.int64], spans: Spans) -> NDArray[np.bool_]:
    found = np.zeros(len(t), np.bool_)
    for a, b in spans:
        found |= (t >= a) & (t < b)
    return found


def papers_of(fleet: Fleet, casts: Sequence[Cast]) -> dict[str, UnitInputs]:
    """The register and the records as a real registry gives them back, at the end of the year."""
    rows = papers.register_rows(fleet)
    for c, row in zip(casts, rows, strict=True):
        if c.learned:
            row["habit"] = ""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        registry = open_registry(f"sqlite:///{place / 'registry.db'}")
        (place / "units.csv").write_text(papers.as_csv(papers.REGISTER_COLUMNS, rows))
        records = papers.as_csv(papers.RECORD_COLUMNS, papers.record_rows(fleet))
        (place / "records.csv").write_text(records)
        taken = import_units(registry, place / "units.csv", fleet.origin, "office")
        assert taken.ok, taken.problems
        taken = import_records(registry, place / "records.csv", fleet.origin, "office")
        assert taken.ok, taken.problems
        found = {}
        for c in casts:
            inputs = unscoped.unit_inputs(registry, c.s.place.unit)
            assert inputs is not None
            found[c.s.place.unit] = inputs
        registry.close()
    return found


def known_at(c: Cast, inputs: UnitInputs, got: Heard, now: int) -> UnitInputs:
    """What the office and ingest knew of a set at a moment."""
    device = c.s.device_at(now)
    mine = [f for f in inputs.fittings if f.from_at is None or f.from_at <= now]
    habit = None if c.learned or not c.s.declared else c.s.habit
    last = got.newest(now)
    swap = c.s.machine.script.board_swap
    if last is None or (device == c.s.place.device and swap <= now and got.t[last] < swap):
        pulse = Pulse(device=device, habit=habit)
    else:
        at = int(got.t[last])
        low = max(0, last - 400)
        receipts = got.delivered[low : last + 400]
        lately = receipts[receipts <= now]
        told = got.events_delivered[got.events_delivered <= now]
        lost = c.s.machine.script.clock_lost
        pulse = Pulse(
            device=device,
            habit=habit,
            heard_at=max(int(lately.max()), int(told.max()) if len(told) else 0),
            newest_at=at,
            latest={name: Latest(at, float(v[last])) for name, v in got.values.items()},
            clock_wrong_since=lost if at >= lost else None,
            clock_wrong_at=at if at >= lost else None,
        )
    return msgspec.structs.replace(
        inputs,
        fittings=tuple(mine),
        calibrations=tuple(k for k in inputs.calibrations if k.from_at <= now),
        records=tuple(r for r in inputs.records if r.at <= now),
        pulses=(pulse,),
    )


def verdicts(
    c: Cast, inputs: UnitInputs, got: Heard, first: int, end: int, moments: Iterable[int]
) -> Iterator[tuple[int, Assessment, UnitInputs]]:
    """The verdict at each moment, made from the days before and what of its own day had come."""
    waiting = sorted(m for m in moments if first <= m < end)
    inputs = _as_declared(c, inputs)
    days: list[Day] = []
    carry: Carry | None = None
    for day in range(first // DAY_S, (end - 1) // DAY_S + 1):
        while waiting and waiting[0] < (day + 1) * DAY_S:
            now = waiting.pop(0)
            known = known_at(c, inputs, got, now)
            part = _day(known, got, day, carry, days, now)
            yield now, assess(known, [*days, part] if part else days, now), known
        whole = _day(inputs, got, day, carry, days, None)
        if whole is not None:
            days.append(whole)
            carry = whole.carry


def _told(events: Sequence[DeviceEvent]) -> dict[str, Series]:
    """The values that came with events, as readings of their second."""
    names = sorted({name for e in events for name in e.values})
    found = {}
    for name in names:
        rows = [(e.at, e.values[name]) for e in events if name in e.values]
        t, v = zip(*rows, strict=True)
        found[name] = Series(np.array(t, np.int64), np.array(v, np.float64))
    return found


def days_of(c: Cast, inputs: UnitInputs, got: Heard, first: int, end: int) -> list[Day]:
    """Every day of [first, end) with data."""
    inputs = _as_declared(c, inputs)
    days: list[Day] = []
    for day in range(first // DAY_S, (end - 1) // DAY_S + 1):
        made = _day(inputs, got, day, days[-1].carry if days else None, days, None)
        days += [made] if made is not None else []
    return days


def _as_declared(c: Cast, inputs: UnitInputs) -> UnitInputs:
    said = None if c.learned or not c.s.declared else c.s.habit
    return msgspec.structs.replace(inputs, pulses=(Pulse(device=c.s.place.device, habit=said),))


def _day(
    inputs: UnitInputs, got: Heard, day: int, carry: Carry | None, days: list[Day], now: int | None
) -> Day | None:
    """One day as `turns.recompute` makes it; None where nothing of it was heard."""
    start, end = day * DAY_S, (day + 1) * DAY_S
    low, high = np.searchsorted(got.t, (start, end))
    late = np.empty(0, np.int64)
    if now is not None:
        late = got.t[low:high][got.delivered[low:high] > now]
    series = {}
    for name, one in got.series.items():
        a, b = np.searchsorted(one.t, (start, end))
        t, v = one.t[a:b], one.v[a:b]
        if len(late):
            keep = ~np.isin(t, late)
            t, v = t[keep], v[keep]
        if len(t):
            series[name] = Series(t, v)
    at = np.flatnonzero([start <= e.at < end for e in got.events])
    events = [got.events[k] for k in at if now is None or got.events_delivered[k] <= now]
    if not series and not events:
        return None
    series |= _told(events)
    taught = inputs.unit.habit is None and all(p.habit is None for p in inputs.pulses)
    reports = habit_of(inputs, days[-TEACH_DAYS:])
    made = digest(day_facts(inputs, reports), day, series, events, carry)
    if not taught:
        return made
    better = habit_of(inputs, [*days[-TEACH_DAYS:], made])
    if better == reports:
        return made
    return digest(day_facts(inputs, better), day, series, events, carry)

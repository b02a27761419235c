"""Start demands: what asked the set to start, how often it tried, and how that ended.

Evidence of attempts: the `start_attempts` counter (rises between two readings), `crank` events,
and crank readings (`crank_min_v`, `crank_s`). Attempts within one cranking cycle are one demand.
Where the counter speaks it gives the number; events and crank readings then only add volts and
seconds. How a demand ends (ENGINEERING 4):

started   attempts, and a run that may have begun within the cranking cycle of the last of them
          (or a `started` event with a run, where nothing else reports attempts: at least one)
failed    a `failed_to_start` event; or attempts, no run, and proof that none was missed: an off
          point after the cycle, and no stretch on the way that could hide a run, or an hour
          meter of 0.1 h or finer that did not move
by_hand   a run with the panel switch out of automatic; or a run that no attempt began, where
          this fitting reports attempts and the lack of one was seen (for a counter: a reading
          before the start and one a minute after it, or after the end, without a rise)
not_seen  a run where this fitting does not report attempts
unknown   a gap, or a habit too coarse to say: a run shorter than the reports are apart could
          have been missed

A stretch between two off points hides a run when it is a longer gap than allowed; else, since a
running set reports at its running habit, when that habit is longer than MISSABLE_RUN_S. An
on-change device hides nothing while it is heard of. If the meter moved over a stretch that hides
a run, the engine did run: `started`, without a run to point at.

Nothing here knows `now`. A demand without an answer is handed over the end of the day, with the
time (`look_again_at`) at which its cranking cycle is over.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import msgspec
import numpy as np
from numpy.typing import NDArray

from fleet.model import DemandEnd, DeviceEvent, EngineClass, Run, StartDemand

LAG_S = 60
"""A controller may raise its counter, or send its event, up to a minute late."""
MISSABLE_RUN_S = 120
"""An engine that stops again within two minutes did not start in any useful sense."""
METER_PROVES_H = 0.1
"""A meter at least this fine that did not move proves that no run worth the name was missed."""


class CrankingCycle(msgspec.Struct, frozen=True, kw_only=True):
    """How a controller cranks: tries of crank_s seconds with rest_s between."""

    tries: int
    crank_s: int
    rest_s: int

    def __post_init__(self) -> None:
        if self.tries < 1 or self.crank_s < 1 or self.rest_s < 0:
            raise ValueError("a cranking cycle has a try of at least 1 s; a rest is not negative")

    @property
    def total_s(self) -> int:
        return self.tries * self.crank_s + (self.tries - 1) * self.rest_s


LARGE = CrankingCycle(tries=3, crank_s=15, rest_s=15)
"""NFPA 110 5.6.4.2 as specified in UFGS 16263A 2.11.2: three cranks of at most 15 s, 15 s
between: 75 s until the limiter ends it."""
SMALL = CrankingCycle(tries=5, crank_s=6, rest_s=10)
"""Small retrofits: 3 to 5 tries of 3 to 6 s (common practice, no source; rest from memory)."""
CYCLES: dict[EngineClass, CrankingCycle] = {
    "air_spark": SMALL, "air_diesel": SMALL, "liquid_spark": LARGE, "liquid_diesel": LARGE,
}  # fmt: skip


class OpenDemand(msgspec.Struct, frozen=True, kw_only=True):
    """A demand not yet answered.

    earliest, last_at: the attempts lie after / at or before them. counted: by the counter;
    cranks: events; dips: crank readings. run: it waits for the counter to tell who began it, a
    counter that was read_before its start; hand: the panel switch was out of automatic.
    hidden_s, risen_h: of the days before, once over midnight: the longest run that their
    stretches could hide, and what the hour meter gained over them (None: not read there).
    """

    at: int
    earliest: int
    last_at: int
    counted: int = 0
    cranks: int = 0
    dips: int = 0
    crank_s: float | None = None
    crank_min_v: float | None = None
    run: Run | None = None
    hand: bool = False
    read_before: bool = False
    look_again_at: int = 0
    hidden_s: int = 0
    risen_h: float | None = 0.0

    @property
    def attempts(self) -> int:
        return self.counted or self.cranks or self.dips

    @property
    def seen_by(self) -> tuple[str, ...]:
        ways = (("start_attempts", self.counted), ("crank", self.cranks), ("dip", self.dips))
        return tuple(way for way, n in ways if n)


class StartsCarry(msgspec.Struct, frozen=True, kw_only=True):
    """Open state. reports: how this fitting has told of attempts. answered_at: newest answer,
    which a counter read later may still be about; failed_at: newest `failed_to_start`."""

    reports: tuple[str, ...] = ()
    open: tuple[OpenDemand, ...] = ()
    answered_at: int | None = None
    failed_at: int | None = None


@dataclass(frozen=True, slots=True)
class Watched:
    """What could be seen on a day: signal points, the meter, and how often a set reports.

    t: points of the running signal; before_at: the newest one of the day before.
    meter_t, meter_h: accepted meter points. hides_s: the longest run that a stretch without
    longer gap can hide; gap_s: a longer stretch is a gap.
    """

    t: NDArray[np.int64]
    before_at: int | None
    meter_t: NDArray[np.int64]
    meter_h: NDArray[np.float64]
    resolution_h: float
    hides_s: int
    gap_s: int


@dataclass(frozen=True, slots=True)
class Begun:
    """A run that began; hand: the panel switch was out of automatic. read_before: the attempt
    counter is known to have been read before its start."""

    run: Run
    hand: bool = False
    read_before: bool = False


@dataclass(frozen=True, slots=True)
class Found:
    """Demands answered on this day in order of time, and the open state."""

    demands: tuple[StartDemand, ...]
    carry: StartsCarry


@dataclass(frozen=True, slots=True)
class Told:
    """What the device told of attempts on a day.

    rises: (earliest, at, n) of the counter; dips: (at, crank_min_v, crank_s); events of the day;
    cranked: (crank_min_v, crank_s) read in the second of a crank or failed_to_start event.
    counter_t: times of its readings; counter_from: when this fitting's counter was first read,
    as far as known (the newest reading of the day before, else the first of this one).
    """

    rises: Sequence[tuple[int, int, int]] = ()
    dips: Sequence[tuple[int, float | None, float | None]] = ()
    events: Sequence[DeviceEvent] = ()
    counter_t: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    counter_from: int | None = None
    cranked: Mapping[int, tuple[float | None, float | None]] = field(default_factory=dict)


@dataclass(slots=True)
class _State:
    cycle_s: int
    margin_s: int
    told: Told
    watched: Watched
    reports: set[str]
    groups: list[OpenDemand]
    answered_at: int | None
    failed_at: int | None
    done: list[StartDemand] = field(default_factory=list)
    waiting: list[OpenDemand] = field(default_factory=list)


def find(
    told: Told,
    begun: Sequence[Begun],
    busy: Sequence[tuple[int, int]],
    watched: Watched,
    cycle_s: int,
    margin_s: int,
    carry: StartsCarry,
) -> Found:
    """Join attempts, events and runs of one day into demands.

    begun: runs that began today. busy: [start, end] of runs, in which attempts are no demand.
    cycle_s: the unit's cranking cycle; margin_s: how long after it the habit lets a run show.
    """
    reports = set(carry.reports) | ({"counter"} if len(told.counter_t) else set())
    names = {event.event for event in told.events}
    reports |= {name for name in ("crank", "failed_to_start", "started") if name in names}
    reports |= {"dip"} if told.dips else set()
    if not (told.rises or told.dips or told.events or begun or carry.open):
        return Found((), msgspec.structs.replace(carry, reports=tuple(sorted(reports))))
    state = _State(
        cycle_s, margin_s, told, watched, reports,
        [d for d in carry.open if d.run is None], carry.answered_at, carry.failed_at,
    )  # fmt: skip
    again = [
        Begun(d.run, hand=d.hand, read_before=d.read_before)
        for d in carry.open
        if d.run is not None
    ]
    _group(state)
    _absorb(state, [b.run.start for b in again])
    _outcomes(state, [*again, *begun])
    _drop_busy(state, busy)
    _settle(state)
    pending = sorted([*state.groups, *state.waiting], key=lambda d: (d.at, d.last_at))
    return Found(
        tuple(sorted(state.done, key=lambda d: (d.at, d.end, d.run_start or 0))),
        StartsCarry(
            reports=tuple(sorted(reports)),
            open=tuple(pending),
            answered_at=state.answered_at,
            failed_at=state.failed_at,
        ),
    )


def _group(s: _State) -> None:
    """Attempts close enough to be of one cranking cycle become one group."""
    events = s.told.events
    ends = sorted(e.at for e in events if e.event == "failed_to_start")
    found = [_of(earliest, at, counted=n) for earliest, at, n in s.told.rises]
    for e in events:
        if e.event == "crank":
            volts, seconds = s.told.cranked.get(e.at, (None, None))
            found.append(_of(e.at, e.at, cranks=1, volts=volts, seconds=seconds))
    found += [_of(at, at, dips=1, volts=v, seconds=sec) for at, v, sec in s.told.dips]
    for one in sorted(found, key=lambda d: (d.last_at, d.earliest, -d.cranks, -d.dips)):
        last = s.groups[-1] if s.groups else None
        if last is None or not _same(s, last, one, ends):
            s.groups.append(one)
            continue
        both = _merged([last, one])
        s.groups[-1] = msgspec.structs.replace(both, last_at=_last_attempt(last, one))


def _merged(groups: Sequence[OpenDemand]) -> OpenDemand:
    volts = [g.crank_min_v for g in groups if g.crank_min_v is not None]
    secs = [g.crank_s for g in groups if g.crank_s is not None]
    return OpenDemand(
        at=min(g.at for g in groups),
        earliest=min(g.earliest for g in groups),
        last_at=max(g.last_at for g in groups),
        counted=sum(g.counted for g in groups),
        cranks=sum(g.cranks for g in groups),
        dips=sum(g.dips for g in groups),
        crank_s=max(secs, default=None),
        crank_min_v=min(volts, default=None),
        hidden_s=max(g.hidden_s for g in groups),
        risen_h=_risen(groups),
    )


def _risen(groups: Sequence[OpenDemand]) -> float | None:
    """The most the meter gained before midnight over any of the groups; None where not read."""
    rises = [g.risen_h for g in groups]
    return None if None in rises else max(rise or 0.0 for rise in rises)


def _of(
    earliest: int,
    at: int,
    *,
    counted: int = 0,
    cranks: int = 0,
    dips: int = 0,
    volts: float | None = None,
    seconds: float | None = None,
) -> OpenDemand:
    return OpenDemand(
        at=at, earliest=earliest, last_at=at, counted=counted, cranks=cranks, dips=dips,
        crank_min_v=volts, crank_s=seconds,
    )  # fmt: skip


def _last_attempt(group: OpenDemand, one: OpenDemand) -> int:
    """When the newest attempt was at the latest: a count that events explain adds nothing."""
    explained = group.cranks or group.dips
    if one.counted and explained >= group.counted + one.counted:
        return group.last_at
    return max(group.last_at, one.last_at)


def _same(s: _State, group: OpenDemand, one: OpenDemand, ends: Sequence[int]) -> bool:
    """One cranking cycle: begun within it, or a count whose time may lie within it."""
    if any(group.last_at <= end < one.earliest for end in ends):
        return False
    if one.counted and one.earliest < one.last_at and (group.cranks or group.dips):
        return one.earliest <= group.last_at
    return one.last_at <= group.at + s.cycle_s


def _absorb(s: _State, open_runs: Sequence[int]) -> None:
    """A count that may be about a demand already answered is no new one."""
    answered = s.answered_at
    if answered is None:
        return
    s.groups = [
        g
        for g in s.groups
        if g.cranks
        or not (g.counted and g.earliest <= answered <= g.last_at)
        or any(g.earliest <= start + LAG_S and start <= g.last_at for start in open_runs)
    ]


def _outcomes(s: _State, begun: Sequence[Begun]) -> None:
    """Runs and `failed_to_start` events, in order of time, take the attempts that led to them."""
    order: list[tuple[int, int, DeviceEvent | Begun]] = [(e.at, 0, e) for e in _failures(s)]
    order += [(b.run.start, 1, b) for b in begun]
    order.sort(key=lambda o: (o[0], o[1]))
    for k, (_, _, outcome) in enumerate(order):
        others = [other for other, _, _ in order[k + 1 :]]
        if isinstance(outcome, Begun):
            _began(s, outcome, others)
        else:
            _failed(s, outcome, others)


def _failures(s: _State) -> list[DeviceEvent]:
    """`failed_to_start` events, without those that repeat one of the same cranking cycle."""
    tried = [e.at for e in s.told.events if e.event == "crank"] + [at for at, _, _ in s.told.dips]
    kept = []
    for event in sorted(s.told.events, key=lambda e: e.at):
        if event.event != "failed_to_start":
            continue
        last, s.failed_at = s.failed_at, event.at
        again = last is not None and event.at - last <= s.cycle_s + LAG_S
        if not again or any((last or 0) < at <= event.at for at in tried):
            kept.append(event)
    return kept


def _take(s: _State, first: int, at: int, others: Sequence[int], share: int) -> OpenDemand | None:
    """The newest attempts that may lie in [first, at], with those of the same cycle before.

    A count that also covers a later outcome is shared: at most `share` for this one, at least
    one for each later.
    """
    fit = [g for g in s.groups if g.earliest <= at + LAG_S and g.last_at >= first]
    taken: list[OpenDemand] = []
    for group in reversed(fit):
        if taken and taken[-1].earliest - group.last_at > s.cycle_s:
            break
        s.groups.remove(group)
        later = sum(1 for other in others if other <= group.last_at)
        if later and group.counted and not group.cranks:
            mine = max(1, min(share, group.counted - later))
            if group.counted > mine:
                s.groups.append(_of(at, group.last_at, counted=group.counted - mine))
            group = msgspec.structs.replace(group, counted=mine, last_at=at)
        taken.append(group)
    s.groups.sort(key=lambda g: (g.last_at, g.earliest))
    return _merged(taken) if taken else None


def _failed(s: _State, event: DeviceEvent, others: Sequence[int]) -> None:
    group = _take(s, event.at - s.cycle_s - LAG_S, event.at, others, share=10**6)
    s.answered_at = event.at if s.answered_at is None else max(s.answered_at, event.at)
    volts, secs = s.told.cranked.get(event.at, (None, None))
    last = OpenDemand(at=0, earliest=0, last_at=0, crank_min_v=volts, crank_s=secs)
    crank = _merged([last, group] if group else [last])
    s.done.append(
        StartDemand(
            at=min(group.at, event.at) if group else event.at,
            attempts=group.attempts if group else 0,
            end="failed",
            crank_s=crank.crank_s,
            crank_min_v=crank.crank_min_v,
            cause=event.cause,
            seen_by=("failed_to_start", *(group.seen_by if group else ())),
            learned_at=event.at,
        )
    )


def _began(s: _State, begun: Begun, others: Sequence[int]) -> None:
    run = begun.run
    earliest = run.start if run.start_earliest is None else run.start_earliest
    group = _take(s, earliest - s.cycle_s, run.start, others, share=1)
    if group is None:
        group = OpenDemand(at=run.start, earliest=earliest, last_at=run.start)
    group = msgspec.structs.replace(group, at=min(group.at, run.start), run=run, hand=begun.hand)
    started = [e.at for e in s.told.events if e.event == "started"]
    if group.attempts:
        _answer(s, group, "by_hand" if begun.hand else "started", max(run.start, group.last_at))
    elif begun.hand:
        _answer(s, group, "by_hand", run.start)
    elif "counter" in s.reports:
        _by_counter(s, group, begun)
    elif s.reports & {"crank", "dip"}:
        _answer(s, group, "unknown" if run.start_seen == "gap" else "by_hand", run.start)
    elif any(earliest - LAG_S <= at <= run.start + LAG_S for at in started):
        _answer(s, group, "started", run.start, ("started",))
    else:
        _answer(s, group, "not_seen", run.start)


def _by_counter(s: _State, group: OpenDemand, begun: Begun) -> None:
    """No attempt was counted for this run: was the counter read on both sides of its start?"""
    run, first = begun.run, s.told.counter_from
    read_before = begun.read_before or (first is not None and first < run.start)
    known = run.start + LAG_S if run.end is None else min(run.start + LAG_S, run.end)
    place = int(np.searchsorted(s.told.counter_t, known, side="left"))
    if not read_before:
        _answer(s, group, "not_seen", run.start)
    elif place < len(s.told.counter_t):
        _answer(s, group, "by_hand", int(s.told.counter_t[place]))
    else:
        look = known + s.margin_s
        s.waiting.append(msgspec.structs.replace(group, read_before=True, look_again_at=look))


def _answer(
    s: _State, group: OpenDemand, end: DemandEnd, learned_at: int, also: tuple[str, ...] = ()
) -> None:
    moment = group.run.start if group.run else group.last_at
    s.answered_at = moment if s.answered_at is None else max(s.answered_at, moment)
    s.done.append(
        StartDemand(
            at=group.at,
            attempts=group.attempts or (1 if "started" in also else 0),
            end=end,
            run_start=group.run.start if group.run else None,
            crank_s=group.crank_s,
            crank_min_v=group.crank_min_v,
            seen_by=(*group.seen_by, *(("in_auto",) if group.hand else ()), *also),
            learned_at=learned_at,
        )
    )


def _drop_busy(s: _State, busy: Sequence[tuple[int, int]]) -> None:
    """Attempts while the engine turns are no demand (a starter that engaged on a running set)."""
    s.groups = [
        g for g in s.groups if not any(a + LAG_S < g.earliest and g.last_at <= b for a, b in busy)
    ]


def _settle(s: _State) -> None:
    """Answer what can be answered now; keep the rest open with the time to look again."""
    groups, s.groups = s.groups, []
    for group in groups:
        over = group.last_at + s.cycle_s
        place = int(np.searchsorted(s.watched.t, over, side="left"))
        if place < len(s.watched.t):
            end, also = _verdict(s.watched, _watched(s.watched, group, place))
            _answer(s, group, end, int(s.watched.t[place]), also)
        else:
            seen = _watched(s.watched, group, place - 1)
            s.groups.append(msgspec.structs.replace(seen, look_again_at=over + s.margin_s))


def _watched(w: Watched, group: OpenDemand, place: int) -> OpenDemand:
    """The attempts with what the day's points from `earliest` to t[place] hid and the meter gained.

    An attempt counted in the last report of a day may lie anywhere since the report before it: the
    stretch up to midnight is judged with the one after it.
    """
    first = int(np.searchsorted(w.t, group.earliest, side="right")) - 1
    points = w.t[max(first, 0) : place + 1]
    if first < 0 and w.before_at is not None:
        points = np.insert(points, 0, w.before_at)
    steps = np.diff(points)
    if len(steps) == 0:
        unseen = w.gap_s + 1 if len(points) and first < 0 and w.before_at is None else 0
        return msgspec.structs.replace(group, hidden_s=max(group.hidden_s, unseen))
    longest = int(steps.max())
    hidden = longest if longest > w.gap_s else min(longest, w.hides_s)
    rise = _meter_over(w, int(points[0]), int(points[-1]))
    known = rise is not None and group.risen_h is not None
    return msgspec.structs.replace(
        group,
        hidden_s=max(group.hidden_s, hidden),
        risen_h=(group.risen_h or 0.0) + (rise or 0.0) if known else None,
    )


def _verdict(w: Watched, group: OpenDemand) -> tuple[DemandEnd, tuple[str, ...]]:
    """(end, seen also by) of attempts after which only off points were seen."""
    if group.hidden_s <= MISSABLE_RUN_S:
        return "failed", ()
    rise = group.risen_h
    if rise is None or (rise <= 0 and w.resolution_h > METER_PROVES_H + 1e-9):
        return "unknown", ()
    return ("started" if rise > 0 else "failed"), ("run_hours_h",)


def _meter_over(w: Watched, start: int, end: int) -> float | None:
    """Hours the meter gained between its readings around [start, end]; None: not read there."""
    a = int(np.searchsorted(w.meter_t, start, side="right")) - 1
    b = int(np.searchsorted(w.meter_t, end, side="left"))
    if a < 0 or b >= len(w.meter_t):
        return None
    return float(w.meter_h[b] - w.meter_h[a])


def as_seen(demand: OpenDemand, now: int, *, silence_proves: bool) -> StartDemand:
    """An open demand at `now`: failed when its cycle is over and silence proves it.

    Not where a run could have stayed hidden before: a count that came with the first word after a
    long silence."""
    hid = demand.hidden_s > MISSABLE_RUN_S
    over = demand.run is None and silence_proves and not hid and now >= demand.look_again_at
    return StartDemand(
        at=demand.at,
        attempts=demand.attempts,
        end="failed" if over else "unknown",
        run_start=demand.run.start if demand.run else None,
        crank_s=demand.crank_s,
        crank_min_v=demand.crank_min_v,
        seen_by=demand.seen_by,
        learned_at=demand.look_again_at if over else None,
    )

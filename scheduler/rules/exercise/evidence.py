"""What was seen of a set around its exercises, what could have been seen, and whether a run began
by itself: what later proves the automatic (docs/engineering/exercise.md#begun-by-itself)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Literal

from fleet.model import Run
from scheduler.rules.exercise.exercise_verdict import Confidence, Itself

Span = tuple[int, int]
"""[start, end] in UTC seconds."""
Hand = Literal["", "switch", "no_attempt"]
METER_NEAR = 0.9
"""A hidden run is believed when the meter gained at least 9/10 of the agreed length. Common
practice, no source."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A run. hand: the switch was out of automatic, or no attempt was counted for it where
    attempts are reported; attempts: seen for it. hides_s: a running set speaks at least so often
    (its running habit; 0: on change), so its start lies no further before its first reading.
    end: of the run, or the last moment it was seen running."""

    run: Run
    hand: Hand = ""
    attempts: int = 0
    hides_s: int = 86_400
    end: int = field(init=False)

    def __post_init__(self) -> None:
        known = self.run.last_on_at if self.run.end is None else self.run.end
        object.__setattr__(self, "end", max(self.run.start, known))

    @property
    def length_s(self) -> int:
        return self.end - self.run.start

    @property
    def longest_s(self) -> int:
        """The longest it can have been [s]."""
        run = self.run
        before = run.start if run.start_earliest is None else run.start_earliest
        earliest = min(run.start, max(before, run.start - self.hides_s))
        return max(self.length_s, (run.end_latest or self.end) - earliest)

    @property
    def mean_kw(self) -> float | None:
        """Mean load [kW] where it was measured."""
        if self.run.energy_kwh is None or self.length_s <= 0:
            return None
        return self.run.energy_kwh * 3600 / self.length_s


@dataclass(frozen=True, slots=True)
class Seen:
    """All that is known of a set's doings. Times in UTC seconds, rising.

    runs: every run, the open one too. failed: start demands that failed; hidden: demands without
    a run to point at, (at, meter moved). gaps: silences longer than the habit allows.
    first_at, last_at: oldest and newest reading. running_gap_s: longest silence that is none
    while running; holds: an on-change device. standing_s: time between reports at rest.
    counter_at: newest reading of the start counter on each day; meter: (from, to, hours gained);
    meter_resolution_h: its step; broken: moments at which counters or meter began anew.
    tells_starts: start events are sent. aside: laid up or out of service; visits: somebody was
    there; out_of_auto: spells with the switch known to be out of automatic.
    """

    runs: Sequence[Candidate]
    failed: Sequence[int] = ()
    hidden: Sequence[tuple[int, bool]] = ()
    gaps: Sequence[Span] = ()
    first_at: int | None = None
    last_at: int | None = None
    running_gap_s: int = 180
    holds: bool = False
    standing_s: int = 900
    counter_at: Sequence[int] = ()
    meter: Sequence[tuple[int, int, float]] = ()
    meter_resolution_h: float | None = None
    broken: Sequence[int] = ()
    tells_starts: bool = False
    aside: Sequence[Span] = ()
    visits: Sequence[Span] = ()
    out_of_auto: Sequence[Span] = field(default_factory=tuple)


def overlap(a: Span, b: Span) -> int:
    """Seconds that two spans share: least end less latest begin; 0 where they only touch or do not.

    Gives: [s]. Arithmetic.
    """
    return max(0, min(a[1], b[1]) - max(a[0], b[0]))


def meets(span: Span, others: Sequence[Span]) -> bool:
    """Whether a span meets any of the others, ends included.

    Gives: yes or no. Arithmetic.
    """
    return any(span[0] <= end and start <= span[1] for start, end in others)


def by_silence(seen: Seen, window: Span, length_s: float) -> bool:
    """Whether the device was heard all through the window, but for silences shorter than
    length_s.

    Gives: yes or no. Definition.
    """
    if seen.first_at is None or seen.last_at is None:
        return False
    if seen.first_at > window[0] or seen.last_at < window[1]:
        return False
    low, high = window
    near = (gap for gap in seen.gaps if gap[0] < high and low < gap[1])
    return not any(gap[1] - gap[0] >= length_s and overlap(gap, window) for gap in near)


def unexplained_h(seen: Seen, window: Span) -> float | None:
    """Hours the meter gained around a window beyond the runs seen there; None: not read on both
    sides, or not to be trusted there (a reset, another device).

    The rises that meet the window, less the seconds of runs between their first and last reading.

    Gives: [h]. Arithmetic.
    """
    low, high = window
    rises = [r for r in seen.meter if r[0] < high and low < r[1] and r[0] < r[1]]
    if not rises or seen.meter_resolution_h is None:
        return None
    whole = (rises[0][0], rises[-1][1])
    if whole[0] > window[0] or whole[1] < window[1]:
        return None
    if any(b[0] > a[1] for a, b in pairwise(rises)):
        return None
    if any(whole[0] <= at <= whole[1] for at in seen.broken):
        return None
    near = [one for one in seen.runs if whole[0] < one.end and one.run.start < whole[1]]
    ran_s = sum(overlap((one.run.start, one.end), whole) for one in near)
    return sum(hours for _, _, hours in rises) - ran_s / 3600


def counter_around(seen: Seen, window: Span) -> bool:
    """Whether one start counter was read on both sides of the window.

    Gives: yes or no. Definition.
    """
    before = [at for at in seen.counter_at if at <= window[0]]
    after = [at for at in seen.counter_at if at >= window[1]]
    if not before or not after:
        return False
    return not any(before[-1] <= at <= after[0] for at in seen.broken)


def next_read(seen: Seen, window: Span) -> int:
    """When a counter that rose in the window has been read at the latest.

    Its next reading behind the window; without a silence on the way no later than two reports
    behind it.

    Gives: [UTC s]. Common practice, no source.
    """
    after = next((at for at in seen.counter_at if at >= window[1]), window[1])
    if meets((window[0], after), seen.gaps):
        return after
    return max(window[1], min(after, window[1] + 2 * seen.standing_s))


def by_itself(run: Run, hand: Hand, attempts: int, switch_wired: bool) -> tuple[Itself, Confidence]:
    """(yes, likely, no or unknown; confidence) of a run whose `why` is known.

    yes      an outage run that began within 5 min of the loss of mains (its why is then sure); an
             exercise in its window with the switch in automatic or not wired: sure where the
             switch is wired and attempts were counted, else medium
    likely   an outage run whose beginning or loss of mains was not seen, or whose loss was seen only
             long after it (low); an exercise matched outside its window, or for which no attempt
             was counted
    no       by hand: the switch was out of automatic (sure), or no attempt was counted where this
             device counts them (medium)
    unknown  everything else: a call from afar and a finger on the button look alike

    Gives: two words. Common practice, no source.
    """
    if hand == "switch":
        return "no", "high"
    if run.why == "outage":
        if run.confidence == "high":
            return "yes", "high"
        return "likely", "medium" if run.confidence == "medium" else "low"
    if run.why == "exercise":
        if hand or run.confidence == "low":
            return "likely", "low"
        sure = switch_wired and attempts > 0 and run.confidence == "high"
        return "yes", "high" if sure else "medium"
    if run.why == "by_hand":
        return "no", "medium"
    return "unknown", "low"

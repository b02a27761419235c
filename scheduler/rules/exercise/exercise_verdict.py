"""The nouns of an exercise."""

from __future__ import annotations

from typing import Literal

import msgspec

Confidence = Literal["high", "medium", "low"]
Word = Literal[
    "done",
    "short",
    "under_loaded",
    "failed",
    "missed",
    "excused",
    "not_seen",
]
By = Literal["", "run", "meter", "counter", "events", "readings"]
Itself = Literal["yes", "likely", "no", "unknown"]

DAY_REACH_S = 12 * 3600
"""A run is matched on the local day of the agreed time and at most so far from it. Common practice,
no source."""
WINDOW_S = 2 * 3600
"""Within the window: at most so far from the time at which the set is expected. Common practice, no
source."""
RECENT = 5
LEARNED_FROM = 3
"""The set's own time is the median of the last five matches, from three on. Common practice, no
source."""
TIME_OFF_S = 1800
"""Another time than agreed: half an hour or more. Detection limit of `exercise_time`: 30 min, three
matches. Common practice, no source."""
SHORT_SHARE = 0.10
SHORT_AT_LEAST_S = 120
"""Short: less than agreed by more than 10 % and 2 min. Detection limit of `exercise_short`: 10 % of
the agreed length and 2 min, one occurrence. Common practice, no source."""
LOAD_SHARE = 0.75
"""Under-loaded: mean load under 75 % of what the plan asks. Detection limit: a quarter of it.
Common practice, no source."""
WARMING_S = 300
"""Warming up and cooling down need not be loaded: so much of a run is left out of its mean. Common
practice, no source."""
ASSUMED_S = 600
"""Length taken where the plan names no minutes: nothing is short then. Common practice, no
source."""
NEAR_S = 1800
"""An outage run this near to the time kept the set from its exercise, and so did somebody who came
no later; a run that began so long after the start that failed is no retry of it. Common practice,
no source."""
SHOWN = 12
"""Newest verdicts that are shown. Definition."""


class Plan(msgspec.Struct, frozen=True, kw_only=True):
    """What was agreed. rule: 'DTSTART:...' and 'RRULE:...' lines (RFC 5545) without a zone; zone:
    the site's IANA zone; minutes None: no length agreed; load_share: of rated_kw [kW], 0 to 1."""

    rule: str
    zone: str
    minutes: float | None = None
    load_share: float | None = None
    rated_kw: float | None = None

    def __post_init__(self) -> None:
        if self.minutes is not None and not 0 < self.minutes <= 1440:
            raise ValueError("an exercise lasts more than 0 min and at most a day")
        if self.load_share is not None and not 0 < self.load_share <= 1:
            raise ValueError("an exercise load is a share of the rated power above 0, at most 1")

    @property
    def length_s(self) -> float:
        return ASSUMED_S if self.minutes is None else 60 * self.minutes

    @property
    def least_s(self) -> float:
        """The length [s] from which it is done."""
        if self.minutes is None:
            return 0.0
        grace_s = max(SHORT_SHARE * self.length_s, SHORT_AT_LEAST_S)
        return max(self.length_s - grace_s, self.length_s / 2)

    @property
    def least_kw(self) -> float | None:
        """The mean load [kW] from which it is loaded enough; None: no load is asked for."""
        if self.load_share is None or not self.rated_kw:
            return None
        return LOAD_SHARE * self.load_share * self.rated_kw


class ExerciseVerdict(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """What became of one occurrence.

    due_at: agreed time, expected_at: when this set was expected by its own clock (UTC seconds).
    wall: the agreed time on the site's wall, ISO without a zone. run_start, length_s, mean_kw: of
    the run that counts. by: what it stands on. reason: plain words. ran: the set has run by itself for
    that length since the occurrence before (an outage). ran_at, of a missed one: the start of
    another run of that length in its period.
    """

    due_at: int
    wall: str
    expected_at: int
    verdict: Word
    confidence: Confidence = "high"
    by: By = ""
    run_start: int | None = None
    length_s: int | None = None
    mean_kw: float | None = None
    peak_kw: float | None = None
    ran: bool = False
    ran_at: int | None = None
    reason: str = ""


class RunReason(msgspec.Struct, frozen=True, kw_only=True, array_like=True):
    """A run that was an exercise, or that began by itself; `start` names the run (UTC seconds)."""

    start: int
    why: Literal["exercise", "outage", "by_hand", "unknown"]
    confidence: Confidence
    by_itself: Itself
    itself_confidence: Confidence


class ByItself(msgspec.Struct, frozen=True, kw_only=True):
    """The newest run that began by itself: proof of the automatic for readiness."""

    at: int
    by_itself: Literal["yes", "likely"]
    why: Literal["exercise", "outage"]
    confidence: Confidence


class Exercise(msgspec.Struct, frozen=True, kw_only=True):
    """Exercise of one unit now. last: newest 12 verdicts, oldest first; next_at [UTC s] and
    next_wall: the coming one as agreed; offset_s: the set's own time less the agreed, over
    offset_n matches (None: not learned yet). refusal: why the rule cannot be read."""

    minutes: float | None = None
    load_share: float | None = None
    last: tuple[ExerciseVerdict, ...] = ()
    next_at: int | None = None
    next_wall: str = ""
    offset_s: int | None = None
    offset_n: int = 0
    refusal: str = ""

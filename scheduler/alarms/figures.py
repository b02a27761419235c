"""How many alerts people got, beside the figures of ANSI/ISA-18.2 and IEC 62682.

Those are for an operator in a control room. For a holder of a duty phone count the messages a day
instead; both are shown. ISA-18.2-2016 dropped the alarms per day (the 2009 edition and IEC 62682
have it); what a flood's end is, and how many stale alarms are too many, is from memory.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import msgspec
import numpy as np

from fleet.calendar import DAY_S
from fleet.model import Episode
from scheduler.alarms.lifecycle import newest

FLOOD_S = 600
FLOOD_MORE_THAN = 10
"""A flood: more than 10 alarms in 10 min (IEC 62682; ten are none). From memory."""
FLOOD_ENDS_BELOW = 5
"""And it ends with fewer than 5 in 10 min (memory). From memory."""
CHATTER_S = 60
CHATTER_AT_LEAST = 3
"""Chattering: the same alarm three times or more within one minute. IEC 62682, from memory."""
STALE_S = 86_400
"""Stale: standing for more than 24 h; 24 h to the second is not. IEC 62682, from memory."""
ACTIVE = frozenset(
    {"raised", "resumed", "recurred", "realarmed", "unshelved", "restored", "unsuppressed"}
)
TOLD = frozenset({"raised", "recurred", "realarmed"})


class Figures(msgspec.Struct, frozen=True, kw_only=True):
    """Over [from_at, to_at). a_day: alerts raised a day; most_10_min: the most in any 10 min;
    flood_share: share of the time in a flood; chattering: alerts; stale: standing now for over a
    day; top_10_share: what the ten most frequent (subject, kind) make of all; split: share of Act
    now, Same day and Next visit."""

    from_at: int
    to_at: int
    alerts: int
    a_day: float
    most_10_min: int
    flood_share: float
    chattering: int
    stale: int
    top_10_share: float
    split: tuple[float, float, float]


def figures(episodes: Sequence[Episode], from_at: int, to_at: int) -> Figures:
    """What the episodes of a span come to; `to_at` is now (UTC seconds)."""
    moments = sorted(
        s.at for e in episodes for s in e.steps if s.kind in TOLD and from_at <= s.at < to_at
    )
    ours = [e for e in episodes if any(s.kind in TOLD and from_at <= s.at < to_at for s in e.steps)]
    counts = Counter((e.subject, e.kind, e.part) for e in ours)
    total = len(ours)
    top = sum(n for _, n in counts.most_common(10))
    split = [sum(e.severity == s for e in ours) for s in ("act_now", "same_day", "next_visit")]
    graded = sum(split) or 1
    return Figures(
        from_at=from_at,
        to_at=to_at,
        alerts=len(moments),
        a_day=len(moments) * DAY_S / max(1, to_at - from_at),
        most_10_min=most_within(moments, FLOOD_S),
        flood_share=flood_s(moments) / max(1, to_at - from_at),
        chattering=sum(chatters([s.at for s in e.steps if s.kind in ACTIVE]) for e in episodes),
        stale=sum(is_stale(e, to_at) for e in episodes),
        top_10_share=top / total if total else 0.0,
        split=(split[0] / graded, split[1] / graded, split[2] / graded),
    )


def most_within(moments: Sequence[int], span_s: int) -> int:
    """The most moments in any half-open span of that length."""
    at = np.sort(np.asarray(moments, dtype=np.int64))
    if not at.size:
        return 0
    return int((np.searchsorted(at, at + span_s, side="left") - np.arange(at.size)).max())


def floods(moments: Sequence[int]) -> list[tuple[int, int]]:
    """Spans in which more than 10 alarms came within 10 min, until fewer than 5 do."""
    at = sorted(moments)
    found: list[tuple[int, int]] = []
    first, begun = 0, None
    for n, moment in enumerate(at):
        while at[first] <= moment - FLOOD_S:
            first += 1
            if begun is not None and n - first < FLOOD_ENDS_BELOW:
                found.append((begun, at[first - 1] + FLOOD_S))
                begun = None
        if begun is None and n - first + 1 > FLOOD_MORE_THAN:
            begun = at[first]
    if begun is not None:
        found.append((begun, at[-1] + FLOOD_S))
    return found


def flood_s(moments: Sequence[int]) -> int:
    """Seconds spent in a flood."""
    return sum(end - start for start, end in floods(moments))


def chatters(moments: Sequence[int]) -> bool:
    """Whether one alarm came three times or more within a minute."""
    return most_within(moments, CHATTER_S) >= CHATTER_AT_LEAST


def is_stale(episode: Episode, now: int) -> bool:
    """Whether an alert has been standing for more than a day."""
    if episode.closed_at is not None or newest(episode, "returned") is episode.steps[-1]:
        return False
    begun = newest(episode, "recurred", "raised")
    return begun is not None and now - begun.at > STALE_S

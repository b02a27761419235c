"""When an outage may look different though nothing more is heard."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from fleet.model import Outage
from scheduler.outage.cover import UNHEARD_S, SetNow
from scheduler.outage.grouping import interval
from scheduler.outage.stepping import (
    COMEBACK_MOST_S,
    ENDS_AFTER_S,
    LIFE_WAIT_S,
    RECENT_S,
    TELL_AGAIN_S,
)


def next_change(outages: Sequence[Outage], sets: Sequence[SetNow], now: int) -> int | None:
    """The first moment after now at which a look at the same sets may come out differently; None:
    never, until something is heard.

    outages: as `step` is given them; sets: those of their places. Everything in a look that depends
    on the moment is a comparison of `now` with one of these moments, so between two of them a look
    finds what the look before found. That one moment too many is named costs a look; one too few
    would be a fault, which a week looked at every ten seconds beside it shows.

    Gives: [UTC s]. Definition.
    """
    found = [moment for outage in outages for moment in _of_outage(outage)]
    begun = {m.lost_at for outage in outages for m in outage.members}
    begun |= {outage.began_at for outage in outages}
    found += [moment + UNHEARD_S for moment in begun]
    found += [moment for held in sets for moment in _of_set(held)]
    return min((moment for moment in found if moment > now), default=None)


def _of_outage(outage: Outage) -> Iterator[int]:
    for wait_s in (*TELL_AGAIN_S, LIFE_WAIT_S):
        yield outage.told_at + wait_s
    back = [m.back_at for m in outage.members if m.back_at is not None]
    if back:
        yield max(back) + ENDS_AFTER_S
        yield max(back) + COMEBACK_MOST_S
    if outage.ended_at is not None:
        yield outage.ended_at + RECENT_S + 1


def _of_set(held: SetNow) -> Iterator[int]:
    if held.heard_at is not None:
        yield held.heard_at + round(1.1 * held.report_s) + 1
        yield held.heard_at + UNHEARD_S
    for moment in (held.promised_at, held.offline_at):
        if moment is not None:
            yield moment + 1
    if held.mains.since is not None:
        yield held.mains.since + RECENT_S + 1
        yield interval(held)[0] + UNHEARD_S
        yield interval(held)[1] + UNHEARD_S

"""Attempts to demands: what belongs to one cranking cycle."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from scheduler.rules.starting.demand import LAG_S, OpenDemand, State


def group(s: State) -> None:
    """Attempts close enough to be of one cranking cycle become one group.

    An attempt no later than the cycle's length after the first of a group is of it; a count whose
    time may lie among events of a group tells of those again; a `failed_to_start` between ends a
    group.

    Gives: nothing, it changes the state. Definition.
    """
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
        both = merged([last, one])
        s.groups[-1] = msgspec.structs.replace(both, last_at=_last_attempt(last, one))


def merged(groups: Sequence[OpenDemand]) -> OpenDemand:
    """Several groups as one demand: first and last moments, attempts added up, lowest volts,
    longest crank.

    Gives: a record in UTC seconds [UTC s], volts [V], seconds [s], hours [h]. Arithmetic.
    """
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
        at=at,
        earliest=earliest,
        last_at=at,
        counted=counted,
        cranks=cranks,
        dips=dips,
        crank_min_v=volts,
        crank_s=seconds,
    )


def _last_attempt(group: OpenDemand, one: OpenDemand) -> int:
    """When the newest attempt was at the latest: a count that events explain adds nothing."""
    explained = group.cranks or group.dips
    if one.counted and explained >= group.counted + one.counted:
        return group.last_at
    return max(group.last_at, one.last_at)


def _same(s: State, group: OpenDemand, one: OpenDemand, ends: Sequence[int]) -> bool:
    """One cranking cycle: begun within it, or a count whose time may lie within it."""
    if any(group.last_at <= end < one.earliest for end in ends):
        return False
    if one.counted and one.earliest < one.last_at and (group.cranks or group.dips):
        return one.earliest <= group.last_at
    return one.last_at <= group.at + s.cycle_s


def absorb(s: State, open_runs: Sequence[int]) -> None:
    """A count that may be about a demand already answered is no new one.

    Gives: nothing, it changes the state; open_runs: their starts [UTC s]. Definition.
    """
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


def take(s: State, first: int, at: int, others: Sequence[int], share: int) -> OpenDemand | None:
    """The newest attempts that may lie in [first, at], with those of the same cycle before.

    A count that also covers a later outcome is shared: at most `share` for this one, at least
    one for each later.

    Gives: a record in UTC seconds [UTC s], or none; others: later outcomes [UTC s]. Definition.
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
    return merged(taken) if taken else None

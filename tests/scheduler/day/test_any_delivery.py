"""The same readings give the same days, however they were handed over."""

from __future__ import annotations

import random
from collections.abc import Sequence

from causal_worlds import drawn
from hypothesis import given, settings
from hypothesis import strategies as st
from planted import DAY, DAY_S, cut, series

from fleet.model import DeviceEvent, Series
from scheduler.day import Carry, Day, DayFacts, decode, digest, encode

SPAN = 4


def rows_of(channels: dict[str, Series]) -> list[tuple[int, str, float]]:
    """The readings of the first days, a row each."""
    return [
        (int(t), name, float(v))
        for name, one in channels.items()
        for t, v in zip(one.t, one.v, strict=True)
        if t < (DAY + SPAN) * DAY_S
    ]


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 10_000), st.integers(0, 500), st.booleans())
def test_any_batches_in_any_order_with_any_stop_between(
    seed: int, mean: int, missing: bool
) -> None:
    """A world told at a drawn cadence, a tenth of its running signal missing where `missing` says
    so; delivered in batches of drawn sizes, some twice, each touched day digested after each."""
    rng = random.Random(seed)
    world = drawn(seed % 40)
    told = [
        row
        for row in rows_of(world.channels)
        if not (missing and row[1] == "running" and rng.random() < 0.1)
    ]
    at_once = _days(world.facts, told, world.events, {}, DAY)
    waiting = list(told)
    rng.shuffle(waiting)
    if mean < 100:
        waiting.sort()
    got: list[tuple[int, str, float]] = []
    days: dict[int, Day] = {}
    while waiting:
        size = 1 + rng.randrange(20 * (mean + 40))
        batch, waiting = waiting[:size], waiting[size:]
        got += batch + batch[: rng.randrange(3)]
        days = _days(world.facts, got, world.events, days, min(t for t, *_ in batch) // DAY_S)
    assert [encode(days[d]) for d in sorted(days)] == [encode(at_once[d]) for d in sorted(days)]
    assert len(days) == SPAN


def _days(
    facts: DayFacts,
    rows: list[tuple[int, str, float]],
    events: Sequence[DeviceEvent],
    days: dict[int, Day],
    since: int,
) -> dict[int, Day]:
    """The days again from `since` on, each kept as the bytes a restart would find."""
    names = {name for _, name, _ in rows}
    whole = {name: series({(t, v) for t, n, v in rows if n == name}) for name in names}
    found = {day: decode(encode(one)) for day, one in days.items() if day < since}
    for day in range(since, DAY + SPAN):
        before = found[day - 1].carry if day - 1 in found else Carry()
        here = [e for e in events if e.at // DAY_S == day]
        found[day] = digest(facts, day, cut(whole, day), here, before)
    return found

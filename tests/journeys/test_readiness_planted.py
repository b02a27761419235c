"""Readiness over the invented fleet's year: how often the word was wrong the day before a demand.

Printed (`pytest -m long -s`): of the sets that failed at their next demand, how many were called
ready the day before; of those called not ready, how many would have started
(docs/engineering/readiness.md#scored).
"""

from __future__ import annotations

import os
from collections import Counter

import pytest
from truth import DAY_S, cast_of, heard, papers_of, verdicts

SETS = int(os.environ.get("HOURHAND_READINESS_SETS", "10"))
"""Those that fail at some demand of theirs come first."""
SEED = 1
LEARNT_S = 30 * DAY_S


@pytest.mark.long
@pytest.mark.timeout(900)
def test_what_was_said_the_day_before_a_demand(capsys: pytest.CaptureFixture[str]) -> None:
    fleet, casts = cast_of(SEED)
    inputs = papers_of(fleet, casts)
    failed: Counter[str] = Counter()
    not_ready: Counter[bool] = Counter()
    asked = ready = 0
    never_ready: list[str] = []
    for c in sorted(casts, key=lambda c: all(d.start for d in c.s.machine.life.demands))[:SETS]:
        unit, life = c.s.place.unit, c.s.machine.life
        got = heard(c, inputs[unit], fleet.first, fleet.origin)
        demands = [
            d
            for d in life.demands
            if d.why != "hand" and fleet.first + LEARNT_S < d.at < fleet.origin
        ]
        before = {d.at - DAY_S: d for d in demands}
        looks = verdicts(c, inputs[unit], got, fleet.first, fleet.origin, sorted(before))
        for now, verdict, _ in looks:
            assert verdict.readiness is not None
            word, demand = verdict.readiness.state, before[now]
            asked += 1
            ready += word == "ready"
            if demand.start is None:
                failed[word] += 1
            if word == "not_ready":
                not_ready[demand.start is not None] += 1
            past = [d for d in life.demands if d.at + 6 * 3600 < now]
            told = c.s.machine.reporter.events and got.newest(now) is not None
            if word == "ready" and told and past and past[-1].start is None:
                never_ready.append(f"{unit} at {now}: its last demand failed")
    with capsys.disabled():
        missed = failed["ready"] / max(1, sum(failed.values()))
        alarmed = not_ready[True] / max(1, sum(not_ready.values()))
        print(
            f"\nreadiness, {asked} demands of {SETS} sets: called ready {ready / asked:.0%}; of "
            f"{sum(failed.values())} that failed, {missed:.0%} were called ready the day before "
            f"({dict(failed)}); of {sum(not_ready.values())} called not ready, {alarmed:.0%} started"
        )
    assert never_ready == []
    assert ready / asked > 0.3, "a word that is never said says nothing"

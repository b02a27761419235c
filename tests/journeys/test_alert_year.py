"""A year of the invented fleet: how many messages people get, and whether Act now is true.

The demo's sixty sets, looked at once a day and around whatever happens to them; each set's alerts
live and are told as in service (single sets: the outages of an area are tested in test_outage and
test_outage_turns). Beside it what a naive set of rules would have sent (tests/helpers/naive.py).
The long tier takes every fourth of them; HOURHAND_TEST_YEAR_SETS=60 takes all.
"""

from __future__ import annotations

import os
from collections import Counter
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest
from examiner import At, expected
from many_seeds import LEARNING, in_processes
from naive import messages
from truth import DAY_S, ORIGIN, Cast, heard, papers_of, verdicts

from demo_fleet.assembly import build_fleet
from fleet.model import Contact, Episode, Notice, Rota
from scheduler import alarms
from scheduler.alarms import AlertNews, Office, Quiet

ALL, PARTS = 60, 8
SETS = int(os.environ.get("HOURHAND_TEST_YEAR_SETS", "15"))
TAKEN = tuple(range(0, ALL, ALL // SETS))[:SETS]
"""Which of the sets, spread over the fleet: kinds of reporters and of faults lie side by side."""
OFFICE = Office(
    people=(Contact(person="ann", name="Ann", ways=("email",), zone="Europe/London"),),
    rota=Rota(last="ann", zone="Europe/London"),
)


@dataclass
class Year:
    """What a part of the fleet came to."""

    notices: list[Notice] = field(default_factory=list)
    act_now: int = 0
    wrong: list[str] = field(default_factory=list)
    naive: Counter[str] = field(default_factory=Counter)
    looks: int = 0


def moments(c: Cast, first: int, end: int) -> list[int]:
    """Once a day, and just after whatever happens."""
    at = {day * DAY_S + 5 * 3600 + 60 * c.s.place.n for day in range(first // DAY_S, end // DAY_S)}
    for d in c.s.machine.life.demands:
        at |= {d.cranks[-1][0] + 60, d.at + 1500} if d.start is None else {d.at + 900}
        at |= {d.end + 60} if d.end is not None else set()
    for a, b in (*c.dark, *c.s.machine.script.offline, *c.s.machine.script.manual):
        at |= {a + 90, a + 7200, b + 60, b + 900}
    return sorted(m for m in at if first <= m < end)


def year_of(part: int) -> Year:
    """A part of the fleet through its year."""
    fleet = build_fleet(1, ORIGIN, ALL)
    casts = [Cast(s) for s in fleet.sets]
    inputs = papers_of(fleet, casts)
    found, first = Year(), fleet.first + LEARNING * DAY_S
    for c in [casts[n] for n in TAKEN[part::PARTS]]:
        known = inputs[c.s.place.unit]
        got = heard(c, known, fleet.first, fleet.origin)
        found.naive += messages(c, got, known.unit.nominal_v)
        going: list[Episode] = []
        kept: dict[str, Notice] = {}
        when = moments(c, first, fleet.origin)
        for now, verdict, seen in verdicts(c, known, got, fleet.first, fleet.origin, when):
            found.looks += 1
            going = _look(c, seen, got, now, verdict, going, kept, found)
        found.notices += kept.values()
    return found


def _look(
    c: Cast,
    inputs: Any,
    got: Any,
    now: int,
    verdict: Any,
    going: list[Episode],
    kept: dict[str, Notice],
    found: Year,
) -> list[Episode]:
    """One look at one set: its alerts go on, notices are kept as the outbox keeps them."""
    subject = f"unit:{inputs.unit.id}"
    aside = verdict.summary.condition in ("out_of_service", "laid_up")
    opened, steps = alarms.step(going, subject, verdict.findings, now, Quiet(aside=aside))
    after = alarms.after_turn(going, opened, steps)
    cases = [
        AlertNews(
            episode=e,
            place=inputs.site.name,
            zone=inputs.site.time_zone,
            steps=e.steps if e in opened else tuple(s for s in steps if s.episode == e.id),
            criticality=inputs.unit.criticality,
            unit=inputs.unit.id,
        )
        for e in after
    ]
    for cause in alarms.withdrawn(cases):
        for id in [n.id for n in kept.values() if n.cause == cause and n.not_before > now]:
            del kept[id]
    told = {n.cause for n in kept.values()}
    for notice in alarms.tell(cases, OFFICE, now):
        if notice.kind != "cleared" or notice.cause in told:
            assert notice.id not in kept, "the same message twice"
            kept[notice.id] = notice
    newest = got.newest(now)
    wanted = expected(At(c, inputs, got, now, None if newest is None else int(got.t[newest])))
    for episode in opened:
        if episode.severity == "act_now":
            found.act_now += 1
            if wanted.wrong(episode.finding):
                found.wrong.append(f"{inputs.unit.id} {episode.kind} at {now}")
    return [e for e in after if e.closed_at is None]


@pytest.mark.long
@pytest.mark.timeout(2400)
def test_a_year_of_messages(capsys: pytest.CaptureFixture[str]) -> None:
    """At most 2 messages a person-day in all but storms, none twice, 95 % of Act now true, and ten
    times fewer messages than the naive rules send, their late reports left out."""
    parts = in_processes(year_of, range(PARTS))
    notices = [n for part in parts for n in part.notices]
    days = 365 - LEARNING
    by_day = np.bincount([(n.not_before // DAY_S) % 400 for n in notices], minlength=400)
    raised, wrong = sum(p.act_now for p in parts), [w for p in parts for w in p.wrong]
    naive: Counter[str] = sum((p.naive for p in parts), Counter())
    with capsys.disabled():
        print(
            f"\n{SETS} sets, {sum(p.looks for p in parts)} looks: {len(notices)} messages in {days} "
            f"days ({len(notices) / days:.2f} a day, {int(by_day.max())} at most); naive "
            f"{naive.total()}, of which late reports {naive['late']}; "
            f"Act now {raised}, wrong {len(wrong)} {wrong[:3]}"
        )
    assert len(notices) / days <= 2
    assert naive.total() - naive["late"] >= 10 * len(notices)
    assert len(wrong) <= 0.05 * raised
    assert len({n.id for n in notices}) == len(notices)

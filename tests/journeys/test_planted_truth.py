"""Planted truth over many seeds: everything found that could show, nothing wrong beyond budget.

Budget (docs/engineering/alarms.md#budget): wrong Act now at most 1 per 100,000 unit-days, Same day
1 per 10,000, the rest 1 per 1,000. Each seed has a third of the fleet, other sets and other faults
than the one before. HOURHAND_TEST_SEEDS says how many seeds (20).
"""

from __future__ import annotations

import os
import random
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from examiner import At, expected
from house import House
from many_seeds import LEARNING, in_processes
from scoring import befell, not_answered, rate, upper, would_start
from sweeps import LIMITS, SIZES, found_at
from truth import DAY_S, Cast, cast_of, days_of, heard, papers_of, verdicts

import demo_fleet.papers as papers
from demo_fleet.assembly import Fleet
from demo_fleet.planted.faults import Truth
from demo_fleet.truths import truth_of
from fleet.model import Reading
from fleet.registry import unscoped
from fleet.registry.base.engine import open_registry
from fleet.registry.facts.records import import_records
from fleet.registry.register import import_units
from fleet.store.embedded import EmbeddedStore
from scheduler.day import decode

SEEDS = int(os.environ.get("HOURHAND_TEST_SEEDS", "20"))
SHARE = 3
BUDGET = {"act_now": 1e-5, "same_day": 1e-4}
REST = 1e-3
YES_NO = (
    "failed_start",
    "not_in_auto",
    "not_reporting",
    "service_due",
    "meter_reset",
    "meter_rolled_over",
    "clock_wrong",
    "exercise_missed",
    "mains_lost",
    "battery_old",
)
CONDITION = (
    "battery_failed_cell",
    "charger_fault",
    "over_charge",
    "open_neutral",
    "over_voltage",
    "no_output",
    "leg_out",
    "volts_standing",
    "hunting",
    "unbalance",
    "fuel_low",
)
CONFUSERS = (
    "hand runs",
    "meter replaced",
    "board swapped",
    "long outage",
    "daylight saving, both ways",
    "coarse quantising",
    "15-min habit",
    "on change only",
    "late batches",
    "heavier_customer",
    "idle_down",
    "inverter",
    "split_uneven",
    "legs_uneven",
    "charging_output_tied",
    "new_battery",
    "cold_week",
    "mains_gas",
    "dual_fuel",
)
FIGURES = os.environ.get("HOURHAND_TEST_FIGURES", "")
"""A file to which what is printed is added."""


@dataclass
class Exam:
    """One seed examined. wrong and missing: by (unit, kind, part, since), each counted once."""

    seed: int
    unit_days: int = 0
    looks: int = 0
    asked: Counter[str] = field(default_factory=Counter)
    wrong: dict[tuple[Any, ...], str] = field(default_factory=dict)
    missing: dict[tuple[Any, ...], str] = field(default_factory=dict)
    befell: Counter[str] = field(default_factory=Counter)
    before: Counter[str] = field(default_factory=Counter)
    """Readiness the day before power was wanted and did not come."""
    called: Counter[tuple[str, bool]] = field(default_factory=Counter)
    """Readiness at any look, and whether it would have started then."""


def moments(c: Cast, first: int, end: int, rng: np.random.Generator) -> list[int]:
    """When a set is looked at: any time, and just around what happens to it."""
    found = {
        day * DAY_S + int(rng.integers(DAY_S))
        for day in range(first // DAY_S, end // DAY_S)
        if rng.random() < 1 / 9
    }
    for d in c.s.machine.life.demands:
        if d.start is None:
            found |= {d.cranks[-1][0] + 30, d.at + 1300, d.at + 11_000}
        elif d.end is not None and rng.random() < 1 / 10:
            after = (d.cranks[-1][0] + 3, d.start + 8, d.start + 100, d.end + 15, d.end + 700)
            found.add(after[int(rng.integers(5))])
    for a, b in c.s.machine.script.manual:
        found |= {a + 70, b + 30}
    for a, b in (*c.dark, *c.s.machine.script.offline):
        found |= {a + 7200, b + 60, b + 700}
    return sorted(m for m in found if first <= m < end)


def examine(seed: int) -> Exam:
    """A seed's fleet looked at through a year."""
    fleet, casts = cast_of(seed, SHARE)
    inputs, exam = papers_of(fleet, casts), Exam(seed)
    planted = {t.unit: t for t in truth_of(fleet) if not t.healthy}
    rng = np.random.default_rng(seed)
    for c in casts:
        unit = c.s.place.unit
        got = heard(c, inputs[unit], fleet.first, fleet.origin)
        begin = fleet.first + LEARNING * DAY_S
        eves = {t - DAY_S for t in not_answered(c, begin + DAY_S, fleet.origin)}
        when = [*{*moments(c, begin, fleet.origin, rng), *eves, fleet.origin - 1}]
        exam.befell.update(befell(c, fleet.first, fleet.origin))
        exam.unit_days += len({m // DAY_S for m in when})
        for now, verdict, known in verdicts(c, inputs[unit], got, fleet.first, fleet.origin, when):
            exam.looks += 1
            assert verdict.readiness is not None
            exam.called[verdict.readiness.state, would_start(c, now)] += 1
            if now in eves:
                exam.before[verdict.readiness.state] += 1
            k = got.newest(now)
            at = At(c, known, got, now, None if k is None else int(got.t[k]))
            _compare(exam, at, verdict.findings)
            if now == fleet.origin - 1 and unit in planted:
                _told(exam, at, planted[unit], verdict.findings)
    return exam


def _compare(exam: Exam, at: At, findings: Iterable[Any]) -> None:
    wanted = expected(at)
    have = {(f.kind, f.part) for f in findings}
    place = at.c.s.place
    for finding in findings:
        if wanted.wrong(finding):
            key = (exam.seed, place.n, finding.kind, finding.part, finding.since)
            exam.wrong.setdefault(key, f"{finding.severity} at {at.now}: {finding.facts}")
    for kind, part in wanted.must:
        exam.asked[kind] += 1
        if (kind, part) not in have:
            exam.missing.setdefault((exam.seed, place.n, kind, part), f"at {at.now}")


def _told(exam: Exam, at: At, truth: Truth, findings: Iterable[Any]) -> None:
    """What the demo's own truth file promises."""
    wanted = truth.expect["finding"], truth.expect["severity"]
    exam.asked[f"truth.json {truth.kind}"] += 1
    if wanted not in {(f.kind, f.severity) for f in findings}:
        exam.missing[(exam.seed, at.c.s.place.n, "truth.json", truth.kind)] = f"{wanted}"


@pytest.fixture(scope="module")
def exams() -> list[Exam]:
    done: list[Exam] = in_processes(examine, range(1, SEEDS + 1))
    return done


@pytest.mark.long
@pytest.mark.timeout(1800)
def test_every_planted_fault_is_found_where_the_habit_can_show_it(exams: list[Exam]) -> None:
    missing = {key: said for exam in exams for key, said in exam.missing.items()}
    assert not missing, f"{len(missing)} missing: {list(missing.items())[:5]}"
    asked = sum((exam.asked for exam in exams), Counter())
    unasked = [kind for kind in YES_NO if asked[kind] < SEEDS]
    unasked += [kind for kind in CONDITION if not asked[kind]]
    if SEEDS < 2 * SHARE:
        return
    assert not unasked, f"hardly planted, so hardly examined: {unasked}"


@pytest.mark.long
@pytest.mark.timeout(1800)
def test_every_confuser_was_there(exams: list[Exam], capsys: pytest.CaptureFixture[str]) -> None:
    there = sum((exam.befell for exam in exams), Counter())
    tell(capsys, f"sets' years with: {dict(there.most_common())}")
    absent = [word for word in CONFUSERS if SEEDS >= 2 * SHARE and not there[word]]
    assert not absent


@pytest.mark.long
@pytest.mark.timeout(1800)
def test_readiness_is_scored(exams: list[Exam], capsys: pytest.CaptureFixture[str]) -> None:
    """Both error rates of docs/engineering/readiness.md#scored. A start that fails out of the blue
    could not be foreseen; one that was locked out or out of automatic the day before must not have
    been called ready."""
    before = sum((exam.before for exam in exams), Counter())
    called = sum((exam.called for exam in exams), Counter())
    failed, not_ready = before.total(), called["not_ready", True] + called["not_ready", False]
    tell(
        capsys,
        f"power wanted and not given: {rate(before['ready'], failed)} called ready the day before "
        f"({dict(before)}); called not ready: {rate(called['not_ready', True], not_ready)} would "
        f"have started; called ready: {rate(called['ready', False], called['ready', False] + called['ready', True])} "
        "would not",
    )
    assert failed
    assert not_ready
    assert before["ready"] < failed
    assert called["not_ready", True] < 0.5 * not_ready


def tell(capsys: pytest.CaptureFixture[str], said: str) -> None:
    """Print, and add to the file of figures where one is asked for."""
    with capsys.disabled():
        print("\n" + said)
    if FIGURES:
        with Path(FIGURES).open("a") as out:
            out.write(said + "\n")


@pytest.mark.long
@pytest.mark.timeout(1800)
def test_wrong_findings_keep_within_their_budget(
    exams: list[Exam], capsys: pytest.CaptureFixture[str]
) -> None:
    unit_days = sum(exam.unit_days for exam in exams)
    wrong = {key: said for exam in exams for key, said in exam.wrong.items()}
    by = Counter(said.split()[0] for said in wrong.values())
    asked = sum((exam.asked for exam in exams), Counter())
    tell(
        capsys, f"{len(exams)} seeds, {sum(e.looks for e in exams)} looks on {unit_days} unit-days"
    )
    tell(capsys, f"wrong by severity: {dict(by)}; found as planted: {dict(asked)}")
    tell(capsys, f"wrong: {list(wrong.items())[:12]}")
    most = {s: f"{1e5 * upper(by[s], unit_days):.1f}" for s in ("act_now", "same_day", "note")}
    tell(capsys, f"wrong per 100,000 unit-days, 95 % upper bound: {most}")
    for severity in ("act_now", "no_word", "same_day", "next_visit", "note"):
        at_most = BUDGET.get(severity, REST) * unit_days
        some = [item for item in wrong.items() if item[1].startswith(severity)][:5]
        assert by[severity] <= at_most, (
            f"{by[severity]} wrong {severity}, at most {at_most:.1f}: {some}"
        )


@pytest.fixture(scope="module")
def curves() -> dict[str, dict[float, float]]:
    asked = [
        (kind, size, seed) for seed in range(1, SEEDS + 1) for kind in LIMITS for size in SIZES
    ]
    answers = in_processes(found_at, *zip(*asked, strict=True))
    share: dict[str, dict[float, list[bool]]] = {kind: {s: [] for s in SIZES} for kind in LIMITS}
    for (kind, size, _), answer in zip(asked, answers, strict=True):
        if answer is not None:
            share[kind][size].append(answer)
    return {
        kind: {size: float(np.mean(found)) if found else float("nan") for size, found in by.items()}
        for kind, by in share.items()
    }


@pytest.mark.long
@pytest.mark.timeout(1800)
def test_graded_faults_are_all_found_from_twice_their_limit_on(
    curves: dict[str, dict[float, float]], capsys: pytest.CaptureFixture[str]
) -> None:
    lines = [f"{'share found at':<28}" + "".join(f"{size:>8g} x" for size in SIZES)]
    for kind, by in curves.items():
        lines.append(f"{kind:<28}" + "".join(f"{by[size]:>10.2f}" for size in SIZES))
    tell(capsys, "\n".join(lines))
    low = {kind: by for kind, by in curves.items() if not (by[2.0] == 1.0 and by[4.0] == 1.0)}
    assert not low
    early = {kind: by[0.5] for kind, by in curves.items() if by[0.5] > 0.25}
    assert not early, "found at half its limit: the limit stated is too high"


def test_the_truth_file_states_the_limit_of_every_graded_fault() -> None:
    from demo_fleet.planted.graded import GRADED

    assert set(GRADED) == set(LIMITS)
    for limit in GRADED.values():
        assert limit.size > 0
        assert limit.samples > 0
        assert limit.days > 0


@pytest.mark.long
@pytest.mark.parametrize("n", [1, 12, 13, 15, 34])
def test_shuffled_snow_through_the_real_store_gives_the_days_of_memory(
    tmp_path: Path, n: int
) -> None:
    """Forty days of a set in any order, in batches, many rows twice."""
    fleet, casts = cast_of(2)
    c, inputs = casts[n], papers_of(fleet, casts)[casts[n].s.place.unit]
    first = fleet.origin // DAY_S * DAY_S - 40 * DAY_S
    got = heard(c, inputs, first, fleet.origin)
    clean = days_of(c, inputs, got, first, fleet.origin)
    house = _house(tmp_path, fleet, casts)
    device = c.s.place.device
    readings = [
        Reading(device, int(t), {name: float(v[k]) for name, v in got.values.items()})
        for k, t in enumerate(got.t)
    ]
    readings += [Reading(device, e.at, dict(e.values)) for e in got.events if e.values]
    pieces: list[Any] = [*readings, *got.events]
    rnd = random.Random(n)
    rnd.shuffle(pieces)
    habit = c.s.habit if c.s.declared and not c.learned else None
    size = len(pieces) // 12 + 1
    for begin in range(0, len(pieces), size):
        part = pieces[begin : begin + size] + rnd.sample(pieces[:begin], min(begin, 40))
        house.hear(
            [p for p in part if isinstance(p, Reading)],
            [p for p in part if not isinstance(p, Reading)],
            fleet.origin,
            habit,
        )
        if rnd.random() < 0.4:
            house.turn(fleet.origin)
    house.turn(fleet.origin)
    stored = [decode(row.doc) for row in unscoped.days(house.registry, c.s.place.unit, 0, 40_000)]
    house.store.close()
    house.registry.close()
    assert [d.day for d in stored] == [d.day for d in clean]
    assert stored == clean


def _house(folder: Path, fleet: Fleet, casts: list[Cast]) -> House:
    registry = open_registry(f"sqlite:///{folder / 'registry.db'}")
    rows = papers.register_rows(fleet)
    for c, row in zip(casts, rows, strict=True):
        row["habit"] = "" if c.learned else row.get("habit", "")
    (folder / "units.csv").write_text(papers.as_csv(papers.REGISTER_COLUMNS, rows))
    (folder / "records.csv").write_text(
        papers.as_csv(papers.RECORD_COLUMNS, papers.record_rows(fleet))
    )
    assert import_units(registry, folder / "units.csv", fleet.origin, "office").ok
    assert import_records(registry, folder / "records.csv", fleet.origin, "office").ok
    return House(registry, EmbeddedStore(folder / "store.db", writing=True))

"""Plans: everything planned or with its one reason, and the thirteen troubles of routing engines."""

from __future__ import annotations

import sys
from collections import Counter
from typing import Any

import msgspec
import pytest
from round_answers import explain
from round_cases import (
    BEGIN,
    DAY_S,
    HOUR_S,
    QUICK,
    at,
    changed,
    job,
    kinds,
    planned,
    reason,
    request,
    site,
    technician,
    where,
)
from rounds.instances import plan_by_hand

from scheduler.rounds import (
    Economics,
    Estimate,
    Limits,
    Pin,
    PlanRequest,
    RequestFault,
    RoundPlan,
    Shift,
    Skill,
    fingerprint,
    judge,
    pins_of,
    plan,
    weekly,
)
from scheduler.rounds.engine import search
from scheduler.rounds.money import UNIT
from scheduler.rounds.planning import network_of
from scheduler.rounds.problem import MOST_WORTH, problem
from scheduler.rounds.value import Terms
from scheduler.rounds.worker import MAX_PENALTY

pytest_plugins = ["round_area"]


IMPOSSIBLE: dict[str, tuple[str, dict[str, Any]]] = {
    "later": ("not_yet_useful", {"earliest": BEGIN + 30 * DAY_S, "due": BEGIN + 60 * DAY_S}),
    "parts": ("parts", {"parts_ready": BEGIN + 20 * DAY_S}),
    "unknown-parts": ("parts", {"parts_ready": None}),
    "skill": ("no_skill", {"skills": frozenset({"diving"})}),
    "far": ("unreachable", {"site": "FAR"}),
    "shut": ("no_window", {"site": "SHUT"}),
    "long": ("unreachable", {"duration_s": 10 * HOUR_S}),
    "two": ("needs_two", {"people": 2}),
    "stop": ("on_stop", {"on_stop": True}),
    "early": ("not_worth_it", {"due": BEGIN + 300 * DAY_S}),
}


def impossible() -> PlanRequest:
    places = [site(f"S{n}", 4 + 3 * n, n % 5) for n in range(8)]
    places += [
        site("FAR", 0, 230),
        site("SHUT", 9, hours=weekly({5: [("08:00", "12:00")]}, "2026-05-04", 7, "Europe/Berlin")),
    ]
    jobs = [job(f"J{n}", f"S{n}") for n in range(8)]
    for name, (_, more) in IMPOSSIBLE.items():
        jobs.append(
            job(
                name,
                **{"place": "S1", **{("place" if k == "site" else k): v for k, v in more.items()}},
            )
        )
    return request(places, jobs, limits=QUICK)


def test_six_impossible_jobs_do_not_empty_the_plan_and_each_has_its_own_reason() -> None:
    """Troubles 1 and 4: every job is planned or has exactly one reason; one bad job sinks nothing."""
    asked = impossible()
    made = planned(asked)
    assert {name: reason(made, name) for name in IMPOSSIBLE} == {
        name: want for name, (want, _) in IMPOSSIBLE.items()
    }
    assert {name for r in made.rounds for name in r.jobs} == {f"J{n}" for n in range(8)}
    dates = {u.job: u.earliest for u in made.unplanned}
    assert (dates["later"], dates["parts"]) == ("2026-06-03", "2026-05-24")
    assert dates["skill"] is dates["two"] is None
    assert explain(made, asked) == made.unplanned


def test_a_customer_on_stop_still_gets_what_life_depends_on() -> None:
    made = planned(request([site("A")], [job("A", on_stop=True, safety=True)]))
    assert where(made, "A") is not None


def test_nothing_that_pays_is_left_out(made: RoundPlan, area: PlanRequest) -> None:
    """Trouble 2: after repair no reason is SEARCH_LIMIT, and nothing open fits and gains."""
    assert "search_limit" not in {u.reason.value for u in made.unplanned}
    poor = planned(changed(area, limits=Limits(iterations=1)))
    assert "search_limit" not in {u.reason.value for u in poor.unplanned}
    assert kinds(plan_by_hand(area), area) == []
    without = changed(made, rounds=made.rounds[1:])
    missed = {u.job for u in explain(without, area) if u.reason.value == "search_limit"}
    assert missed & set(made.rounds[0].jobs), "a gap somebody made is seen"


def test_optional_windows_do_not_end_infeasible() -> None:
    """Trouble 3: groups of three windows; the engine's own answer is a plan that keeps them."""
    hours = weekly(
        {d: [("08:00", "09:00"), ("12:00", "13:00"), ("15:00", "15:50")] for d in range(5)},
        "2026-05-04",
        7,
        "Europe/Berlin",
    )
    sites = [site(f"S{n}", 5 + n, n, hours=hours) for n in range(6)]
    jobs = [job(f"J{n}", f"S{n}", duration_s=2400, safety=n < 3) for n in range(6)]
    asked = request(sites, jobs)
    network = network_of(Terms(asked), Estimate(), [j.id for j in jobs])
    found = search(network, problem(network, [j.id for j in jobs], {}, ("T0",)), QUICK)
    assert found.routes
    assert sum(len(names) for names in found.routes.values()) == 6
    assert len({n for names in found.routes.values() for n in names}) == 6
    planned(changed(asked, limits=QUICK))


def test_no_prize_is_above_what_a_minute_late_costs(area: PlanRequest) -> None:
    """Trouble 3 and 5: a prize beyond max_penalty x 60 s would make a late plan look better."""
    assert MOST_WORTH < MAX_PENALTY * 60
    first = area.jobs[0]
    pins = (Pin(job=first.id, level="frozen", technician="T0", day=area.first_day, start=0),)
    network = network_of(Terms(changed(area, pins=pins)), Estimate(), [j.id for j in area.jobs])
    clients = problem(network, [j.id for j in area.jobs], {}, tuple(network.base)).clients
    assert max(c.prize for c in clients) <= MOST_WORTH


def test_a_lone_due_job_is_worth_its_way() -> None:
    """Trouble 5: values are money; a plain due job far away pays for its round trip, by much."""
    made = planned(request([site("A", 90)], [job("A")]))
    assert where(made, "A") is not None
    # due on the fifth day of seven: two late days are spared, and its own way is below 400
    assert made.metrics.value == pytest.approx(made.metrics.cost + 300 + 3 * 20 - made.metrics.cost)
    assert made.metrics.cost > 100


def test_nobody_works_without_the_skill() -> None:
    """Trouble 6: skills as profiles; a skill that ends on Tuesday is used by then or not at all."""
    able = changed(technician("T1"), skills=(Skill("high-voltage", "2026-05-05"),))
    sites = [site(f"S{n}", 5 + 4 * n, 3 * n) for n in range(8)]
    jobs = [
        job(
            f"J{n}",
            f"S{n}",
            duration_s=2 * HOUR_S,
            skills=frozenset({"high-voltage"} if n % 2 else ()),
        )
        for n in range(8)
    ]
    made = planned(request(sites, jobs, [technician("T0"), able], limits=QUICK))
    for n in range(1, 8, 2):
        spot = where(made, f"J{n}")
        assert spot is not None
        assert spot[0] == "T1"
        assert spot[1] <= "2026-05-05"


def test_every_long_round_has_lunch(made: RoundPlan) -> None:
    """Trouble 7."""
    long = [r for r in made.rounds if r.back - r.depart > 6 * HOUR_S]
    assert long
    assert all(r.lunch is not None and r.lunch.end - r.lunch.start == 1800 for r in long)


def test_one_more_job_moves_few_and_a_frozen_one_never(made: RoundPlan, area: PlanRequest) -> None:
    """Trouble 8: told half-days stay; frozen rounds stay to the second."""
    day = made.rounds[0].day
    frozen = pins_of(made, "frozen", [day])
    told = tuple(p for p in pins_of(made, "told") if p.day != day)
    extra = job("extra", area.sites[5].id, due=area.jobs[0].due, safety=True)
    asked = changed(area, jobs=(*area.jobs, extra), pins=(*frozen, *told), previous=made)
    again = planned(asked)
    assert {p.job: where(again, p.job) for p in frozen} == {
        p.job: (p.technician, p.day, p.start) for p in frozen
    }
    assert where(again, "extra") is not None
    assert len(again.changes.disturbed) <= max(1, len(told) // 8)


def test_the_same_seed_and_iterations_give_the_same_plan(
    made: RoundPlan, area: PlanRequest
) -> None:
    """Trouble 9."""
    assert planned(area) == made


def test_with_no_news_the_plan_in_force_comes_back_unsolved(
    made: RoundPlan, area: PlanRequest
) -> None:
    """Trouble 9: the same fingerprint; telling people about a plan is no news, a new job is."""

    def cancel() -> bool:
        raise AssertionError("nothing may be solved")

    told = changed(area, previous=made, pins=pins_of(made, "told"), now=area.now)
    assert made.fingerprint == fingerprint(told)
    assert plan(told, cancel=cancel) is made
    shuffled = changed(told, jobs=tuple(reversed(area.jobs)), sites=tuple(reversed(area.sites)))
    assert plan(shuffled, cancel=cancel) is made
    more = changed(told, jobs=(*area.jobs, job("new", area.sites[0].id)))
    for other in (
        more,
        changed(told, first_day="2026-03-24"),
        changed(told, technicians=area.technicians[1:]),
        changed(told, pins=(changed(told.pins[0], level="frozen", start=1), *told.pins[1:])),
    ):
        assert fingerprint(other) != made.fingerprint


def test_a_plan_searched_again_without_news_stays_as_it_is(
    made: RoundPlan, area: PlanRequest
) -> None:
    again = planned(
        changed(area, previous=changed(made, fingerprint=""), pins=pins_of(made, "told"))
    )
    assert again.changes.disturbed == ()


def worker(text: str) -> tuple[str, ...]:
    return (sys.executable, "-c", text)


TELLS_ONCE = """
import pickle, struct, sys, time
sys.stdin.buffer.read(struct.unpack("<Q", sys.stdin.buffer.read(8))[0])
packed = pickle.dumps({"routes": [(0, [0])], "worth": 1, "seconds": 0.0})
sys.stdout.buffer.write(struct.pack("<Q", len(packed)) + packed)
sys.stdout.buffer.flush()
"""


@pytest.mark.parametrize(
    ("ends", "word"), [("time.sleep(60)", "watchdog"), ("sys.exit(3)", "worker fell")]
)
def test_a_worker_that_hangs_or_falls_leaves_its_last_plan(
    ends: str, word: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Trouble 10: ended at twice its time, last incumbent kept."""
    monkeypatch.setattr("scheduler.rounds.engine.GRACE_S", 1.5)
    asked = request([site("A")], [job("A")])
    network = network_of(Terms(asked), Estimate(), ["A"])
    found = search(
        network,
        problem(network, ["A"], {}, ("T0",)),
        Limits(seconds=0.5),
        command=worker(TELLS_ONCE + ends),
    )
    assert found.stopped == word
    assert found.routes == {("T0", "2026-05-04"): ("A",)}


def test_a_search_is_cancelled_at_once_and_tells_how_far_it_is(area: PlanRequest) -> None:
    told: list[float] = []
    made = planned(
        changed(area, limits=Limits(seconds=60)),
        progress=lambda p: told.append(p.worth),
        cancel=lambda: len(told) > 1,
    )
    assert made.engine == "pyvrp 0.14.1, cancelled"
    assert told[-1] >= told[0]


def test_a_worker_without_memory_leaves_the_by_hand_plan_repaired(area: PlanRequest) -> None:
    """Trouble 11: the bound holds; the plan does not depend on the worker."""
    made = planned(changed(area, limits=Limits(iterations=10, memory_mb=40)))
    assert "worker fell" in made.engine
    assert made.metrics.by_hand_value is not None
    assert made.metrics.value >= made.metrics.by_hand_value


def test_profiles_are_no_more_than_distinct_skill_sets() -> None:
    """Trouble 11: technicians who see every place alike share their matrices."""
    people = [technician(f"T{n}", skills=("a",) if n < 4 else ("a", "b")) for n in range(8)]
    jobs = [job("A"), job("B", "A", skills=frozenset({"b"}))]
    asked = request([site("A")], jobs, people)
    network = network_of(Terms(asked), Estimate(), ["A", "B"])
    assert len(problem(network, ["A", "B"], {}, tuple(network.base)).profiles) == 2


def test_late_work_comes_as_early_as_it_can() -> None:
    """Trouble 12: worth falls by the day, so at equal travel the first day is taken."""
    late = [job(f"J{n}", "A", due=at(-3, 12), duration_s=2 * HOUR_S) for n in range(4)]
    made = planned(request([site("A", 10)], late, limits=QUICK))
    days = Counter(spot[1] for n in range(4) if (spot := where(made, f"J{n}")))
    assert set(days) <= {"2026-05-04", "2026-05-05"}
    assert days["2026-05-04"] >= 2


def test_two_people_are_refused_and_hours_are_reported_for_each_technician(made: RoundPlan) -> None:
    """Trouble 13."""
    two = planned(request([site("A")], [job("A", people=2)]))
    assert "appointment" in two.unplanned[0].detail
    for hours in made.metrics.technicians:
        assert 0 < hours.work_h + hours.travel_h < hours.shift_h
    assert sum(h.days for h in made.metrics.technicians) == len(made.rounds)


def test_full_days_name_what_stands_in_the_way_and_the_first_week_with_room() -> None:
    """Five days hold ten jobs of three hours; two more find no room, but the week after does."""
    sites = [site(f"S{n}", 10 + n) for n in range(12)]
    jobs = [job(f"J{n}", f"S{n}", duration_s=3 * HOUR_S, due=at(5, 23)) for n in range(12)]
    person = technician("T0", days=12)
    made = planned(request(sites, jobs, [person], limits=QUICK))
    assert sum(len(r.jobs) for r in made.rounds) == 10
    for left in made.unplanned:
        assert left.reason.value == "no_capacity"
        assert len(left.blocking) == 3
        assert left.earliest == "2026-05-11"
    (week,) = made.load
    assert week.monday == "2026-05-11"
    assert set(week.jobs) == {u.job for u in made.unplanned}
    assert week.needed_h < week.shift_h == 5 * 7.5


def test_a_site_with_its_coordinates_swapped_is_asked_about(shared: object) -> None:
    """Field case 34: depot 38.05, 46.36; site entered 46.30, 38.07."""
    person = changed(technician(), lat=38.05, lon=46.36)
    place = changed(site("A"), lat=46.30, lon=38.07)
    made = planned(request([place], [job("A")], [person]))
    (question,) = made.questions
    assert (question.kind, question.site) == ("swapped", "A")
    assert question.km is not None
    assert question.km > 900
    assert reason(made, "A") == "unreachable"
    assert "look swapped" in made.unplanned[0].detail
    right = planned(request([changed(place, lat=38.07, lon=46.30)], [job("A")], [person]))
    assert right.questions == ()
    assert where(right, "A") is not None
    far = planned(request([site("A", 0, 300)], [job("A")]))
    assert far.questions[0].kind == "too_far"
    nowhere = planned(request([changed(place, lat=None)], [job("A")], [person]))
    assert nowhere.questions[0].kind == "no_place"


def test_a_promised_half_day_is_kept_and_the_same_technician_comes_again() -> None:
    from scheduler.rounds import half_day, half_of

    promise = half_day("2026-05-06", "afternoon", "Europe/Berlin")
    jobs = [job("A", promises=(promise,)), job("B", technician="T1", duration_s=1800)]
    people = [technician("T0"), technician("T1")]
    made = planned(request([site("A", 6), site("B", -6)], jobs, people, limits=QUICK))
    spot, same = where(made, "A"), where(made, "B")
    assert spot is not None
    assert half_of(spot[2], "Europe/Berlin") == ("2026-05-06", "afternoon")
    assert same is not None
    assert same[0] == "T1"


def test_an_errand_needs_no_set_and_a_call_comes_before_some_drives() -> None:
    errand = job("filters", "STORE", duration_s=1200, due=at(1, 12))
    silent = job("A", call_first=True)
    made = planned(request([site("STORE", 3, access_s=0), site("A", 4)], [errand, silent]))
    stops = {stop.site: stop for r in made.rounds for stop in r.stops}
    assert stops["STORE"].jobs == ("filters",)
    assert stops["A"].call_first == ("A",)


def test_work_in_the_neighbourhood_is_pulled_forward_when_it_saves_a_trip() -> None:
    """Due in three weeks at the site one is at anyhow: done now; due in half a year: not."""
    soon = job("soon", "A", due=at(25, 12), duration_s=1800)
    later = job("later", "A", due=at(170, 12), duration_s=1800)
    made = planned(request([site("A", 50), site("B", 52)], [job("A"), soon, later], limits=QUICK))
    assert where(made, "soon") is not None
    (stop,) = [stop for r in made.rounds for stop in r.stops]
    assert stop.pulled_forward == ("soon",)
    assert reason(made, "later") == "not_worth_it"


def test_the_planner_is_never_worse_than_by_hand(made: RoundPlan, area: PlanRequest) -> None:
    hand = plan_by_hand(area)
    assert judge(made, area) == msgspec.structs.replace(
        made.metrics,
        by_hand_value=None,
        by_hand_km=None,
        by_hand_jobs=None,
        by_hand_due_done=None,
        by_hand_safety_open=None,
        same_by_hand_km=None,
    )
    assert made.metrics.by_hand_value == judge(hand, area).value
    assert made.metrics.value > judge(hand, area).value


def test_a_technician_in_the_field_goes_on_from_there() -> None:
    person = technician("T0", days=1)
    shift: Shift = changed(person.shifts[0], start=at(0, 11), start_site="OUT", lunch_s=0)
    asked = request(
        [site("OUT", 30), site("A", 33)],
        [job("A")],
        [changed(person, shifts=(shift,))],
        now=at(0, 11),
    )
    made = planned(asked)
    (r,) = made.rounds
    assert r.depart == at(0, 11)
    assert r.stops[0].metres < 5000 < r.metres


@pytest.mark.parametrize(
    ("wrong", "word"),
    [
        ({"days": 0}, "1 to 42"),
        ({"jobs": (job("A"), job("A"))}, "two of job A"),
        ({"jobs": (job("A", "NOWHERE"),)}, "NOWHERE"),
        ({"jobs": (job("A", duration_s=0),)}, "duration"),
        ({"jobs": (job("A", test_s=9999),)}, "runs the engine longer"),
        (
            {
                "technicians": (
                    changed(technician(), shifts=(Shift(day="2026-05-04", start=9, end=9),)),
                )
            },
            "ends first",
        ),
    ],
)
def test_a_request_that_means_nothing_is_refused_with_a_sentence(wrong: dict, word: str) -> None:  # type: ignore[type-arg]
    with pytest.raises(RequestFault, match=word):
        plan(changed(request([site("A")], [job("A")]), **wrong))


def test_nothing_to_do_and_nobody_to_do_it() -> None:
    assert planned(request([], [])).rounds == ()
    made = planned(changed(request([site("A")], [job("A")]), technicians=()))
    assert reason(made, "A") == "no_window"


def test_plans_survive_being_written_down(made: RoundPlan, area: PlanRequest) -> None:
    assert msgspec.json.decode(msgspec.json.encode(made), type=RoundPlan) == made
    assert msgspec.json.decode(msgspec.json.encode(area), type=PlanRequest) == area


def test_the_worth_of_a_day_is_in_currency(made: RoundPlan) -> None:
    assert UNIT == 10_000
    assert Economics().due == 400
    assert made.metrics.cost == pytest.approx(
        0.4 * made.metrics.km
        + 36 * (made.metrics.travel_h + made.metrics.wait_h + made.metrics.stops / 6),
        rel=0.01,
    )

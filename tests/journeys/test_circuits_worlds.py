"""Sets of every system on alternators of our own: no healthy one accused, no sick one ready."""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
import pytest
from alternators import LEGS, Fault, Made
from circuit_worlds import DANGERS, MADES, WAYS, WEEK, World
from found import facts_as

from fleet import words
from fleet.findings.supply import LegOut
from fleet.model import Record

TO_NEUTRAL = [
    m for m in MADES if "ac_l1_v" in m.sent and not m.idle_down and not m.name.startswith("corner")
]
OFTEN = [way for way in WAYS if way.each < 900]
DOUBTED = ("leg_out", "volts_not_seen")
NOT_READY = ("not_ready", "doubtful")


def a_set(rng: np.random.Generator, **more: Any) -> tuple[World, str]:
    """A set that has run healthily three times, and the leg that is to fail."""
    made, way = TO_NEUTRAL[rng.integers(len(TO_NEUTRAL))], OFTEN[rng.integers(len(OFTEN))]
    leg = str(rng.choice([one for one in made.sent if one in LEGS]))
    if more.get("signal") == "that leg":
        more["signal"] = leg
    world = World(int(rng.integers(1_000_000_000)), made, way, **more)
    for _ in range(3):
        world.week()
    return world, leg


@pytest.mark.parametrize("part", range(4))
def test_no_healthy_set_is_accused(part: int) -> None:
    """Every system and way of reporting, uneven load, motors that start, loads let go: of some
    thousand runs none is told to have a dead leg, an open neutral or too many volts."""
    runs, accused, why = 0, Counter[str](), Counter[str]()
    for i, made in enumerate(MADES):
        for j, way in enumerate(WAYS):
            if (i + j) % 12 != part:
                continue
            world = World(1000 * i + j, made, way)
            for _ in range(4):
                world.week()
                runs += 1
            accused.update(f"{kind} {made.name} {way.name}" for kind in world.kinds())
            why[world.state()[1]] += 1
    assert runs >= 300
    assert not accused
    assert why.keys() <= {"proven", "exercise_missed", "voltage_out", *DOUBTED}, why
    assert sum(why[one] for one in DOUBTED) <= 0.01 * runs, why


@pytest.mark.parametrize("part", range(2))
def test_no_healthy_declared_set_is_accused_or_asked(part: int) -> None:
    """The same sets, their systems written down."""
    why = Counter[str]()
    for i, made in enumerate(MADES):
        way = WAYS[(i + part) % len(WAYS)]
        if (i + part) % 2:
            continue
        world = World(7000 + i, made, way, declared=True)
        for _ in range(3):
            world.week()
        assert not world.kinds(), (made.name, way.name)
        linked = world.look().supply.connection
        assert linked is not None
        assert linked.declared
        why[world.state()[1]] += 1
    assert why.keys() <= {"proven", "exercise_missed", "voltage_out", *DOUBTED}, why


@pytest.mark.long
def test_no_healthy_set_is_accused_in_thousands_of_runs() -> None:
    told, runs, doubted = Counter[str](), 0, 0
    for seed in range(1500):
        rng = np.random.default_rng(seed)
        world = World(seed, MADES[rng.integers(len(MADES))], WAYS[rng.integers(len(WAYS))])
        for _ in range(4):
            world.week()
            runs += 1
            told.update(list(world.kinds()))
        doubted += world.state()[1] == "leg_out"
    assert runs == 6000
    assert sum(told.values()) <= 2, told
    assert doubted <= 15


def sick(rng: np.random.Generator, made: Made, way_each: int) -> Fault:
    """A fault that at least some readings of the newest run show."""
    own = made.circuits()
    begins = float(rng.choice([0, 600])) if way_each < 900 else 0.0
    live = [name for name in made.sent if own[name] > 10]
    kinds = ["lead", "leg", "wild"]
    if "ac_l1_v" in made.sent and not made.name.startswith(("high", "corner")):
        kinds += ["neutral"] if made.inverter else ["neutral", "winding"]
    kind = str(rng.choice(kinds))
    if kind == "lead":
        return Fault("lead", str(rng.choice(live)), float(rng.choice([0, 0.05, 0.3])), begins)
    if kind == "leg":
        return Fault("leg", str(rng.choice(live)), float(rng.choice([1.3, 1.5])), begins)
    if kind == "wild":
        return Fault("wild", 0, float(rng.choice([0.3, 0.45])), begins)
    where = int(rng.integers(len(made.emf)))
    return Fault(kind, where, float(rng.choice([0, 0.3])), begins)


@pytest.mark.parametrize("declared", [False, True])
@pytest.mark.parametrize("part", range(4))
def test_no_sick_set_is_ready(part: int, declared: bool) -> None:
    """A winding, a sense lead or the neutral open, a leg or all of them wild, from the beginning of
    the newest run or from the middle of it; or ever since it came."""
    rng = np.random.default_rng(part)
    mades = [made for made in MADES if not made.idle_down]
    for _ in range(75):
        made, way = mades[rng.integers(len(mades))], WAYS[rng.integers(len(WAYS))]
        fault = sick(rng, made, way.each)
        world = World(int(rng.integers(1_000_000_000)), made, way, declared=declared)
        ever = rng.random() < 0.2
        for _ in range(3):
            world.week(fault if ever else None)
        world.week(fault)
        assert world.state()[0] in NOT_READY, (made.name, way.name, fault, ever)


def test_a_circuit_that_was_dead_and_is_sent_no_more_stays_dead() -> None:
    """The other circuits' good minutes do not end it; a visit and a good run do."""
    for seed in range(12):
        world, leg = a_set(np.random.default_rng(seed))
        world.week(Fault("lead", leg, 0.0, 300))
        for _ in range(5):
            world.week(drop=[leg])
            assert world.state() == ("not_ready", "leg_out"), (world.made.name, world.way.name)
        said = [f for f in world.look().findings if f.kind == "leg_out"]
        assert facts_as(said[0], LegOut).channel == leg
        text = words.sentence(said[0], "Europe/Madrid", world.look().at)
        assert text.cautions
        assert "None" not in text.seen
        at = world.at - WEEK + 5 * 3600
        world.records = (Record(id="v", at=at, by="Bo", unit="U", kind="visit", facts={}),)
        world.week()
        assert world.state() == ("ready", "proven")


def test_a_circuit_that_was_healthy_and_is_sent_no_more_vouches_for_nothing() -> None:
    for seed in range(8):
        world, leg = a_set(np.random.default_rng(seed))
        for _ in range(6):
            world.week(drop=[leg])
            assert world.state() == ("doubtful", "volts_not_seen"), world.made.name


def test_nor_does_one_that_is_sent_no_more_from_the_middle_of_a_run() -> None:
    """A device that sends nothing where it reads nothing."""
    for seed in range(8):
        world, leg = a_set(np.random.default_rng(seed))
        if world.way.step or world.way.each > 60:
            continue
        world.week(vanish=(leg, 500))
        assert world.state() == ("doubtful", "volts_not_seen"), world.made.name
        assert not DANGERS & world.kinds().keys()


@pytest.mark.parametrize("signal", ["that leg", "charge_v", "frequency_hz"])
def test_whatever_tells_that_it_runs(signal: str) -> None:
    """Where it is that very leg no run is seen: the others are alive, and that is told."""
    for seed in range(8):
        world, leg = a_set(np.random.default_rng(seed), signal=signal)
        assert world.state()[0] == "ready"
        world.week(Fault("winding", LEGS.index(leg), 0.0))
        assert world.state()[0] == "not_ready"
        assert world.kinds().get("leg_out") == "act_now", (world.made.name, world.way.name)


@pytest.mark.parametrize("every", [120, 200, 600])
def test_a_leg_that_comes_and_goes_is_not_ready(every: int) -> None:
    for seed in range(8):
        rng = np.random.default_rng(seed)
        world, leg = a_set(rng)
        if every % world.way.each == 0 and world.way.each >= every:
            continue
        world.week(Fault("lead", leg, 0.0, every=every))
        assert world.state()[0] in NOT_READY, (world.made.name, world.way.name)
        world.week()
        assert world.state()[1] in ("proven", "voltage_out")


def test_over_midnight_each_circuit_counts() -> None:
    for seed in range(8):
        rng = np.random.default_rng(seed)
        world, leg = a_set(rng, hour=14.84)
        assert world.state()[1] != "leg_out"
        world.week(Fault("lead", leg, 0.0, float(rng.choice([0, 300, 700]))))
        assert world.state()[0] in NOT_READY
        assert "leg_out" in (world.state()[1], *world.kinds())


def test_a_set_whose_phases_nobody_wrote_down_is_remembered_by_what_it_showed() -> None:
    for seed in range(8):
        world, leg = a_set(np.random.default_rng(seed), phases="1")
        for _ in range(6):
            world.week(Fault("winding", LEGS.index(leg), 0.0))
            assert world.state() == ("not_ready", "leg_out"), world.made.name


def of(name: str) -> Made:
    return next(made for made in MADES if made.name == name)


def test_an_open_neutral_is_no_high_leg() -> None:
    """277/480 V stand at 240, 416 and 240 V when equal loads on two phases share a line: as a delta
    with a high leg would. A set that has stood as a wye is none."""
    world = World(1, of("277/480 as 480 legs"), WAYS[0])
    for _ in range(3):
        world.week()
    assert world.days[-1].carry.supply.system == "line"
    for name, share in (("ac_l1_v", 240 / 277), ("ac_l2_v", 416 / 277), ("ac_l3_v", 240 / 277)):
        world.gains[name] = share
    world.week()
    assert world.state()[0] == "not_ready"
    assert world.kinds() == {"open_neutral": "act_now", "over_voltage": "act_now"}


def test_a_regulator_gone_far_up_is_no_other_nominal() -> None:
    """127/220 V at 1.5 times: nearer to 220 V to neutral than to 127, were nothing known of it."""
    world = World(1, of("127/220 as 220 legs"), WAYS[0])
    for _ in range(3):
        world.week()
    world.week(Fault("wild", size=0.5))
    assert world.state() == ("not_ready", "over_voltage")


def test_a_new_device_learns_the_set_anew() -> None:
    """Another board on inputs in another order: the high leg is where it is read."""
    world = World(1, of("high leg L1 of 240 legs"), WAYS[0])
    for _ in range(3):
        world.week()
    world.refit()
    world.made = of("high leg L3 of 240 legs")
    for _ in range(2):
        world.week()
    assert world.state() == ("ready", "proven")
    assert not world.kinds()

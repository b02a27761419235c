"""A declared system is judged as declared; one that nobody declared is inferred and asked about.

Systems, faults, cadences and missing channels are drawn: whichever circuit fails, on whichever lead it
is read, no set is ready on what the others say.
"""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np
import pytest
from circuit_weeks import WYE, kinds, state, unit_of, weeks
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from one_unit import HABIT

from fleet import wiring
from fleet.model import PHASES_OF, System, Unit
from scheduler.day import plate_of
from scheduler.rules import supply


def declared(
    system: System, nominal: float, line: float | None = None, senses: str = "", bus: str = ""
) -> Unit:
    return msgspec.structs.replace(
        unit_of(nominal, PHASES_OF[system]),
        system=system,
        line_v=line,
        senses=wiring.read_senses(senses) if senses else {},
        bus=bus,
    )


def scaled(by: float) -> dict[str, float]:
    return {name: volts * by for name, volts in WYE.items()}


LEGS = {"ac_l1_v": 120.0, "ac_l2_v": 120.0}
HIGH = {
    "ac_l1_v": 120.0,
    "ac_l2_v": 208.0,
    "ac_l3_v": 120.0,
    "ac_l12_v": 240.0,
    "ac_l23_v": 240.0,
    "ac_l31_v": 240.0,
}
DECLARED: dict[str, tuple[Unit, dict[str, float]]] = {
    "277/480 wye": (declared("wye", 480.0, 480.0), scaled(1.2)),
    "277/480 wye, ac_v to neutral": (
        declared("wye", 277.0, 480.0, "ac_v=l1_n"),
        scaled(1.2) | {"ac_v": 277.0},
    ),
    "347/600 wye": (declared("wye", 600.0, 600.0), scaled(1.5)),
    "400/690 wye": (declared("wye", 690.0, 690.0), scaled(1.725)),
    "127/220 wye": (declared("wye", 220.0, 220.0), scaled(0.55)),
    "139/240 wye": (declared("wye", 240.0, 240.0), scaled(0.6)),
    "220/380 wye, by its neutral": (declared("wye", 220.0, 380.0), scaled(0.9525)),
    "120/240 split": (declared("split", 240.0, 240.0), LEGS | {"ac_l12_v": 240.0}),
    "120/240 split, ac_v one leg": (
        declared("split", 120.0, 240.0, "ac_v=l1_n"),
        LEGS | {"ac_v": 120.0},
    ),
    "480 delta": (
        declared("delta", 480.0, 480.0),
        {"ac_l12_v": 480.0, "ac_l23_v": 480.0, "ac_l31_v": 480.0},
    ),
    "240 high leg": (declared("high_leg", 240.0, 240.0), HIGH),
    "480 corner": (
        declared("corner", 480.0, 480.0),
        {
            "ac_l1_v": 480.0,
            "ac_l2_v": 0.0,
            "ac_l3_v": 480.0,
            "ac_l12_v": 480.0,
            "ac_l23_v": 480.0,
            "ac_l31_v": 480.0,
        },
    ),
    "230 single": (declared("single", 230.0, 230.0), {"ac_v": 230.0, "ac_l1_v": 230.0}),
}


@pytest.mark.parametrize("name", DECLARED)
def test_a_healthy_declared_set_is_ready_and_is_asked_nothing(name: str) -> None:
    unit, volts = DECLARED[name]
    seen = weeks(unit, volts)
    assert state(seen) == ("ready", "proven"), kinds(seen)
    assert seen.supply.connection is not None
    assert seen.supply.connection.declared
    assert not seen.supply.connection.asked
    assert seen.supply.connection.system == unit.system


@settings(max_examples=50, deadline=None)
@given(
    name=st.sampled_from(sorted(DECLARED)),
    data=st.data(),
    each=st.sampled_from([30, 60, 240, 600]),
    begins=st.sampled_from([0.0, 0.4]),
    spread=st.sampled_from([0, 7]),
    share=st.one_of(st.floats(0, 0.7), st.floats(1.2, 1.8)),
)
def test_whichever_circuit_of_a_declared_set_fails_it_is_not_ready(
    name: str, data: st.DataObject, each: int, begins: float, spread: int, share: float
) -> None:
    """Also where its device has left some of the other circuits out."""
    unit, volts = DECLARED[name]
    circuit = data.draw(st.sampled_from(sorted(n for n, v in volts.items() if v)))
    others = sorted(volts.keys() - {circuit})
    read = {circuit: volts[circuit]} | {
        n: volts[n] for n in data.draw(st.lists(st.sampled_from(others), unique=True, min_size=1))
    }
    # what remains may fit another high or earthed leg where too little of the delta is read
    assume(unit.system not in ("high_leg", "corner") or len(read) >= 5)
    habit = msgspec.structs.replace(HABIT, running_s=each)
    last = {circuit: volts[circuit] * share}
    seen = weeks(unit, read, last=last, each=each, begins=begins, spread_s=spread, habit=habit)
    assert state(seen)[0] != "ready", (name, circuit, share, kinds(seen))


def test_a_declared_set_is_judged_as_declared_from_its_first_run() -> None:
    """A split-phase set of 240 V whose legs stand at 139 V: undeclared it may be a wye of 139/240 V."""
    low = {"ac_l1_v": 139.0, "ac_l2_v": 139.0}
    assert not kinds(weeks(unit_of(240.0, "3"), low))
    assert "over_voltage" in kinds(weeks(declared("split", 240.0, 240.0), low))


def test_a_delta_is_not_judged_to_earth() -> None:
    """What its lines stand at against earth is nobody's nominal."""
    lines = {"ac_l12_v": 480.0, "ac_l23_v": 480.0, "ac_l31_v": 480.0}
    floating = lines | {"ac_l1_v": 90.0, "ac_l2_v": 410.0, "ac_l3_v": 430.0}
    assert state(weeks(declared("delta", 480.0, 480.0), floating)) == ("ready", "proven")


SWAPPED = "ac_l1_v=l2_n ac_l2_v=l1_n"


def test_swapped_leads_are_judged_by_what_they_sense() -> None:
    """The high leg is L2, read on the lead of L1."""
    read = HIGH | {"ac_l1_v": 208.0, "ac_l2_v": 120.0}
    unit = declared("high_leg", 240.0, 240.0, SWAPPED)
    assert state(weeks(unit, read)) == ("ready", "proven")
    sick = weeks(unit, read, last={"ac_l1_v": 0.0})
    (found,) = [f for f in sick.findings if f.kind == "leg_out"]
    assert found.facts.channel == "ac_l2_v"  # type: ignore[union-attr]
    assert found.evidence.channels == ("ac_l1_v",), "under the channel that was read"


def test_a_lead_that_nobody_connected_is_no_dead_phase() -> None:
    volts = {"ac_l1_v": 231.0, "ac_l2_v": 231.0, "ac_l3_v": 0.0, "ac_l12_v": 400.0}
    unit = declared("wye", 400.0, 400.0, "ac_l3_v=none")
    seen = weeks(unit, volts)
    assert state(seen) == ("ready", "proven")
    assert seen.supply.connection is not None
    assert seen.supply.connection.unwatched == ("L3",)


def test_leads_swapped_and_not_declared_are_never_ready() -> None:
    """The lead of the neutral on L1: 231, 400 and 400 V to it."""
    seen = weeks(unit_of(400.0, "3"), WYE | {"ac_l2_v": 400.0, "ac_l3_v": 400.0})
    assert state(seen)[0] != "ready"
    seen = weeks(unit_of(400.0, "3"), WYE, last={"ac_l2_v": 400.0, "ac_l3_v": 400.0})
    assert state(seen)[0] != "ready"


FAULTS: dict[str, dict[str, float]] = {
    "a dead phase": {"ac_l3_v": 0.0, "ac_l23_v": 231.0, "ac_l31_v": 231.0},
    "an open neutral": {"ac_l1_v": 231.0, "ac_l2_v": 320.0, "ac_l3_v": 130.0},
    "a floating neutral": {"ac_l1_v": 5.0, "ac_l2_v": 398.0, "ac_l3_v": 399.0},
    "wild lines": {"ac_l23_v": 500.0, "ac_l31_v": 500.0},
    "a dead output over live legs": {"ac_v": 0.0},
    "a runaway": scaled(1.3) | {"ac_v": 520.0},
}


@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("by", [1.0, 1.2, 1.5, 1.725])
@pytest.mark.parametrize("says", ["declared", "phases", "nothing"])
def test_every_fault_at_every_voltage(fault: str, by: float, says: str) -> None:
    nominal = round(400.0 * by)
    volts = scaled(by) | {"ac_v": float(nominal)}
    last = {name: value * by for name, value in FAULTS[fault].items()}
    unit = declared("wye", nominal, nominal) if says == "declared" else unit_of(nominal, "3")
    if says == "nothing":
        unit = msgspec.structs.replace(unit, phases="1")
    assert state(weeks(unit, volts)) == ("ready", "proven")
    seen = weeks(unit, volts, last=last)
    assert state(seen)[0] == "not_ready", kinds(seen)
    assert "act_now" in kinds(seen).values()


@pytest.mark.parametrize(
    ("unit", "volts", "asked"),
    [
        (unit_of(480.0, "3"), scaled(1.2), ("wye", 480)),
        (unit_of(277.0, "3"), scaled(1.2), ("wye", 480)),
        (unit_of(480.0, "1"), scaled(1.2), ("wye", 480)),
        (unit_of(240.0, "split"), LEGS, ("split", 240)),
        (unit_of(240.0, "3"), HIGH, ("high_leg", 240)),
        (
            unit_of(480.0, "3"),
            {"ac_l12_v": 480.0, "ac_l23_v": 480.0, "ac_l31_v": 480.0},
            (None, 480),
        ),
    ],
)
def test_what_is_not_declared_is_inferred_and_asked(
    unit: Unit, volts: dict[str, float], asked: tuple[str | None, int]
) -> None:
    linked = weeks(unit, volts).supply.connection
    assert linked is not None
    assert linked.line_v is not None
    assert linked.asked
    assert (linked.system, round(linked.line_v)) == asked


def test_a_sick_set_is_asked_nothing() -> None:
    """What its circuits stand at fits no system: there is nothing to ask."""
    seen = weeks(unit_of(400.0, "3"), WYE | FAULTS["an open neutral"])
    assert seen.supply.connection is None or not seen.supply.connection.asked


@pytest.mark.parametrize(
    ("volts", "unwatched"),
    [
        ({"ac_v": 400.0}, ("L1", "L2", "L3", "the neutral")),
        ({"ac_l1_v": 231.0, "ac_l2_v": 231.0}, ("L3",)),
        ({"ac_l12_v": 400.0, "ac_l23_v": 400.0}, ("the neutral",)),
        (WYE, ()),
    ],
)
def test_what_no_lead_reads_is_said(volts: dict[str, float], unwatched: tuple[str, ...]) -> None:
    linked = weeks(declared("wye", 400.0, 400.0), volts).supply.connection
    assert linked is not None
    assert linked.unwatched == unwatched


def test_volts_of_a_bus_are_no_proof_and_no_danger() -> None:
    """Its leads are on the bus that another set feeds: they are live while it stands, and its own
    run gave volts only by the load it carried."""
    unit = declared("wye", 400.0, 400.0, bus="north")
    seen = weeks(unit, WYE, standing=WYE)
    assert "volts_standing" not in kinds(seen)
    assert state(seen)[0] != "ready"
    own = "ac_l1_v=l1_n ac_l2_v=l2_n ac_l3_v=l3_n ac_l12_v=l12 ac_l23_v=l23 ac_l31_v=l31"
    own_side = declared("wye", 400.0, 400.0, own, bus="north")
    assert kinds(weeks(own_side, WYE, standing=WYE))["volts_standing"] == "act_now"
    assert state(weeks(own_side, WYE)) == ("ready", "proven")
    assert state(weeks(unit, WYE | {"load_kw": 8.0}, standing=WYE))[0] == "ready"


def test_a_dead_phase_of_a_bus_is_one() -> None:
    unit = declared("wye", 400.0, 400.0, bus="north")
    seen = weeks(unit, WYE | {"load_kw": 8.0}, last={"ac_l3_v": 0.0})
    assert kinds(seen)["leg_out"] == "act_now"


@pytest.mark.parametrize("name", sorted(DECLARED))
def test_a_way_is_a_nominal_of_each_circuit(name: str) -> None:
    unit, volts = DECLARED[name]
    for variant in supply.variants_of(plate_of(unit)).values():
        assert all(np.isfinite(own) and own > 0 for own in variant.values())
    found: dict[str, Any] = supply.nominals(plate_of(unit), volts)
    for circuit, own in found.items():
        assert volts[circuit] == pytest.approx(own, rel=0.02)

"""How a set is declared to be connected: what leads sense, and declarations that contradict themselves.

The published values are the pairs of IEC 60038 (230/400, 400/690 V) and ANSI C84.1 (120/208, 277/480,
347/600 V), and the high leg of NFPA 70.
"""

from __future__ import annotations

import pytest

from fleet import wiring
from fleet.model import System
from fleet.wiring import Wiring, WiringFault


@pytest.mark.parametrize(
    ("system", "line", "circuit", "volts"),
    [
        ("wye", 208.0, "ac_l1_v", 120.1),
        ("wye", 400.0, "ac_l2_v", 230.9),
        ("wye", 480.0, "ac_l3_v", 277.1),
        ("wye", 600.0, "ac_l1_v", 346.4),
        ("wye", 690.0, "ac_l1_v", 398.4),
        ("wye", 220.0, "ac_l1_v", 127.0),
        ("wye", 240.0, "ac_l1_v", 138.6),
        ("split", 240.0, "ac_l2_v", 120.0),
        ("split", 240.0, "ac_l12_v", 240.0),
        ("delta", 480.0, "ac_l31_v", 480.0),
        ("single", 230.0, "ac_l1_v", 230.0),
    ],
)
def test_each_circuit_of_a_system(system: System, line: float, circuit: str, volts: float) -> None:
    (way,) = wiring.variants(system, line, line).values()
    assert way[circuit] == pytest.approx(volts, abs=0.05)


def test_a_delta_has_none_to_neutral_and_a_high_leg_is_one_of_three() -> None:
    (way,) = wiring.variants("delta", 480.0, 480.0).values()
    assert not way.keys() & set(wiring.TO_NEUTRAL)
    high = wiring.variants("high_leg", 240.0, 240.0)
    found = [round(way[n]) for way in high.values() for n in wiring.TO_NEUTRAL]
    assert (len(high), sorted(found)) == (3, [120] * 6 + [208] * 3)


def test_what_leads_sense_is_read_and_written_back() -> None:
    said = wiring.read_senses("AC_V=l12, ac_l1_v=L2_N; ac_l2_v=l1_n ac_l3_v=none mains_v=l1_n")
    assert said["ac_l1_v"] == "l2_n"
    assert wiring.read_senses(wiring.senses_text(said)) == said
    assert wiring.circuit_of("bus_l31") == "ac_l31_v"
    assert wiring.circuit_of("none") is None


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("battery_v=l12", "names 'battery_v'"),
        ("ac_v=l4_n", "says 'l4_n'"),
        ("ac_v=l12 ac_v=l23", "twice"),
        ("ac_v", "says ''"),
    ],
)
def test_what_leads_cannot_sense_is_refused(text: str, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        wiring.read_senses(text)


def declared(system: System, nominal: float, line: float | None = None, senses: str = "") -> Wiring:
    told = wiring.read_senses(senses) if senses else {}
    return Wiring(system=system, nominal_v=nominal, line_v=line, senses=told)


@pytest.mark.parametrize(
    "right",
    [
        declared("wye", 230.0, 400.0),
        declared("wye", 400.0, 400.0),
        declared("wye", 230.0, 400.0, "ac_v=l1_n"),
        declared("wye", 220.0, 380.0),
        declared("split", 120.0, 240.0, "ac_v=l1_n"),
        declared("high_leg", 240.0, 240.0),
        declared("high_leg", 120.0, 240.0),
        declared("wye", 220.0),
        declared("single", 230.0, 230.0),
        declared("wye", 480.0, 480.0, "ac_l1_v=l2_n ac_l2_v=l1_n"),
    ],
)
def test_what_agrees_with_itself_is_taken(right: Wiring) -> None:
    wiring.check(right)


@pytest.mark.parametrize(
    ("wrong", "column"),
    [
        (declared("wye", 230.0, 480.0), "line_v"),
        (declared("wye", 400.0, 400.0, "ac_v=l1_n"), "line_v"),
        (declared("split", 240.0, 240.0, "ac_l3_v=l3_n"), "senses"),
        (declared("delta", 480.0, 480.0, "ac_l1_v=l2_n"), "senses"),
        (declared("wye", 400.0, 400.0, "ac_l1_v=l2_n ac_l2_v=l2_n"), "senses"),
    ],
)
def test_what_contradicts_itself_is_refused(wrong: Wiring, column: str) -> None:
    with pytest.raises(WiringFault) as fault:
        wiring.check(wrong)
    assert fault.value.name == column


@pytest.mark.parametrize(
    ("system", "line", "said"),
    [
        ("wye", 480.0, "277/480 V wye"),
        ("wye", 400.0, "230/400 V wye"),
        ("wye", 600.0, "347/600 V wye"),
        ("wye", 240.0, "139/240 V wye"),
        ("split", 240.0, "120/240 V split phase"),
        ("delta", 480.0, "480 V delta without neutral"),
    ],
)
def test_a_system_in_the_trades_words(system: System, line: float, said: str) -> None:
    assert wiring.said(system, line) == said

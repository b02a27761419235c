"""What a set of its own nominal and rating can give: the rest is doubted, and no number is none.

A value that is no number passes no rule: with NaN or infinity among the readings of any channel, or in
what an event told, a day and its verdict are those of a day in which they were never sent.
"""

from __future__ import annotations

import math

import msgspec
import numpy as np
import pytest
from circuit_weeks import WYE, kinds, state, unit_of, weeks
from hypothesis import given, settings
from hypothesis import strategies as st
from one_unit import HABIT, T0, inputs

from fleet.channels import CHANNELS, NAMES
from fleet.model import DeviceEvent, Latest, Pulse, Series, Unit
from scheduler.assess import Assessment, assess, day_facts
from scheduler.day import Day, digest, encode, plate_of, span
from scheduler.rules import battery, mains, supply
from scheduler.rules.supply import Circuit

DAY = T0 // 86_400


@pytest.mark.parametrize(
    ("unit", "channel", "value", "believed"),
    [
        (unit_of(230.0, "1"), "ac_v", 610.0, True),
        (unit_of(480.0, "3"), "ac_l12_v", 620.0, True),
        (unit_of(690.0, "3"), "ac_l12_v", 1100.0, True),
        (unit_of(120.0, "split"), "ac_v", 999.0, False),
        (unit_of(230.0, "3"), "load_kw", 655.35, False),
        (unit_of(230.0, "3"), "load_kw", 25.0, True),
        (unit_of(230.0, "3"), "current_a", 6553.0, False),
        (unit_of(230.0, "3"), "current_a", 120.0, True),
        (msgspec.structs.replace(unit_of(230.0, "3"), rated_kw=None), "load_kw", 655.35, True),
        (msgspec.structs.replace(unit_of(230.0, "3"), rated_kw=None), "load_kw", 6553.5, False),
        (
            msgspec.structs.replace(unit_of(230.0, "1"), battery_nominal_v=48.0),
            "battery_v",
            58,
            True,
        ),
        (
            msgspec.structs.replace(unit_of(230.0, "1"), battery_nominal_v=36.0),
            "charge_v",
            44,
            True,
        ),
        (
            msgspec.structs.replace(unit_of(230.0, "1"), battery_nominal_v=48.0),
            "crank_min_v",
            34,
            True,
        ),
        (unit_of(230.0, "1"), "battery_v", 65.5, False),
        (unit_of(230.0, "1"), "battery_v", 1.2, False),
    ],
)
def test_what_is_believed_goes_by_the_sets_own_nominal_and_rating(
    unit: Unit, channel: str, value: float, believed: bool
) -> None:
    low, high = span(channel, plate_of(unit), unit.battery_nominal_v)
    assert (low <= value <= high) is believed


def test_load_of_another_scale_is_no_load() -> None:
    """655.35 kW on a set of 20 kW, in each report of every run: no peak, no energy, no proof."""
    unit = unit_of(400.0, "3")
    seen = weeks(unit, {"load_kw": 655.35})
    assert seen.summary.last_run is not None
    assert not seen.summary.last_run.peak_load_kw
    assert state(seen)[0] != "ready"
    seen = weeks(unit, {"load_kw": 15.0})
    assert seen.summary.last_run is not None
    assert seen.summary.last_run.peak_load_kw == 15.0


@pytest.mark.parametrize("nominal", [36.0, 48.0])
def test_a_battery_of_36_or_48_v_is_judged_by_its_own_scale(nominal: float) -> None:
    """Floated at 13.6 V per 12 V for four days, then never charged again."""
    by = nominal / 12.0
    t = np.arange(T0, T0 + 12 * 86_400, 900, dtype=np.int64)
    volts = np.where(t < T0 + 6 * 86_400, 13.6, 12.3) * by
    unit = msgspec.structs.replace(unit_of(400.0, "3"), battery_nominal_v=nominal, charger="float")
    seen = _followed(unit, {"battery_v": Series(t, volts), "in_auto": Series(t, np.ones(len(t)))})
    assert seen.battery.usual_high_v == pytest.approx(13.6 * by)
    assert "charger_fault" in {f.kind for f in seen.findings}
    well = _followed(
        unit,
        {
            "battery_v": Series(t, np.full(len(t), 13.6 * by)),
            "in_auto": Series(t, np.ones(len(t))),
        },
    )
    assert not {f.kind for f in well.findings} & {"charger_fault", "over_charge", "wrong_nominal"}


@pytest.mark.parametrize(
    ("registered", "fitted", "found"),
    [
        (24.0, 12.0, 12.0),
        (12.0, 24.0, 24.0),
        (12.0, 48.0, 48.0),
        (48.0, 36.0, 36.0),
        (36.0, 48.0, 48.0),
        (24.0, 24.0, None),
        (12.0, 12.0, None),
    ],
)
@pytest.mark.parametrize("per_12_v", [12.4, 13.6])
def test_a_battery_of_another_nominal_is_recognised(
    registered: float, fitted: float, found: float | None, per_12_v: float
) -> None:
    t = np.arange(T0, T0 + 9 * 86_400, 900, dtype=np.int64)
    unit = msgspec.structs.replace(unit_of(400.0, "3"), battery_nominal_v=registered)
    series = {"battery_v": Series(t, np.full(len(t), per_12_v * fitted / 12.0))}
    seen = _followed(unit, series)
    of = [f for f in seen.findings if f.kind == "wrong_nominal" and f.part == "battery"]
    assert [f.facts.runs_at for f in of] == ([] if found is None else [found])  # type: ignore[union-attr]
    if found is not None:
        about = {"charger_fault", "over_charge", "battery_weak", "battery_runs_down"}
        assert not {f.kind for f in seen.findings} & about, "it is judged by no wrong scale"


def test_a_cell_that_fails_is_no_other_nominal() -> None:
    """A battery of 24 V that falls to half after weeks at its own volts."""
    days = [26.8] * 10 + [13.0] * 3
    assert battery.other_nominal(days, 24.0) is None
    assert battery.other_nominal([13.0] * 3, 24.0) == 12.0


def _followed(unit: Unit, series: dict[str, Series]) -> Assessment:
    known = inputs(int(next(iter(series.values())).t[-1]), 230.0, unit)
    facts = day_facts(known, HABIT)
    days: list[Day] = []
    t = next(iter(series.values())).t
    for day in range(int(t[0]) // 86_400, int(t[-1]) // 86_400 + 1):
        mine = {
            n: Series(s.t[s.t // 86_400 == day], s.v[s.t // 86_400 == day])
            for n, s in series.items()
        }
        days.append(digest(facts, day, mine, (), days[-1].carry if days else None))
    pulse = Pulse(
        device="D",
        heard_at=int(t[-1]),
        newest_at=int(t[-1]),
        latest={n: Latest(int(s.t[-1]), float(s.v[-1])) for n, s in series.items()},
    )
    known = msgspec.structs.replace(known, pulses=(pulse,))
    return assess(known, days, int(t[-1]) + 60)


NO_NUMBERS = (math.nan, math.inf, -math.inf)


def _whole_day(rng: np.random.Generator) -> dict[str, Series]:
    """A day of every channel there is: a run in its middle."""
    t = np.arange(DAY * 86_400, (DAY + 1) * 86_400, 300, dtype=np.int64)
    on = (t % 86_400 >= 36_000) & (t % 86_400 < 39_600)
    running = {"ac_v": 400.0, "frequency_hz": 50.1, "load_kw": 8.0, "charge_v": 14.0}
    standing = {"battery_v": 13.6, "fuel_pct": 70.0, "in_auto": 1.0, "mains_v": 400.0}
    found = {}
    for name in NAMES:
        low, high = CHANNELS[name].plausible
        usual = WYE.get(name, running.get(name, min(high, max(low, 1.0))))
        if name in standing:
            value = np.full(len(t), standing[name])
        elif CHANNELS[name].role == "counter":
            value = np.cumsum(on * 0.1)
        else:
            value = np.where(on, usual, 0.0)
        keep = rng.random(len(t)) < 0.9
        found[name] = Series(t[keep], value[keep])
    return found


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    poisoned=st.lists(st.sampled_from(NAMES), min_size=1, max_size=6, unique=True),
    what=st.sampled_from(NO_NUMBERS),
    share=st.sampled_from([0.02, 0.3, 1.0]),
)
def test_no_number_passes_no_rule_on_any_channel(
    seed: int, poisoned: list[str], what: float, share: float
) -> None:
    rng = np.random.default_rng(seed)
    clean = _whole_day(rng)
    sent, never_sent = dict(clean), dict(clean)
    for name in poisoned:
        one = clean[name]
        bad = rng.random(len(one)) < share
        sent[name] = Series(one.t, np.where(bad, what, one.v))
        never_sent[name] = Series(one.t[~bad], one.v[~bad])
    crank = DeviceEvent(
        device="D", at=DAY * 86_400 + 36_000, event="crank", values={"crank_min_v": 10.0}
    )
    poison = msgspec.structs.replace(crank, values=crank.values | {"crank_s": what})
    known = inputs(DAY * 86_400 + 80_000, 400.0, unit_of(400.0, "3"))
    facts = day_facts(known, HABIT)
    poisoned_day = digest(facts, DAY, sent, (poison,))
    assert encode(poisoned_day) == encode(digest(facts, DAY, never_sent, (crank,)))
    latest = {name: Latest(DAY * 86_400 + 80_000, what) for name in poisoned}
    newest = DAY * 86_400 + 80_000
    pulses = [Pulse(device="D", heard_at=newest, newest_at=newest, latest=v) for v in (latest, {})]
    verdicts = [
        assess(msgspec.structs.replace(known, pulses=(pulse,)), [poisoned_day], newest + 60)
        for pulse in pulses
    ]
    assert verdicts[0].findings == verdicts[1].findings
    assert verdicts[0].readiness == verdicts[1].readiness


@pytest.mark.parametrize("what", NO_NUMBERS)
def test_the_rules_themselves_take_no_number_for_nothing_good(what: float) -> None:
    circuit = Circuit(channel="ac_l1_v", volts=what, last=230.0, nominal=230.0)
    assert not supply.good(circuit)
    assert not supply.good(msgspec.structs.replace(circuit, volts=230.0, last=what))
    assert supply.uneven([circuit, msgspec.structs.replace(circuit, volts=230.0)])
    assert supply.other_hertz(what, 50.0) is None
    assert battery.other_nominal([what, what], 24.0) is None
    mains_volts = np.array([230.0, what, 230.0]) if math.isnan(what) else np.array([230.0])
    assert mains.present(mains_volts, 230.0).all()


@pytest.mark.parametrize("noise", [0.5, 1.5, 3.0])
@pytest.mark.parametrize("senses", [{}, {"mains_v": "l1_n"}])
def test_a_mains_leg_of_a_split_phase_set_does_not_flicker(
    noise: float, senses: dict[str, str]
) -> None:
    """120 V on a set of 240 V is a leg of the mains, and no mains that stands at half."""
    unit = msgspec.structs.replace(unit_of(240.0, "split"), senses=senses)
    if senses:
        unit = msgspec.structs.replace(unit, system="split", line_v=240.0)
    facts = day_facts(inputs(T0, 120.0, unit), HABIT)
    rng = np.random.default_rng(3)
    t = np.arange(T0, T0 + 86_400, 60, dtype=np.int64)
    volts = 120.0 + rng.normal(0, noise, len(t))
    day = digest(facts, DAY, {"mains_v": Series(t, volts)})
    assert not day.mains
    assert day.carry.mains is not None
    assert day.carry.mains.value == 1
    away = np.where((t - T0 > 20_000) & (t - T0 < 30_000), 2.0, volts)
    day = digest(facts, DAY, {"mains_v": Series(t, away)}, (), day.carry)
    assert [edge.kind for edge in day.mains] == ["lost", "back"]


def test_a_mains_that_falls_to_half_is_no_leg() -> None:
    facts = day_facts(inputs(T0, 240.0, unit_of(240.0, "split")), HABIT)
    t = np.arange(T0, T0 + 86_400, 60, dtype=np.int64)
    well = digest(facts, DAY, {"mains_v": Series(t, np.full(len(t), 240.0))})
    low = {"mains_v": Series(t + 86_400, np.full(len(t), 118.0))}
    day = digest(facts, DAY + 1, low, (), well.carry)
    assert [edge.kind for edge in day.mains] == ["lost"]


@pytest.mark.parametrize(
    ("nominal", "hertz", "other"),
    [
        (50.0, 61.5, 60.0),
        (50.0, 60.0, 60.0),
        (50.0, 63.0, 60.0),
        (60.0, 51.5, 50.0),
        (60.0, 48.5, 50.0),
        (50.0, 57.0, None),
        (50.0, 52.4, None),
        (60.0, 57.8, None),
        (60.0, 54.0, None),
    ],
)
def test_hertz_of_the_other_system_are_recognised(
    nominal: float, hertz: float, other: float | None
) -> None:
    assert supply.other_hertz(hertz, nominal) == other


@pytest.mark.parametrize(
    ("nominal", "runs_at"),
    [
        (400.0, 690.0),
        (690.0, 400.0),
        (230.0, 127.0),
        (480.0, 380.0),
        (120.0, 240.0),
        (600.0, 480.0),
    ],
)
def test_volts_of_another_nominal_are_recognised(nominal: float, runs_at: float) -> None:
    seen = weeks(unit_of(nominal, "1"), {"ac_v": runs_at})
    assert seen.supply.wrong_volts == runs_at
    assert kinds(seen)["wrong_nominal"] == "note"
    assert state(seen)[0] != "ready", "until it is put right it is judged by a wrong figure"

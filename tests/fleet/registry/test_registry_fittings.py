"""Fittings worked out from claims: no overlaps, in whatever order they became known."""

from __future__ import annotations

from itertools import combinations

from hypothesis import given
from hypothesis import strategies as st
from register_rows import NOW, row, take

from fleet.model import Fitting, Record
from fleet.registry import unscoped
from fleet.registry.base.engine import Registry
from fleet.registry.facts.fittings import Claim, first_difference, fittings_from
from fleet.registry.facts.records import add_record

pytest_plugins = ["databases"]

INF = 10**12


def claim(id: str, unit: str, device: str, from_at: int | None, said_at: int = 0) -> Claim:
    return Claim(id=id, unit=unit, device=device, from_at=from_at, said_at=said_at)


def spans(fittings: list[Fitting]) -> list[tuple[str, str, int | None, int | None]]:
    return [(f.device, f.unit, f.from_at, f.to_at) for f in fittings]


CLAIMS = st.lists(
    st.tuples(
        st.sampled_from("UVW"), st.sampled_from("DEF"), st.one_of(st.none(), st.integers(0, 20))
    ),
    max_size=12,
).map(lambda made: [claim(f"c{n:02}", u, d, at, n) for n, (u, d, at) in enumerate(made)])


@given(CLAIMS, st.randoms())
def test_no_two_fittings_overlap_and_order_does_not_matter(
    claims: list[Claim], random: object
) -> None:
    fittings = fittings_from(claims)
    for a, b in combinations(fittings, 2):
        if a.unit == b.unit or a.device == b.device:
            first = max(
                -1 if a.from_at is None else a.from_at, -1 if b.from_at is None else b.from_at
            )
            last = min(INF if a.to_at is None else a.to_at, INF if b.to_at is None else b.to_at)
            assert first >= last, (a, b)
    for f in fittings:
        assert f.to_at is None or (f.from_at if f.from_at is not None else -1) < f.to_at
    shuffled = list(claims)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    assert fittings_from(shuffled) == fittings


@given(CLAIMS)
def test_the_newest_claim_of_all_holds_now(claims: list[Claim]) -> None:
    if claims:
        newest = max(claims, key=lambda c: (c.from_at is not None, c.from_at or 0, c.said_at))
        now = [(f.unit, f.device) for f in fittings_from(claims) if f.to_at is None]
        assert (newest.unit, newest.device) in now


def test_a_swapped_board() -> None:
    made = fittings_from([claim("a", "U", "OLD", None), claim("b", "U", "NEW", 100)])
    assert spans(made) == [("OLD", "U", None, 100), ("NEW", "U", 100, None)]


def test_a_lent_device_leaves_its_unit_without_one() -> None:
    claims = [claim("a", "U", "D", None), claim("b", "V", "E", None), claim("c", "V", "D", 50)]
    assert spans(fittings_from(claims)) == [
        ("D", "U", None, 50),
        ("E", "V", None, 50),
        ("D", "V", 50, None),
    ]


def test_a_fitting_entered_late_falls_between() -> None:
    claims = [claim("a", "U", "D", None), claim("b", "U", "F", 100, 1), claim("c", "U", "E", 50, 2)]
    assert spans(fittings_from(claims)) == [
        ("D", "U", None, 50),
        ("E", "U", 50, 100),
        ("F", "U", 100, None),
    ]


def test_saying_again_what_holds_changes_nothing() -> None:
    claims = [claim("a", "U", "D", None), claim("b", "U", "D", 50)]
    assert spans(fittings_from(claims)) == [("D", "U", None, None)]


@given(CLAIMS, CLAIMS)
def test_the_first_difference_is_found_and_nothing_differs_before(
    one: list[Claim], other: list[Claim]
) -> None:
    old = [f for f in fittings_from(one) if f.unit == "U"]
    new = [f for f in fittings_from(other) if f.unit == "U"]
    differs, at = first_difference(old, new)
    assert differs == (
        old != new
        and {(f.id, f.device, f.from_at, f.to_at) for f in old}
        != {(f.id, f.device, f.from_at, f.to_at) for f in new}
    )
    if differs and at is not None:

        def before(fittings: list[Fitting]) -> list[tuple[object, ...]]:
            kept = [f for f in fittings if f.from_at is None or f.from_at < at]
            return [(f.id, f.device, f.from_at, min(f.to_at or INF, at)) for f in kept]

        assert before(old) == before(new)


def record(id: str, unit: str, device: str, at: int, corrects: str | None = None) -> Record:
    return Record(
        id=id,
        at=at,
        by="me",
        unit=unit,
        kind="fitting",
        facts={"device": device},
        corrects=corrects,
    )


def fittings(reg: Registry, unit: str) -> list[tuple[str, int | None, int | None]]:
    inputs = unscoped.unit_inputs(reg, unit)
    assert inputs is not None
    return [(f.device, f.from_at, f.to_at) for f in inputs.fittings]


def test_records_in_any_order_give_the_same_fittings(reg: Registry) -> None:
    take(reg, row("U1", device="D1"), row("U2", device="D2"))
    add_record(reg, record("r2", "U2", "D1", NOW - 50), NOW)
    add_record(reg, record("r1", "U1", "D3", NOW - 100), NOW)
    assert fittings(reg, "U1") == [("D1", None, NOW - 100), ("D3", NOW - 100, None)]
    assert fittings(reg, "U2") == [("D2", None, NOW - 50), ("D1", NOW - 50, None)]
    facts = unscoped.device_facts(reg)
    assert {d: facts[d].unit for d in ("D1", "D2", "D3")} == {"D1": "U2", "D2": None, "D3": "U1"}


def test_a_corrected_fitting_gives_back_what_it_took(reg: Registry) -> None:
    """A correction to another unit: both units and the one robbed by mistake come out right."""
    take(reg, row("U1", device="D1"), row("U2", device="D2"), row("U3", device="D3"))
    add_record(reg, record("r1", "U2", "D1", NOW - 50), NOW)
    add_record(reg, record("r2", "U3", "D1", NOW - 40, corrects="r1"), NOW)
    assert fittings(reg, "U1") == [("D1", None, NOW - 40)]
    assert fittings(reg, "U2") == [("D2", None, None)]
    assert fittings(reg, "U3") == [("D3", None, NOW - 40), ("D1", NOW - 40, None)]
    inputs = unscoped.unit_inputs(reg, "U3")
    assert inputs is not None
    assert inputs.unit.device == "D1"


def test_unit_names_the_device_fitted_now(reg: Registry) -> None:
    take(reg, row("U1", device="D1"))
    for n, device in enumerate(("D8", "D9")):
        add_record(reg, record(f"r{n}", "U1", device, NOW - 9 + n), NOW)
        inputs = unscoped.unit_inputs(reg, "U1")
        assert inputs is not None
        assert inputs.unit.device == device

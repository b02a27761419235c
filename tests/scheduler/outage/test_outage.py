"""Outages: which losses belong together, how each set fares, who is called first."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.findings import ROWS
from fleet.findings.row import kind_of
from fleet.model import Cover, MainsNow, Outage, OutageMember, Run
from scheduler.outage import SetNow, call_list, comeback_s, cover_of, finding, step, tally
from scheduler.outage.cover import OPEN
from scheduler.outage.grouping import WITHIN_S, together

T0 = 1_795_590_000


def a_set(n: int, **changes: Any) -> SetNow:
    known: dict[str, Any] = {
        "unit": f"u{n:04d}",
        "site": f"s{n:04d}",
        "customer": f"c{n:04d}",
        "area": "North",
        "zone": "Europe/London",
        "heard_at": T0 - 30,
        "report_s": 60,
        "mains": MainsNow(state="present", since=T0 - 90_000, at=T0 - 30),
    }
    return SetNow(**known | changes)


def off(n: int, at: int = T0, heard: int | None = None, **changes: Any) -> SetNow:
    """A set that saw its mains go; it reported so at that moment, or at `heard`."""
    gone = MainsNow(
        state="absent", since=at, since_earliest=changes.pop("earliest", at - 10), at=at
    )
    return a_set(n, mains=gone, heard_at=at if heard is None else heard, **changes)


def on_load(n: int, at: int, now: int, **changes: Any) -> SetNow:
    run = Run(start=at + 15, end=None, start_seen="observed", end_seen="open", last_on_at=now)
    return off(n, at, heard=now, condition="on_load", last_run=run, **changes)


def back(n: int, lost: int, at: int, now: int, **changes: Any) -> SetNow:
    run = Run(start=lost + 15, end=at + 300, start_seen="observed", end_seen="observed")
    mains = MainsNow(state="present", since=at, since_earliest=at - 10, at=now)
    return a_set(n, mains=mains, heard_at=now, last_run=run, **changes)


def looked(sets: Sequence[SetNow], *moments: int, open_: Sequence[Outage] = ()) -> list[Outage]:
    """Looked at several times over; all outages as they are kept in the end."""
    kept = {outage.id: outage for outage in open_}
    for now in moments:
        going = [o for o in kept.values() if o.ended_at is None]
        kept.update({o.id: o for o in step(going, sets, now)})
    return list(kept.values())


def test_a_set_that_fell_silent_in_its_run_is_not_called_standing() -> None:
    """It came on, said so, and its router died with the mains: its run ends where it was last heard,
    and that is no word of it standing. Once it is not reporting at all, nothing proves it."""
    run = Run(
        start=T0 + 15, end=T0 + 140, start_seen="observed", end_seen="gap", last_on_at=T0 + 140
    )
    held = off(1, heard=T0 + 140, condition="last_heard_running", last_run=run)
    assert cover_of(held, T0, T0 + 500) == "covered"
    silent = off(1, heard=T0 + 140, condition="not_reporting", last_run=run)
    assert cover_of(silent, T0, T0 + 1500) == "unproven"


def test_a_set_that_runs_on_a_dead_phase_is_not_covered() -> None:
    for says in ("bad_output", "no_voltage"):
        dead = msgspec.structs.replace(on_load(1, T0, T0 + 300), says=frozenset({says}))
        assert cover_of(dead, T0, T0 + 310) == says


@pytest.mark.parametrize("kind", ["over_voltage", "open_neutral", "leg_out"])
def test_what_does_harm_while_it_runs_is_no_cover(kind: str) -> None:
    """620 V on a set of 400 V was "Covered. No call needed"."""
    (row,) = (one for one in ROWS if kind_of(one.facts) == kind)
    assert (row.cover, "act_now" in row.cover_at) == ("bad_output", True)


def test_two_sites_and_three_sets_make_an_outage_of_the_area() -> None:
    sets = [off(1), off(2, T0 + 60), off(3, T0 + 200), *(a_set(n) for n in range(4, 30))]
    (outage,) = looked(sets, T0 + 210)
    assert outage.subject == "area:North"
    assert outage.began_at == T0
    assert {m.unit for m in outage.members} == {"u0001", "u0002", "u0003"}


def test_two_sets_of_many_are_two_sites_of_their_own() -> None:
    sets = [off(1), off(2), *(a_set(n) for n in range(3, 30))]
    assert sorted(o.subject for o in looked(sets, T0 + 10)) == ["site:s0001", "site:s0002"]


def test_a_quarter_of_a_small_area_is_enough() -> None:
    sets = [off(1), off(2), *(a_set(n) for n in range(3, 9))]
    assert [o.subject for o in looked(sets, T0 + 10)] == ["area:North"]


def test_three_sets_of_one_site_are_its_own_main_switch() -> None:
    sets = [off(n, site="farm") for n in (1, 2, 3)] + [a_set(n) for n in range(4, 9)]
    (outage,) = looked(sets, T0 + 10)
    assert outage.alone
    assert outage.subject == "site:farm"
    assert len(outage.members) == 3


def test_five_minutes_is_within_and_a_second_more_is_not() -> None:
    """docs/engineering/outage.md#which-belong-together: "losing mains within 5 min"."""
    one = [off(1, T0, earliest=T0), off(2, T0, earliest=T0)]
    assert len(together([*one, off(3, T0 + WITHIN_S, earliest=T0 + WITHIN_S)], 100)) == 3
    late = T0 + WITHIN_S + 1
    assert together([*one, off(3, late, earliest=late)], 100) == []


def test_an_edge_seen_between_two_reports_is_an_interval() -> None:
    """A set that reports every half hour lost it somewhen in that time: the intervals overlap."""
    slow = off(3, T0 + 1700, earliest=T0 - 100)
    assert len(together([off(1), off(2), slow], 100)) == 3
    later = off(3, T0 + 1700, earliest=T0 + 400)
    assert together([off(1), off(2), later], 100) == []


def test_a_site_alone_goes_into_its_area() -> None:
    first = [off(1), *(a_set(n) for n in range(2, 30))]
    (alone,) = looked(first, T0 + 5)
    assert alone.alone
    then = [off(1), off(2, T0 + 90), off(3, T0 + 100), *(a_set(n) for n in range(4, 30))]
    both = {o.subject: o for o in looked(then, T0 + 105, open_=[alone])}
    assert both["site:s0001"].into == both["area:North"].id
    assert both["site:s0001"].ended_at is not None
    assert {m.unit for m in both["area:North"].members} == {"u0001", "u0002", "u0003"}


def test_sets_without_an_area_are_neighbours_within_fifteen_kilometres() -> None:
    """0.13 degree of latitude are 14.5 km, 0.14 are 15.6 km (111.2 km a degree)."""

    def at(n: int, lat: float) -> SetNow:
        return off(n, T0 + n, area="", lat=54.0 + lat, lon=-2.0)

    near = looked([at(1, 0.0), at(2, 0.13), at(3, 0.05)], T0 + 10)
    assert [o.subject for o in near] == ["area:near s0001"]
    assert len(near[0].members) == 3
    apart = looked([at(1, 0.0), at(2, 0.14), at(3, 0.28)], T0 + 10)
    assert sorted(o.subject for o in apart) == ["site:s0001", "site:s0002", "site:s0003"]


COVERS: list[tuple[str, SetNow, int, Cover]] = [
    ("failed, heard", off(1, says=frozenset({"failed"})), 100, "failed"),
    ("not in auto", off(1, heard=T0 + 20, says=frozenset({"failed"})), 100, "failed"),
    (
        "failed once, then started",
        on_load(1, T0, T0 + 60, says=frozenset({"failed"})),
        60,
        "covered",
    ),
    (
        "runs without volts",
        on_load(1, T0, T0 + 60, says=frozenset({"no_voltage"})),
        60,
        "no_voltage",
    ),
    ("its last will came, its next report is not due", off(1, offline_at=T0 + 20), 30, "waiting"),
    ("its last will came, and ten minutes went", off(1, offline_at=T0 + 20), 600, "unproven"),
    (
        "on change, its last will came",
        off(1, beats=True, report_s=86_400, offline_at=T0 + 20),
        600,
        "unproven",
    ),
    ("on change, nothing has changed", off(1, beats=True, report_s=86_400), 7200, "waiting"),
    ("it said when it will speak", off(1, promised_at=T0 + 3600), 3599, "waiting"),
    ("a will from before", off(1, heard=T0, offline_at=T0 - 500), 30, "waiting"),
    ("ten minutes and overdue", off(1), 600, "unproven"),
    ("nine minutes", off(1), 599, "waiting"),
    ("ten minutes, next report not due yet", off(1, report_s=900), 989, "waiting"),
    ("the report is overdue by a tenth", off(1, report_s=900), 991, "unproven"),
    ("silent since days", off(1, heard=T0 - 90_000, condition="not_reporting"), 599, "waiting"),
    ("and ten minutes", off(1, heard=T0 - 90_000, condition="not_reporting"), 600, "unproven"),
    ("never heard", off(1, heard=T0).__class__(unit="u", site="s", customer="c"), 599, "waiting"),
    ("nor since", off(1, heard=T0).__class__(unit="u", site="s", customer="c"), 600, "unproven"),
    ("on load", on_load(1, T0, T0 + 60), 60, "covered"),
    ("little fuel", on_load(1, T0, T0 + 60, fuel_h=3.0), 60, "low_fuel"),
    (
        "read standing two minutes later",
        off(1, heard=T0 + 120, stood_at=T0 + 120),
        120,
        "not_running",
    ),
    ("read standing a minute later", off(1, heard=T0 + 60, stood_at=T0 + 60), 60, "waiting"),
    ("something was received", off(1, heard=T0 + 300, stood_at=T0 - 40), 300, "waiting"),
    ("mains back", back(1, T0, T0 + 900, T0 + 910), 910, "mains_back"),
    ("out for work", off(1, condition="out_of_service"), 700, "aside"),
    ("laid up", off(1, condition="laid_up"), 700, "aside"),
]


@pytest.mark.parametrize(
    ("held", "after", "cover"), [c[1:] for c in COVERS], ids=[c[0] for c in COVERS]
)
def test_how_a_site_fares(held: SetNow, after: int, cover: Cover) -> None:
    assert cover_of(held, T0, T0 + after) == cover


def test_what_was_ready_before_is_no_proof() -> None:
    """A set heard running for its exercise up to the very moment, and then no more."""
    run = Run(start=T0 - 600, end=None, start_seen="observed", end_seen="open")
    ran = off(1, condition="running", last_run=run, offline_at=T0 + 5)
    assert cover_of(ran, T0, T0 + 60) == "waiting"
    assert cover_of(ran, T0, T0 + 600) == "unproven"


def member(n: int, cover: Cover, criticality: Any = "home", since: int = T0) -> OutageMember:
    return OutageMember(
        unit=f"u{n}",
        site=f"s{n}",
        customer="c",
        criticality=criticality,
        cover=cover,
        since=since,
        lost_at=T0,
    )


def test_the_call_list() -> None:
    """docs/engineering/outage.md#the-call-list: failed to start, no voltage, no proof of cover, low
    fuel; critical earlier.
    """
    order: tuple[Cover, ...] = (
        "failed",
        "not_running",
        "bad_output",
        "no_voltage",
        "unproven",
        "waiting",
        "low_fuel",
        "covered",
        "mains_back",
    )
    mixed = [member(n, cover) for n, cover in enumerate(reversed(order))]
    assert tuple(m.cover for m in call_list(mixed)) == order
    same = [member(1, "unproven"), member(2, "unproven", "life"), member(3, "unproven", "business")]
    assert [m.unit for m in call_list(same)] == ["u2", "u3", "u1"]
    two = [member(1, "no_voltage"), member(2, "unproven", "life")]
    assert [m.unit for m in call_list(two)] == ["u2", "u1"]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(
                [
                    "failed",
                    "not_running",
                    "bad_output",
                    "no_voltage",
                    "unproven",
                    "waiting",
                    "low_fuel",
                    "covered",
                    "aside",
                    "mains_back",
                ]
            ),
            st.sampled_from(["life", "business", "home"]),
            st.integers(0, 5000),
        ),
        max_size=40,
    )
)
def test_nobody_without_cover_stands_below_one_with(rows: list[tuple[Any, Any, int]]) -> None:
    """Whatever the criticality: open ones first, then those not heard, then the covered."""
    listed = call_list(
        [member(n, cover, crit, T0 + since) for n, (cover, crit, since) in enumerate(rows)]
    )
    groups = [
        0 if m.cover in OPEN else 1 if m.cover == "waiting" else 2 if m.cover == "low_fuel" else 3
        for m in listed
    ]
    assert groups == sorted(groups)


def test_a_neighbour_that_was_not_heard_since_is_in_it() -> None:
    """Its mains is not wired, or the link died with it: no proof of cover all the same."""
    quiet = a_set(9, mains=MainsNow(), heard_at=T0 - 40, offline_at=T0 + 3)
    spoke = a_set(8, mains=MainsNow(state="present", since=T0 - 9000, at=T0 + 90), heard_at=T0 + 90)
    sets = [off(1), off(2), off(3), quiet, spoke]
    (outage,) = looked(sets, T0 + 100)
    assert "u0009" not in {m.unit for m in outage.members}, "its own next report may still come"
    (outage,) = looked(sets, T0 + 100, T0 + 600)
    fares = {m.unit: (m.cover, m.here) for m in outage.members}
    assert fares["u0009"] == ("unproven", False)
    assert "u0008" not in fares


def test_an_outage_ends_and_its_minutes_are_known() -> None:
    """One ran from 15 s on; one failed; one was not heard again until the mains was back."""
    failed: dict[str, Any] = {"says": frozenset({"failed"})}
    during = [
        on_load(1, T0, T0 + 1200),
        off(2, heard=T0 + 1200, **failed),
        off(3, offline_at=T0 + 20),
    ]
    (open_one,) = looked(during, T0 + 30, T0 + 700, T0 + 1200)
    end = T0 + 3600
    gone = a_set(
        3,
        condition="not_reporting",
        heard_at=T0,
        offline_at=T0 + 20,
        mains=MainsNow(last="absent", since=T0, since_earliest=T0 - 10, at=T0),
    )
    after = [
        back(1, T0, end, end + 60),
        a_set(
            2, **failed, heard_at=end + 60, mains=MainsNow(state="present", since=end, at=end + 60)
        ),
        gone,
    ]
    assert step([open_one], after, end + 60)[0].ended_at is None, "one is still to be heard"
    (over,) = step([open_one], after, end + 700)
    assert over.ended_at == end
    fares = {m.unit: m for m in over.members}
    assert (fares["u0001"].covered_s, fares["u0001"].uncovered_s) == (3585, 15)
    assert (fares["u0002"].covered_s, fares["u0002"].uncovered_s) == (0, 3600)
    assert (fares["u0003"].covered_s, fares["u0003"].unproven_s) == (0, 3600)
    # its history comes later: it had run all the while
    run = Run(start=T0 + 20, end=end + 200, start_seen="observed", end_seen="observed")
    late = a_set(
        3,
        mains=MainsNow(state="present", since=end, at=end + 900),
        heard_at=end + 900,
        last_run=run,
    )
    (healed,) = step([over], [late], end + 910)
    third = next(m for m in healed.members if m.unit == "u0003")
    assert (third.covered_s, third.uncovered_s, third.unproven_s) == (3580, 20, 0)
    assert third.heard_again_at == end + 900


def test_a_sites_own_comeback_time_is_learned() -> None:
    def came_back(after: int) -> OutageMember:
        return OutageMember(
            unit="u",
            site="s",
            customer="c",
            criticality="home",
            cover="mains_back",
            since=T0,
            lost_at=T0,
            back_at=T0 + 100,
            heard_again_at=T0 + 100 + after,
        )

    assert comeback_s([]) == 1200
    assert comeback_s([came_back(400), came_back(1900), came_back(30)]) == 1900
    assert comeback_s([came_back(30)]) == 300
    assert comeback_s([came_back(1900)] + [came_back(500)] * 5) == 500


def test_nobody_is_told_while_everybody_is_covered() -> None:
    sets = [on_load(n, T0, T0 + 60) for n in (1, 2, 3)]
    (outage,) = looked(sets, T0 + 61)
    assert outage.told == 0
    assert finding(outage).severity == "note"


def test_nothing_changed_is_nothing_written() -> None:
    sets = [off(1), off(2), off(3)]
    (outage,) = looked(sets, T0 + 30)
    assert step([outage], sets, T0 + 32) == []


def test_order_does_not_matter() -> None:
    sets = [off(n, T0 + 7 * n, area=("North", "South")[n % 2]) for n in range(40)]
    forth, back_ = looked(sets, T0 + 400), looked(sets[::-1], T0 + 400)
    assert {o.id: sorted(m.unit for m in o.members) for o in forth} == {
        o.id: sorted(m.unit for m in o.members) for o in back_
    }


def storm(n: int, now: int) -> SetNow:
    """Set n of 2,000, 300 of them critical: every third link dies with the mains, every tenth of
    those sets fails, as does one in ten of the others, which can say so."""
    lost = T0 + n * 300 // 2000
    if now < lost:
        return a_set(n, heard_at=now - 20)
    criticality = "life" if n % 20 == 3 else "business" if n % 20 == 4 else "home"
    kept: dict[str, Any] = {"criticality": criticality, "site": f"s{n // 2}"}
    if n % 10 in (0, 3, 6):
        return off(n, lost, offline_at=lost + 25, **kept)
    if n % 10 == 7 and now > lost + 80:
        return off(n, lost, heard=now - now % 60, says=frozenset({"failed"}), **kept)
    return on_load(n, lost, max(now - now % 60, lost), **kept)


def test_a_storm_is_one_outage() -> None:
    """2,000 sets lose their mains within 5 min, 30 % their link too: one outage, under 10 tellings,
    every failed or unproven one above every covered one."""
    kept: dict[str, Outage] = {}
    for now in [*range(T0 + 2, T0 + 420, 20), *range(T0 + 420, T0 + 3 * 3600, 300)]:
        sets = [storm(n, now) for n in range(2000)]
        kept.update({o.id: o for o in step(list(kept.values()), sets, now)})
    areas = [o for o in kept.values() if not o.alone]
    assert len(areas) == 1
    (outage,) = areas
    assert all(o.into == outage.id for o in kept.values() if o.alone)
    assert len(outage.members) == 2000
    assert 1 <= outage.told < 9
    counts = tally(outage.members)
    assert counts == {"unproven": 600, "failed": 200, "covered": 1200}
    listed = call_list(outage.members)
    assert {m.cover for m in listed[:800]} == {"unproven", "failed"}
    assert finding(outage).severity == "act_now"

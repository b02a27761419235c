"""Start reliability against published intervals, triggers, and harder starting by planted truth."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from checks import Checks
from hypothesis import given
from hypothesis import strategies as st
from like_starts import DAY_S, planted
from planted import refused
from scipy import stats

from scheduler.rules.reliability import (
    AT_95,
    Harder,
    HarderRules,
    Start,
    TooFew,
    Triggers,
    harder,
    jeffreys,
    judge,
    pooled,
)


def test_jeffreys_of_every_published_example(shared: Path, checked: Checks) -> None:
    """NIST 7.2.4.2 inputs (4 of 20) and ten more; failures, so our share is one less each."""
    examples = json.loads((shared / "check" / "check-values.json").read_text())["binomial_examples"]
    assert len(examples) == 11
    for said in examples:
        share = jeffreys(said["failures"], said["n"], said["conf"])
        assert share is not None
        checked(
            "Jeffreys estimate",
            "INL RADS, (a + 0.5)/(n + 1)",
            said["jeffreys_mean"],
            1 - share.estimate,
            1e-12,
        )
        checked(
            "Jeffreys interval",
            "NIST e-Handbook 7.2.4.2 inputs, recomputed",
            said["jeffreys"],
            (1 - share.high, 1 - share.low),
            1e-9,
        )


def test_the_beta_distribution_of_inl(checked: Checks) -> None:
    """INL: Beta(5.2, 160.1) has mean 0.0315, sd 0.0135; 5 % at 0.01284, 95 % at 0.05648."""
    from scipy.special import betaincinv

    assert pytest.approx(0.0315, abs=5e-5) == 5.2 / 165.3
    checked(
        "Beta distribution behind the interval",
        "INL RADS, Beta(5.2, 160.1)",
        (0.01284, 0.05648),
        betaincinv(5.2, 160.1, [0.05, 0.95]),
        5e-6,
    )


@given(st.integers(0, 400), st.integers(1, 400), st.sampled_from([0.8, 0.9, 0.95, 0.99]))
def test_interval_is_scipys(a: int, n: int, confidence: float) -> None:
    failed = min(a, n)
    share = jeffreys(failed, n, confidence)
    assert share is not None
    low, high = stats.beta.interval(confidence, n - failed + 0.5, failed + 0.5)
    assert share.low == pytest.approx(low, abs=1e-9)
    assert share.high == pytest.approx(high, abs=1e-9)
    assert share.low <= share.estimate <= share.high or failed in (0, n)


@given(st.integers(0, 50), st.integers(50, 200))
def test_a_failure_more_is_never_surer(failed: int, n: int) -> None:
    one, more = jeffreys(failed, n), jeffreys(failed + 1, n + 1)
    assert one is not None
    assert more is not None
    assert more.estimate < one.estimate
    assert more.high < one.high


def test_no_demand_says_nothing_and_nonsense_is_refused() -> None:
    assert jeffreys(0, 0) is None
    assert judge([]).share is None
    with pytest.raises(ValueError, match="cannot be"):
        jeffreys(3, 2)


def test_model_and_fleet_are_pooled() -> None:
    assert pooled([(1, 20), (0, 30), (2, 50)]) == jeffreys(3, 100)
    assert pooled([]) is None


def windows(n: int, *failed: int) -> list[bool]:
    return [i in failed for i in range(n)]


@pytest.mark.parametrize(
    ("failures", "tripped"),
    [
        (windows(20, 1, 5), []),
        (windows(20, 1, 5, 9), [20]),
        (windows(21, 0, 5, 9), []),
        (windows(5, 0, 1, 2), [20]),
        (windows(50, 0, 10, 25, 40, 45), [50]),
        (windows(50, 0, 10, 25, 45), []),
        (windows(100, 0, 11, 22, 33, 44, 55, 66, 77), [100]),
        (windows(100, 0, 11, 22, 33, 44, 55, 66), []),
    ],
)
def test_triggers_at_95(failures: list[bool], tripped: list[int]) -> None:
    """3 of 20, 5 of 50, 8 of 100 (memory values, held in configuration)."""
    assert AT_95.origin == "memory"
    assert [trip.window for trip in judge(failures).tripped] == tripped


AT_975 = Triggers(target=0.975, windows=((20, 3), (50, 4), (100, 5)))
"""What an installer may set for a target of 97.5 %."""


@pytest.mark.parametrize(
    ("rules", "target", "shares"),
    [(AT_95, 0.95, (0.075, 0.104, 0.128)), (AT_975, 0.975, (0.013, 0.036, 0.106))],
)
def test_chance_that_a_full_window_trips_at_its_target(
    rules: object, target: float, shares: tuple[float, ...], checked: Checks
) -> None:
    """7.5, 10.4, 12.8 % and 1.3, 3.6, 10.6 % (derived): screening levels, not proofs."""
    for (n, limit), share in zip(rules.windows, shares, strict=True):  # type: ignore[attr-defined]
        checked(
            "Chance that a full window trips at its target",
            "binomial, derived",
            share,
            stats.binom.sf(limit - 1, n, 1 - target),
            6e-4,
        )


def test_proven_only_when_the_whole_interval_is_under_the_target() -> None:
    assert not judge(windows(20, 1, 5, 9)).proven, "3 of 20: the 99 % interval reaches 97 %"
    worse = judge(windows(20, 1, 5, 9, 12, 15))
    assert worse.proven
    assert worse.share is not None
    assert worse.share.high < 0.95


def test_seven_good_starts_end_it() -> None:
    assert not judge(windows(20, 5, 9, 13)).recovered
    assert judge(windows(20, 5, 9, 12)).recovered


@pytest.mark.parametrize(
    ("over", "says"),
    [
        ({"target": 1.0}, "target"),
        ({"windows": ()}, "window"),
        ({"windows": ((20, 21),)}, "window"),
        ({"windows": ((50, 5), (20, 3))}, "rise"),
        ({"recovered": 0}, "recovered"),
    ],
)
def test_triggers_that_cannot_be(over: dict[str, object], says: str) -> None:
    assert says in refused(AT_95, **over)


@pytest.mark.parametrize(
    ("over", "says"),
    [
        ({"like_c": 0.0}, "like_c"),
        ({"least": 7}, "least"),
        ({"chance": 0.5}, "chance"),
        ({"rise_s": 0.0}, "rises"),
        ({"span_days": 0}, "span_days"),
    ],
)
def test_harder_rules_that_cannot_be(over: dict[str, object], says: str) -> None:
    assert says in refused(HarderRules(), **over)


def said(starts: list[Start], measure: str = "crank_s") -> Harder | None:
    found = harder(starts)
    if isinstance(found, TooFew):
        return None
    return next((one for one in found if one.measure == measure), None)


WEEKS = 40


@pytest.mark.long
def test_harder_starting_by_size(capsys: pytest.CaptureFixture[str]) -> None:
    """The severity sweep at 0.5, 1, 2, 4 times the detection limit of the docstring."""
    curve = {}
    for times in (0.0, 0.5, 1.0, 2.0, 4.0):
        hits = 0
        for seed in range(60):
            bare = said(planted(seed, WEEKS))
            assert bare is not None
            limit = max(0.5, 0.3 * 1.9, 16 * 0.46 / bare.n**0.5)
            span = (bare.to_at - bare.from_at) / ((WEEKS - 1) * 7 * DAY_S)
            one = said(planted(seed, WEEKS, grows_s=times * limit / span))
            hits += one is not None and one.found
        curve[times] = round(hits / 60, 2)
    with capsys.disabled():
        print(f"\nharder starting found, by size over its limit: {curve}")
    assert curve[0.0] <= 0.02
    assert curve[2.0] == curve[4.0] == 1.0
    assert curve[0.5] < 0.5


def test_a_planted_rise_is_found_with_its_size() -> None:
    """5 s over 40 weeks: found in all of 20 seeds; a 95 % interval that holds it in most."""
    held = 0
    for seed in range(20):
        one = said(planted(seed, WEEKS, grows_s=5.0))
        assert one is not None
        assert one.found, seed
        assert one.now > one.before
        held += one.per_day_low <= 5.0 / ((WEEKS - 1) * 7) <= one.per_day_high
    assert held >= 16


def test_a_rise_of_attempts_is_found() -> None:
    starts = [
        Start(at=w * 7 * DAY_S, attempts=1 + (w > 15) + (w > 26), crank_s=None, temp_c=20.0)
        for w in range(36)
    ]
    assert said(starts) is None, "no crank seconds are reported"
    one = said(starts, "attempts")
    assert one is not None
    assert one.found
    assert one.before == 1.0
    assert one.now == pytest.approx(2.75, abs=0.3)


def test_cold_alone_and_one_bad_start_are_no_rise() -> None:
    found = 0
    for seed in range(40):
        for starts in (planted(seed, 52, cold=0.12), planted(seed, 52, step_s=6.0)):
            one = said(starts)
            found += one is not None and one.found
    assert found <= 1


def test_mended_is_not_harder_any_more() -> None:
    """It rose for eight months; the newest five starts are as good as the first."""
    starts = planted(3, 40, grows_s=4.0)
    good = [s.crank_s for s in starts[:5]]
    mended = [
        Start(at=s.at, attempts=1, crank_s=crank, temp_c=s.temp_c)
        for s, crank in zip(starts[-5:], good, strict=True)
    ]
    one = said(starts[:-5] + mended)
    assert one is None or not one.found


def test_not_judged_without_temperatures_or_points() -> None:
    bare = [Start(at=s.at, attempts=1, crank_s=s.crank_s, temp_c=None) for s in planted(1, 30)]
    refusal = harder(bare)
    assert isinstance(refusal, TooFew)
    assert "no temperature is reported" in refusal.reason
    assert isinstance(harder(planted(1, 11)), TooFew)
    assert isinstance(harder([]), TooFew)

"""The service followed through worlds of another hand: Act now and Same day, right and wrong.

The physics, the weather, the links and the clocks are `simulated`'s own; the truth is kept apart and
judged against what was told. `pytest -m long -s` prints the table.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from replayed import prepared, settings, stormy
from simulated import Score, World, exact_upper, judge, world

from hourhand.recorded import Following

PRINTED = {0: 3.69, 1: 5.57, 2: 7.22, 3: 8.77, 4: 10.24, 5: 11.67, 10: 18.39}
"""Upper 95 % limits of a Poisson mean by count, as tables after Garwood (Biometrika 28, 1936) print
them, to two places."""
SEEDS, AT_ONCE = 20, 5


@pytest.mark.parametrize(("count", "printed"), PRINTED.items())
def test_the_bound_is_the_printed_one(count: int, printed: float) -> None:
    assert round(exact_upper(count), 2) == printed


def lived(folder: Path, made: World) -> Score:
    """A world followed to its end, and judged."""
    data, file = prepared(folder, made)
    with Following(settings(data)) as following:
        following.follow([file])
        return judge(following.registry, made, file)


def test_a_front_over_a_few_sets(tmp_path: Path) -> None:
    score = lived(tmp_path, stormy(40, 6, 0.35))
    assert score.wrong == []
    assert score.found


def test_a_judge_finds_what_is_wrong(tmp_path: Path) -> None:
    """The same alerts against a world in which nothing happened."""
    made = stormy(40, 6, 0.35)
    data, file = prepared(tmp_path, made)
    with Following(settings(data)) as following:
        following.follow([file])
        for life in made.lives:
            life.mains_off.clear()
            life.failures.clear()
            life.runs[:] = [(made.begin, made.end)]
        score = judge(following.registry, made, file)
    assert score.count("act_now", "wrong")
    assert score.count("act_now", "right") == 0


@pytest.mark.long
@pytest.mark.timeout(7200)
@pytest.mark.parametrize("first", range(1, SEEDS + 1, AT_ONCE))
def test_act_now_and_same_day_in_twenty_worlds(tmp_path: Path, first: int) -> None:
    whole = Score()
    for seed in range(first, first + AT_ONCE):
        whole.add(
            lived(tmp_path / str(seed), world(seed, units=8, days=1, areas=1, front_every_d=0.4))
        )
    print(whole.table())
    wrong = whole.count("act_now", "wrong")
    assert whole.outages
    assert whole.count("same_day", "wrong") == 0
    # Known: until a habit is declared or learned, the usual one of 15 min is taken to be the set's own,
    # and a site that speaks every half hour is told as without proof before its report is due.
    assert whole.found["act_now", "mains_outage", "wrong"] == wrong <= 1

"""Each kind of finding speaks in its example and is silent in its healthy twin."""

from __future__ import annotations

import pytest
from finding_pairs import PAIRS, Pair, example, found

from fleet import words

by_name = pytest.mark.parametrize("pair", PAIRS, ids=[pair.name for pair in PAIRS])


def unpaired(kinds: set[str], pairs: tuple[Pair, ...]) -> set[str]:
    """Kinds without a pair, and pairs of no kind."""
    return kinds ^ {pair.kind for pair in pairs}


def test_every_kind_has_its_pair() -> None:
    kinds = set(words.SPEAKERS)
    assert unpaired(kinds, PAIRS) == set()
    assert unpaired(kinds | {"new_kind"}, PAIRS) == {"new_kind"}
    assert unpaired(kinds, PAIRS[1:]) == {PAIRS[0].kind}
    assert len({pair.name for pair in PAIRS}) == len(PAIRS)


@by_name
def test_the_example_speaks(pair: Pair) -> None:
    """It is found, once, and beside it only what the world rightly says too."""
    kinds = [f.kind for f in found(pair.speaks)]
    assert set(kinds) == {pair.kind} | pair.speaks.others
    assert kinds.count(pair.kind) == 1
    assert example(pair).kind == pair.kind


@by_name
def test_the_healthy_twin_is_silent(pair: Pair) -> None:
    assert pair.kind not in pair.silent.others
    assert {f.kind for f in found(pair.silent)} == pair.silent.others


@by_name
def test_the_two_worlds_are_twins(pair: Pair) -> None:
    """They differ in what matters and in nothing else, and each says so in a line."""
    one, other = pair.speaks, pair.silent
    told = {"caption", "others"}
    apart = [n for n in one.__struct_fields__ if getattr(one, n) != getattr(other, n)]
    assert 1 <= len(set(apart) - told) <= 2, apart
    captions = [one.caption, other.caption]
    assert captions[0] != captions[1]
    assert all(c.endswith(".") and "\n" not in c for c in captions)

"""`hourhand bench turns` does what it prints: small, and its figures are no matter here."""

from __future__ import annotations

import json

import pytest

from scheduler.bench import turns
from scheduler.turns import watching


def test_the_bench_of_turns_divides_a_turn_and_leaves_nothing_behind(
    capsys: pytest.CaptureFixture[str],
) -> None:
    real = watching.assess
    assert turns.main(["--units", "2", "--year", "9", "--json"]) == 0
    figures = json.loads(capsys.readouterr().out)
    assert watching.assess is real
    cases = {name: case for name, case in figures.items() if isinstance(case, dict)}
    assert len(cases) == 4
    for name, case in cases.items():
        parts = case["parts_ms"]
        assert sum(parts.values()) == pytest.approx(case["ms"])
        assert (parts["days decoded"] > 0) == ("read" in name), name
        assert parts["rules on the unit"] > 0
    assert 0 < figures["kept_mb_a_unit"] < 1
    assert "running/kept" in turns.table(figures)


def test_a_bench_too_large_is_refused() -> None:
    with pytest.raises(SystemExit):
        turns.main(["--units", "9999", "--year", "999"])

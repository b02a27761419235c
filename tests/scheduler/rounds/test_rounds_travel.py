"""Distances: the estimate held to geodesy, the road table to a server on loopback."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from checks import Checks
from road_server import LAT, LON, Server, served

from fleet.registry.base.engine import open_registry
from scheduler import publishing
from scheduler.rounds import Estimate, Table
from scheduler.rounds.travel import ROAD_FACTOR, driving_s, great_circle_m


def test_great_circles_are_within_half_a_percent_of_the_ellipsoid(
    shared: Path, checked: Checks
) -> None:
    case = json.loads((shared / "check/check-values.json").read_text())["geodesy"]
    sphere = case["haversine_36.12,-86.67_33.94,-118.40_km"]
    there = np.array([33.94]), np.array([-118.40])
    got = [
        float(great_circle_m(36.12, -86.67, *there, radius_km=r)[0]) / 1000 for r in (6371, 6372.8)
    ]
    checked(
        "Great circle of the rounds' matrix [km]",
        "haversine example of many texts",
        [sphere["R6371"], sphere["R6372.8"]],
        got,
        1e-4,
    )
    line = float(
        great_circle_m(
            -37.95103341666667,
            144.42486788888888,
            np.array([-37.65282113888889]),
            np.array([143.92649552777777]),
        )[0]
    )
    checked(
        "Great circle over the ellipsoid's [1]",
        "national geodesy agency's test line",
        1.0,
        line / 54972.271,
        0.005,
    )


def test_the_road_is_a_stated_factor_longer_and_the_diagonal_is_nothing() -> None:
    found = Estimate().between(LAT, LON)
    crow = great_circle_m(LAT[3], LON[3], LAT, LON)
    assert ROAD_FACTOR == 1.3
    assert np.abs(found.metres[3] - 1.3 * crow).max() <= 1
    assert (np.diag(found.metres) == 0).all()
    assert (found.metres == found.metres.T).all()
    assert found.estimated == 1.0
    assert found.metres.dtype == found.seconds.dtype == np.int32


def test_the_way_over_a_third_place_is_never_quicker() -> None:
    seconds = Estimate().between(LAT, LON).seconds.astype(int)
    over = (seconds[:, :, None] + seconds[None, :, :]).min(axis=1)
    assert (seconds <= over + 1).all()


def test_speed_rises_with_the_length_of_the_way() -> None:
    """25 km/h about town, 25 + 60 (1 - 1/e) = 62.9 km/h at 25 km."""
    hours = driving_s(np.array([1.0, 25_000.0])) / 3600
    assert 0.001 / hours[0] == pytest.approx(25, abs=0.01)
    assert 25 / hours[1] == pytest.approx(62.93, abs=0.01)


def test_a_table_in_blocks_with_a_cell_that_has_no_way() -> None:
    guess = Estimate().between(LAT, LON)
    server = Server(blank=((0, 3),))
    with served(server) as url:
        table = Table(url)
        found = table.between(LAT, LON)
        assert server.asked == 4
        assert found.metres[1, 2] == 1236
        assert found.metres[0, 3] == guess.metres[0, 3]
        assert found.guessed is not None
        assert found.guessed.sum() == 1
        assert found.estimated == pytest.approx(1 / (130 * 129))
        assert (np.diag(found.metres) == 0).all()
        some = table.between(LAT[5:9], LON[5:9])
        assert server.asked == 4, "what was answered is remembered by place"
        assert (some.metres == found.metres[5:9, 5:9]).all()


def test_a_block_that_fails_is_estimated_and_the_rest_is_not() -> None:
    guess = Estimate().between(LAT, LON)
    with served(Server(fails=1)) as url:
        found = Table(url).between(LAT, LON)
    assert (found.metres[:100, :100] == guess.metres[:100, :100]).all()
    assert (found.metres[100:, :100] == 1235 + np.arange(100, 130)[:, None]).all()
    assert 0.5 < found.estimated < 0.7


@pytest.mark.parametrize("url", ["http://127.0.0.1:1", "refusing"])
def test_without_a_server_everything_is_estimated(url: str) -> None:
    guess = Estimate().between(LAT, LON)
    if url == "refusing":
        with served(Server(fails=99)) as running:
            found = Table(running).between(LAT, LON)
    else:
        found = Table(url).between(LAT, LON)
    assert found.estimated == 1.0
    assert (found.seconds == guess.seconds).all()


@pytest.mark.parametrize("url", ["ftp://x/", "file:///etc/hosts", "road.example", ""])
def test_an_address_that_is_none_is_refused(url: str) -> None:
    with pytest.raises(ValueError, match="http"):
        Table(url)


def test_the_road_server_of_the_settings_is_asked_by_whoever_plans(tmp_path: Path) -> None:
    """`hourhand rounds plan` on a data folder whose settings name one: its metres, not estimates."""
    from ready_jobs import ready

    registry = open_registry(f"sqlite:///{tmp_path / 'registry.db'}")
    ready(registry)
    registry.close()
    server = Server()
    with served(server) as url:
        (tmp_path / "hourhand.toml").write_text(f'road_table_url = "{url}"\n')
        said = subprocess.run(
            [
                sys.executable,
                "-m",
                "hourhand",
                "rounds",
                "plan",
                "--seconds",
                "1",
                "--json",
                "--data",
                str(tmp_path),
            ],
            capture_output=True,
            text=True,
            check=False,
        )
    assert said.returncode == 0, said.stderr
    made = json.loads(said.stdout)["plan"]
    assert made["travel_source"] == "table"
    assert server.asked > 0


def test_without_one_the_plan_says_it_is_estimated() -> None:
    assert isinstance(publishing.road(""), Estimate)
    assert publishing.road("") is publishing.road("")
    with pytest.raises(ValueError, match="http"):
        publishing.road("road.example")

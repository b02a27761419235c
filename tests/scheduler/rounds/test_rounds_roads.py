"""A road server that comes or goes is news to a plan: said, and never published by itself.

The server is a stub on loopback that is started and stopped around the plans.
"""

from __future__ import annotations

import socket
from collections.abc import Callable
from pathlib import Path

import pytest
from dispatching import Office
from ready_jobs import BY, ready
from register_rows import NOW
from road_server import Server, served

from fleet.model import EVERYTHING
from fleet.registry.base.engine import Registry, open_registry
from fleet.registry.office import kept_rounds
from fleet.registry.office.kept_rounds import Ask
from fleet.words.job_sentences import travel_words
from scheduler import dispatch, publishing
from scheduler.rounds import Estimate, PlanContext, Table, Travel
from scheduler.turns import planning
from scheduler.turns.planning import Outcome

pytest_plugins = ["dispatching"]


@pytest.fixture
def reg(tmp_path: Path) -> Registry:
    registry = open_registry(f"sqlite:///{tmp_path / 'registry.db'}")
    ready(registry)
    return registry


def nowhere() -> str:
    """An address on loopback where nothing listens."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return f"http://127.0.0.1:{probe.getsockname()[1]}"


def planned(registry: Registry, travel: Travel | None, at: int = NOW) -> Outcome:
    return planning.plan_rounds(registry, at, Ask(iterations=30), "Dee", PlanContext(travel=travel))


def published(registry: Registry, found: Outcome) -> int:
    assert found.plan is not None
    return publishing.publish(registry, found.plan, BY, NOW + 10, "", tell_customers=True)


def source(found: Outcome) -> str:
    assert found.plan is not None
    return found.plan.travel_source


@pytest.mark.parametrize("keep", ["the draft", "the plan in force"])
@pytest.mark.parametrize("before", [Estimate, lambda: Table(nowhere())], ids=["no server", "away"])
def test_a_road_server_that_comes_is_news(
    reg: Registry, keep: str, before: Callable[[], Travel]
) -> None:
    first = planned(reg, before())
    assert source(first) in ("estimate", "no answer")
    told = published(reg, first) if keep == "the plan in force" else None
    again = planned(reg, before(), NOW + 20)
    assert not again.new, "nothing came"
    with served(Server()) as url:
        found = planned(reg, Table(url), NOW + 30)
        assert found.new
        assert source(found) == "table"
        assert found.said.endswith("Driving times: by the road server.")
        same = planned(reg, Table(url), NOW + 40)
        assert not same.new
    if told is not None:
        in_force = kept_rounds.in_force(reg, EVERYTHING)
        assert in_force is not None
        assert in_force.id == told, "nobody published the draft"


def test_a_road_server_that_goes_is_said_and_publishes_nothing(reg: Registry) -> None:
    with served(Server()) as url:
        first = planned(reg, Table(url))
        told = published(reg, first)
        assert not planned(reg, Table(url), NOW + 20).new
    found = planned(reg, Table(url), NOW + 30)
    assert found.new
    assert source(found) == "no answer"
    assert "for the road server did not answer" in found.said
    in_force = kept_rounds.in_force(reg, EVERYTHING)
    assert in_force is not None
    assert in_force.id == told
    assert dispatch.decode(in_force.doc).travel_source == "table"
    assert not planned(reg, Table(url), NOW + 40).new, "told once"


def test_ways_that_were_answered_are_remembered_while_it_is_away(reg: Registry) -> None:
    """One process asks once: a server that is away for a night makes nothing worse."""
    with served(Server()) as url:
        road = Table(url)
        published(reg, planned(reg, road))
    again = planned(reg, road, NOW + 30)
    assert not again.new
    assert source(again) == "table"


def test_a_server_that_answers_for_more_is_news_and_another_one_too(reg: Registry) -> None:
    with served(Server(fails=99)) as url:
        assert source(planned(reg, Table(url))) == "no answer"
    with served(Server()) as url:
        assert planned(reg, Table(url), NOW + 10).new
    with served(Server()) as other:
        assert planned(reg, Table(other), NOW + 20).new


def test_a_server_away_is_as_no_server(reg: Registry) -> None:
    """Named in the settings and never there: the ways are the same, so nothing is planned anew."""
    first = planned(reg, Estimate())
    assert first.new
    assert not planned(reg, Table(nowhere()), NOW + 10).new


@pytest.mark.parametrize(
    ("source", "said"),
    [
        ("estimate", "estimated from straight distances and a stated road factor"),
        ("table", "by the road server"),
        ("table, 3 % estimated", "by the road server, 3 % of the ways estimated"),
        ("no answer", "estimated from straight distances, for the road server did not answer"),
    ],
)
def test_the_ways_in_words(source: str, said: str) -> None:
    assert travel_words(source) == said


@pytest.mark.sqlite_only
def test_the_page_says_which_ways_were_used(office: Office) -> None:
    from roles import add, app_of, signed_in

    caller = signed_in(office.fleet, add(office.fleet, "dee", "office"))
    page = caller.client(app_of(office.fleet)).get("/rounds").text
    assert "Driving times are estimated from straight distances and a stated road factor." in page

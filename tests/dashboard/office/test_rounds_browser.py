"""Jobs and rounds in Chromium: a call by keyboard alone, sizes, targets, accessibility."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from as_viewer import as_real_owner
from browsers import DESK, SIZES, accessible_at, fits, opened, serving
from dispatching import CALL, Office, close, copied, in_force
from playwright.sync_api import Browser, expect
from seeding import FAILED, NOW, unit_id

from dashboard.app import create_app
from fleet.model import EVERYTHING
from fleet.registry.office import kept_jobs
from scheduler import dispatch

pytest_plugins = ["dispatching"]
pytestmark = pytest.mark.sqlite_only


@dataclass
class Served:
    office: Office
    url: str
    paths: dict[str, str] = field(default_factory=dict)


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory, told_office: Path) -> Iterator[Served]:
    office = copied(told_office, tmp_path_factory.mktemp("browser") / "data")
    fleet = office.fleet
    app = create_app(fleet.settings, fleet.registry, fleet.history, now=lambda: NOW)
    as_real_owner(app, fleet.registry, NOW)
    with serving(app) as url:
        first = dispatch.decode(in_force(office)).rounds[0]
        yield Served(
            office,
            url,
            {
                "jobs": "/jobs",
                "call": f"/jobs/call?q=Harwick&unit={unit_id(FAILED)}",
                "job": f"/jobs/{CALL}",
                "rounds": "/rounds",
                "day": f"/rounds/day/{first.technician}/{first.day}",
                "change": f"/rounds/change/{CALL}",
                "insert": f"/rounds/insert/{CALL}",
                "technicians": "/technicians",
                "technician": "/technicians/ana",
                "card": f"/sites/{office.sites[unit_id(FAILED)]}",
            },
        )
    close(office)


PAGES = (
    "jobs",
    "call",
    "job",
    "rounds",
    "day",
    "change",
    "insert",
    "technicians",
    "technician",
    "card",
)


@pytest.mark.parametrize("size", SIZES)
def test_pages_fit_and_keep_to_themselves(browser: Browser, served: Served, size: str) -> None:
    with opened(browser, SIZES[size]) as watched:
        for page in PAGES:
            watched.page.goto(served.url + served.paths[page])
            fits(watched, size == "phone")


@pytest.mark.long
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("page", PAGES)
def test_axe_finds_nothing(
    browser: Browser, served: Served, page: str, size: str, scheme: str
) -> None:
    check(browser, served, page, size, scheme)


@pytest.mark.parametrize(
    ("page", "size", "scheme"), [("rounds", "desk", "light"), ("day", "phone", "dark")]
)
def test_axe_finds_nothing_on_two(
    browser: Browser, served: Served, page: str, size: str, scheme: str
) -> None:
    check(browser, served, page, size, scheme)


def check(browser: Browser, served: Served, page: str, size: str, scheme: str) -> None:
    accessible_at(browser, served.url + served.paths[page], size, scheme)


@pytest.mark.parametrize("scripts", [True, False])
def test_a_call_is_taken_by_keyboard_alone(browser: Browser, served: Served, scripts: bool) -> None:
    """Number, Enter, what is wrong, Tab, Enter: no mouse, no script needed
    (docs/engineering/pages.md#a-call-is-taken).
    """
    said = f"Hums and stops, scripts {scripts}"
    with opened(browser, DESK, scripts=scripts) as watched:
        page, keys = watched.page, watched.page.keyboard
        page.goto(f"{served.url}/jobs/call")
        expect(page.get_by_role("searchbox")).to_be_focused()
        keys.type("01632960007")
        keys.press("Enter")
        page.wait_for_url("**q=01632960007*")
        expect(page.locator("textarea[name=symptom]")).to_be_focused()
        keys.type(said)
        for _ in range(5):
            keys.press("Tab")
        expect(page.get_by_role("button", name="Take the job")).to_be_focused()
        keys.press("Enter")
        page.wait_for_url("**/jobs/*-*done=taken")
        expect(page.locator("h1")).to_contain_text(said)
    made = [j for j in kept_jobs.jobs(served.office.fleet.registry, EVERYTHING) if j.title == said]
    assert [(j.unit, j.phone, j.found_by) for j in made] == [
        (unit_id(7), "01632 960007", "customer")
    ]

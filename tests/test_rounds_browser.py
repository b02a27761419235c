"""Jobs and rounds in Chromium: a call by keyboard alone, sizes, targets, accessibility."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
import uvicorn
from axe_playwright_python.sync_playwright import Axe
from browsers import DESK, PHONE, opened, sideways
from dispatching import CALL, Office, close, copied, in_force
from looking import as_real_owner
from playwright.sync_api import Browser, expect
from seeding import FAILED, NOW, unit_id

from dashboard.app import create_app
from fleet.model import EVERYTHING
from fleet.registry import jobs
from scheduler import dispatch

pytest_plugins = ["dispatching"]
pytestmark = pytest.mark.sqlite_only
SIZES = {"desk": DESK, "phone": PHONE}
AXE = {"runOnly": ["wcag2a", "wcag2aa", "wcag21aa", "wcag22aa", "best-practice"]}
SMALL = """() => [...document.querySelectorAll(
  '.btn, .nav a, summary, .check, select, textarea, .links a, .hits a, '
  + 'input:not([type=hidden], [type=checkbox], [type=radio], .vh)')]
  .filter((e) => e.checkVisibility())
  .map((e) => [e.tagName, e.textContent.trim().slice(0, 30), e.getBoundingClientRect()])
  .filter(([, , box]) => box.height < 43.5 || box.width < 43.5)
  .map(([tag, text, box]) => `${tag} ${text} ${box.width}x${box.height}`)"""


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
    config = uvicorn.Config(
        app, host="127.0.0.1", port=0, log_level="warning", timeout_graceful_shutdown=1, ws="none"
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.02)
    port = server.servers[0].sockets[0].getsockname()[1]
    first = dispatch.decode(in_force(office)).rounds[0]
    yield Served(office, f"http://127.0.0.1:{port}", {
        "jobs": "/jobs", "call": f"/jobs/call?q=Harwick&unit={unit_id(FAILED)}",
        "job": f"/jobs/{CALL}", "rounds": "/rounds",
        "day": f"/rounds/day/{first.technician}/{first.day}", "change": f"/rounds/change/{CALL}",
        "insert": f"/rounds/insert/{CALL}", "technicians": "/technicians",
        "technician": "/technicians/ana", "card": f"/sites/{office.sites[unit_id(FAILED)]}",
    })  # fmt: skip
    server.should_exit = True
    thread.join(10)
    close(office)


PAGES = ("jobs", "call", "job", "rounds", "day", "change", "insert", "technicians", "technician",
         "card")  # fmt: skip


@pytest.mark.parametrize("size", SIZES)
def test_pages_fit_and_keep_to_themselves(browser: Browser, served: Served, size: str) -> None:
    with opened(browser, SIZES[size]) as watched:
        for page in PAGES:
            watched.page.goto(served.url + served.paths[page])
            assert sideways(watched.page) == 0, page
            if size == "phone":
                assert watched.page.evaluate(SMALL) == [], page


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
    with opened(browser, SIZES[size], scheme) as watched:
        watched.page.goto(served.url + served.paths[page])
        for box in watched.page.locator("details > summary").all():
            if box.evaluate("e => !e.parentElement.open"):
                box.click()
        found = Axe().run(watched.page, options=AXE).response["violations"]
        assert [(v["id"], [n["target"] for n in v["nodes"]][:4]) for v in found] == []


@pytest.mark.parametrize("scripts", [True, False])
def test_a_call_is_taken_by_keyboard_alone(browser: Browser, served: Served, scripts: bool) -> None:
    """Number, Enter, what is wrong, Tab, Enter: no mouse, no script needed (EXPERIENCE 5)."""
    said = f"Hums and stops, scripts {scripts}"
    with opened(browser, DESK, scripts=scripts) as watched:
        page, keys = watched.page, watched.page.keyboard
        page.goto(f"{served.url}/jobs/call")
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
    made = [j for j in jobs.jobs(served.office.fleet.registry, EVERYTHING) if j.title == said]
    assert [(j.unit, j.phone, j.found_by) for j in made] == [
        (unit_id(7), "01632 960007", "customer")
    ]

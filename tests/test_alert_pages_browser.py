"""Alerts and the call list in Chromium: they fit a phone, can be hit, and axe finds nothing."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator

import pytest
import uvicorn
from axe_playwright_python.sync_playwright import Axe
from browsers import DESK, PHONE, opened, sideways
from looking import as_real_owner
from playwright.sync_api import Browser
from seeding import FAILED, NOW, seed, unit_id
from test_alert_pages import alert_of, mains_off
from test_browser import AXE, SMALL_TARGETS

from dashboard.app import create_app

SIZES = {"desk": DESK, "phone": PHONE}
PAGES = ("alerts", "past", "alert", "outages", "outage", "rota", "waking")


@pytest.fixture(scope="module")
def addresses(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    fleet = seed(tmp_path_factory.mktemp("alert-browser"), demo=False)
    outage, failed = mains_off(fleet), alert_of(fleet, FAILED, "failed_start")
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
    base = f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
    paths = {"alerts": "/alerts", "past": "/alerts?show=all", "alert": f"/alerts/{failed}",
             "outages": "/outages", "outage": f"/outages/{outage}", "rota": "/rota",
             "waking": "/waking"}  # fmt: skip
    yield {name: base + path for name, path in paths.items()}
    server.should_exit = True
    thread.join(10)
    fleet.history.store.close()
    fleet.registry.close()


@pytest.mark.parametrize("page", PAGES)
def test_it_fits_a_phone_and_can_be_hit(
    browser: Browser, addresses: dict[str, str], page: str
) -> None:
    with opened(browser, PHONE) as watched:
        watched.page.goto(addresses[page])
        assert watched.page.locator("h1").count() == 1
        assert sideways(watched.page) == 0
        assert watched.page.evaluate(SMALL_TARGETS) == []


@pytest.mark.parametrize("page", ["alert", "outage"])
def test_axe_finds_nothing_on_the_two_that_messages_open(
    browser: Browser, addresses: dict[str, str], page: str
) -> None:
    check(browser, addresses[page], "phone", "light")


@pytest.mark.long
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("page", PAGES)
def test_axe_finds_nothing(
    browser: Browser, addresses: dict[str, str], page: str, size: str, scheme: str
) -> None:
    check(browser, addresses[page], size, scheme)


def check(browser: Browser, address: str, size: str, scheme: str) -> None:
    with opened(browser, SIZES[size], scheme) as watched:
        watched.page.goto(address)
        for box in watched.page.locator("details > summary").all():
            if box.evaluate("e => !e.parentElement.open"):
                box.click()
        found = Axe().run(watched.page, options=AXE).response["violations"]
        assert [(v["id"], [n["target"] for n in v["nodes"]][:4]) for v in found] == []
        assert sideways(watched.page) == 0


def test_the_holder_of_the_duty_phone_finds_it_without_scripts(
    browser: Browser, addresses: dict[str, str]
) -> None:
    """One page, no hunting: who is first, a tap to call, what came of it, and that one has it."""
    with opened(browser, PHONE, scripts=False) as watched:
        page = watched.page
        page.goto(addresses["outage"])
        first = page.locator(".calls > li").first
        assert "Would not start" in first.inner_text()
        call = first.locator("a[href^='tel:']")
        assert call.bounding_box() is not None
        first.get_by_role("button", name="They have no power").click()
        assert "They have no power, Dee" in page.locator(f"#u-{unit_id(6)}").inner_text()
        page.get_by_role("button", name="I have it").click()
        assert "Dee has it" in page.locator("main").inner_text()

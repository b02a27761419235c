"""Pages in Chromium: nothing from outside, no sideways scroll, targets, contrast, charts, live."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import pytest
from as_viewer import as_real_owner
from browsers import DESK, PHONE, SIZES, accessible_at, fits, opened, serving, sideways
from playwright.sync_api import Browser, expect
from seeding import FAILED, NEW, NOW, STANDING_S, Fleet, seed, unit_id
from seen_run import RAN, RAN_TO

from dashboard.app import create_app
from fleet.model import DeviceEvent, Latest, Pulse, Reading
from fleet.registry import unscoped
from fleet.registry.facts.rows import PulseBatch
from fleet.store import open_store
from scheduler.turns import Memory, work_through

PAGES = {
    "today": "/",
    "units": "/units",
    "unit": f"/units/{unit_id(FAILED)}",
    "unit_new": f"/units/{unit_id(NEW)}",
    "due": "/due?days=",
    "alerts": "/alerts",
    "health": "/health-page",
    "more": "/more",
    "tolerance": "/tolerance",
    "record": f"/units/{unit_id(0)}/record/meter_check",
    "signal": f"/units/{unit_id(0)}/signal?started={RAN}&stopped={RAN_TO}",
    "missing": "/nothing",
    "sign_in": "/sign-in",
    "signed_out": "/signed-out",
    "account": "/account",
    "people": "/people",
    "tokens": "/people/tokens",
    "shares": "/people/shares",
    "done": "/people/done",
}
PATIENCE_MS = 20_000


@dataclass
class Served:
    """A seeded fleet and the address it is served at."""

    fleet: Fleet
    url: str


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    fleet = seed(tmp_path_factory.mktemp("browser"))
    app = create_app(fleet.settings, fleet.registry, fleet.history, now=lambda: NOW)
    as_real_owner(app, fleet.registry, NOW)
    with serving(app) as url:
        yield Served(fleet, url)
    fleet.history.store.close()
    fleet.registry.close()


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("page", PAGES)
def test_a_page_fits_and_keeps_to_itself(
    browser: Browser, served: Served, page: str, size: str
) -> None:
    with opened(browser, SIZES[size]) as watched:
        watched.page.goto(served.url + PAGES[page])
        fits(watched, size == "phone")
        if page == "missing":
            watched.complaints.clear()  # the browser reports the 404 it was given


@pytest.mark.long
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("page", PAGES)
def test_axe_finds_nothing(
    browser: Browser, served: Served, page: str, size: str, scheme: str
) -> None:
    check(browser, served, page, size, scheme)


@pytest.mark.parametrize(
    ("page", "size", "scheme"), [("today", "phone", "light"), ("unit", "desk", "dark")]
)
def test_axe_finds_nothing_on_two_of_them(
    browser: Browser, served: Served, page: str, size: str, scheme: str
) -> None:
    check(browser, served, page, size, scheme)


def check(browser: Browser, served: Served, page: str, size: str, scheme: str) -> None:
    accessible_at(browser, served.url + PAGES[page], size, scheme, missing=page == "missing")


@pytest.mark.parametrize("page", ["today", "unit", "due", "health"])
def test_pages_are_whole_without_scripts(browser: Browser, served: Served, page: str) -> None:
    with opened(browser, PHONE, scripts=False) as watched:
        watched.page.goto(served.url + PAGES[page])
        expect(watched.page.locator("h1")).to_be_visible()
        assert watched.page.locator("main .panel").count() >= 1
        if page == "unit":
            watched.page.get_by_role("heading", name="History").click()
            expect(watched.page.locator("#volts svg")).to_be_visible()


def test_first_paint_of_today_asks_for_little(browser: Browser, served: Served) -> None:
    """Under 60 kB over the wire, and no plotting library (docs/engineering/pages.md#first-paint)."""
    with opened(browser, PHONE) as watched:
        client = watched.page.context.new_cdp_session(watched.page)
        client.send("Network.enable")
        sizes: list[float] = []
        client.on("Network.loadingFinished", lambda event: sizes.append(event["encodedDataLength"]))
        asked: list[str] = []
        watched.page.on("request", lambda request: asked.append(request.url))
        watched.page.goto(served.url, wait_until="load")
        assert sum(sizes) < 60_000
        assert not any("plotly" in url for url in asked)


def test_a_chart_comes_on_a_tap_at_a_phone_and_asks_again_for_a_closer_look(
    browser: Browser, served: Served
) -> None:
    with opened(browser, PHONE) as watched:
        page = watched.page
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        page.goto(f"{served.url}/units/{unit_id(0)}")
        assert not any("plotly" in url or "/charts/" in url for url in asked)
        page.get_by_role("heading", name="History").click()
        page.get_by_role("button", name="Explore every reading").click()
        plot = page.locator(".canvas .main-svg").first
        expect(plot).to_be_visible(timeout=PATIENCE_MS)
        assert page.locator(".canvas .scatterlayer .trace").count() >= 5
        assert page.locator(".canvas .shapelayer path").count() >= 4
        assert sideways(page) == 0
        with page.expect_response(lambda answer: "from=" in answer.url) as closer:
            page.evaluate(
                """() => window.Plotly.relayout(document.querySelector('.canvas'),
                   {'xaxis.range[0]': '2026-11-20 00:00', 'xaxis.range[1]': '2026-11-21 00:00'})"""
            )
        assert closer.value.status == 200
        with page.expect_response(lambda answer: "days=7" in answer.url):
            page.get_by_role("button", name="Week").click()


def test_at_a_desk_the_chart_draws_itself_when_it_comes_near(
    browser: Browser, served: Served
) -> None:
    with opened(browser, DESK) as watched:
        watched.page.goto(f"{served.url}/units/{unit_id(0)}")
        watched.page.locator("#history").scroll_into_view_if_needed()
        expect(watched.page.locator(".canvas .main-svg").first).to_be_visible(timeout=PATIENCE_MS)


def test_a_record_can_be_written_down_without_scripts(browser: Browser, served: Served) -> None:
    with opened(browser, PHONE, scripts=False) as watched:
        page = watched.page
        page.goto(f"{served.url}/units/{unit_id(0)}")
        page.get_by_role("heading", name="What was recorded").click()
        page.get_by_role("link", name="Hour meter read").click()
        page.get_by_label("Your name").fill("Dee")
        page.get_by_label("Engine's own hour meter").fill("403,2")
        page.get_by_role("button", name="Write down the reading").click()
        expect(page.get_by_text("Written down: hour meter read.")).to_be_visible()
        page.get_by_role("heading", name="What was recorded").click()
        expect(page.get_by_text("hours 403.2 h")).to_be_visible()


def failed_again(fleet: Fleet, n: int, at: int) -> None:
    """A failed start arrives as ingest would note it, and the scheduler takes its turn."""
    device = f"dev-{n + 1:02d}"
    store = open_store(fleet.settings, writing=True)
    store.write([Reading(device, at, {"battery_v": 12.1, "in_auto": 1.0, "ac_v": 0.0})])
    store.close()
    event = DeviceEvent(device=device, at=at, event="failed_to_start", received_at=at)
    pulse = Pulse(device=device, heard_at=at, newest_at=at, latest={"battery_v": Latest(at, 12.1)})
    batch = PulseBatch(now=at, pulses=[pulse], touched={device: {at // 86_400}}, events=[event])
    unscoped.pulse(fleet.registry, batch)
    work_through(fleet.registry, fleet.history, NOW, Memory())


def test_news_changes_the_open_page_and_only_new_act_now_is_spoken(
    browser: Browser, served: Served
) -> None:
    with opened(browser, DESK) as watched:
        page = watched.page
        page.goto(served.url)
        expect(page.locator("#needs")).not_to_contain_text("Chapel Pumping")
        page.evaluate("() => { window.stayed = true; }")
        failed_again(served.fleet, 8, NOW - STANDING_S // 2)
        expect(page.locator("#needs")).to_contain_text("Chapel Pumping", timeout=PATIENCE_MS)
        expect(page.locator("#say")).to_have_text("Act now: Chapel Pumping, Would not start.")
        assert page.evaluate("() => window.stayed") is True, "the page was loaded anew"


@pytest.mark.long
def test_a_hidden_page_stops_listening(browser: Browser, served: Served) -> None:
    with opened(browser, DESK) as watched:
        page = watched.page
        with page.expect_response("**/events*", timeout=PATIENCE_MS):
            page.goto(served.url)
        with page.expect_event(
            "requestfailed", lambda request: "/events" in request.url, timeout=PATIENCE_MS
        ) as hidden:
            page.evaluate(
                """() => {
                  Object.defineProperty(document, 'hidden', {value: true, configurable: true});
                  document.dispatchEvent(new Event('visibilitychange'));
                }"""
            )
        assert "/events" in hidden.value.url

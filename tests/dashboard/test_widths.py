"""No page scrolls sideways and nothing sticks out of its panel, at a small phone, a phone, a tablet, a laptop, a desk; folded and unfolded."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import crawl
import pytest
from browsers import opened, serving
from dispatching import Office
from fastapi import FastAPI
from mains_off import mains_off
from msgspec import structs
from playwright.sync_api import Browser, Page
from roles import Caller, add, app_of, signed_in
from sampling import some
from seeding import unit_id
from seen_run import RAN, RAN_TO

from fleet.model import EVERYTHING
from fleet.registry.office import kept_jobs

pytest_plugins = ["dispatching"]
pytestmark = pytest.mark.sqlite_only
WIDTHS = (320, 390, 768, 1024, 1440)
WIDER = """() => {
  const over = document.scrollingElement.scrollWidth - innerWidth;
  const out = [...document.querySelectorAll('.panel')]
    .filter((e) => e.checkVisibility() && getComputedStyle(e).overflowX === 'visible'
      && e.scrollWidth > e.clientWidth + 1)
    .map((e) => `${e.scrollWidth - e.clientWidth} px out of its panel: ${e.textContent.trim().slice(0, 30)}`);
  if (over <= 0) return out.slice(0, 4).join(' | ');
  const wide = [...document.querySelectorAll('main *, header *')]
    .filter((e) => e.checkVisibility() && e.getBoundingClientRect().right > innerWidth + 0.5)
    .map((e) => `${e.tagName}.${e.className} ${e.textContent.trim().slice(0, 30)}`);
  return `${over} px: ${wide.slice(0, 4).join(' | ')}`;
}"""


@dataclass
class Served:
    """Where the pages are, and which: one of each kind that an owner is led to."""

    url: str
    app: FastAPI
    caller: Caller
    paths: list[str]


@pytest.fixture(scope="module")
def served(module_office: Office) -> Iterator[Served]:
    fleet = module_office.fleet
    mains_off(fleet)
    caller = signed_in(
        fleet,
        add(fleet, "wilhelmina.featherstonehaugh-cholmondeley@standby-power.example", "owner"),
    )
    long = "Harrow, Finch & Daughters Standby Power Installations (North) Ltd"
    app = app_of(replace(fleet, settings=structs.replace(fleet.settings, firm=long)))
    free = next(j.id for j in kept_jobs.jobs(fleet.registry, EVERYTHING) if not j.technician)
    signal = f"/units/{unit_id(0)}/signal?started={RAN}&stopped={RAN_TO}"
    begin = ("/", f"/rounds/insert/{free}", f"/rounds/change/{module_office.call}", signal)
    found: dict[str, str] = {}
    for page in crawl.follow(app, caller.client(app), begin):
        if page.status < 400 and (page.forms or page.links) and "/static/" not in page.path:
            found.setdefault(crawl.alike(app, page.path), page.path)
    with serving(app) as url:
        yield Served(url, app, caller, list(found.values()))


def wider(page: Page, widths: tuple[int, ...] = WIDTHS) -> list[str]:
    """What is wider than the window or its panel, at each width, before and after everything is unfolded."""
    found = []
    for width in widths:
        page.set_viewport_size({"width": width, "height": 900})
        said = page.evaluate(WIDER)
        if said:
            found.append(f"at {width}: {said}")
    page.evaluate("() => { for (const d of document.querySelectorAll('details')) d.open = true; }")
    for width in widths:
        page.set_viewport_size({"width": width, "height": 900})
        said = page.evaluate(WIDER)
        if said:
            found.append(f"unfolded at {width}: {said}")
    return found


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "plain"])
def test_no_page_scrolls_sideways(browser: Browser, served: Served, scripts: bool) -> None:
    """Every page at the narrowest window, where most goes wrong, and at another of the widths."""
    assert len(served.paths) > 30
    assert sideways(browser, served, scripts, 1) == []


@pytest.mark.long
def test_no_page_scrolls_sideways_at_any_width(browser: Browser, served: Served) -> None:
    assert sideways(browser, served, True, len(WIDTHS)) == []


def sideways(browser: Browser, served: Served, scripts: bool, more: int) -> list[str]:
    """What is wider than the narrowest window, and than so many more widths, page by page."""
    wrong: list[str] = []
    with opened(browser, {"width": 390, "height": 900}, scripts=scripts) as watched:
        watched.page.context.add_cookies(
            [
                {"name": name, "value": value, "url": served.url}
                for name, value in served.caller.cookies.items()
            ]
        )
        for path in [*served.paths, "/nothing-here"]:
            if not scripts and path not in ("/", "/rounds", "/people", "/health-page"):
                continue
            watched.page.goto(served.url + path, wait_until="load")
            widths = (WIDTHS[0], *some(WIDTHS[1:], more, crawl.alike(served.app, path)))
            wrong += [f"{path} {said}" for said in wider(watched.page, widths)]
        watched.complaints.clear()  # the browser reports the 404 it was given
    return wrong


@pytest.mark.parametrize("path", ["/sign-in", "/signed-out", "/units"])
def test_nor_for_those_outside(browser: Browser, served: Served, path: str) -> None:
    with opened(browser) as watched:
        watched.page.goto(served.url + path)
        assert wider(watched.page) == []

"""Chromium for tests: Debian's own, every request but loopback blocked and held against the page.

Measured pitfalls it minds: `--no-sandbox` as root, no quic or background requests, functions (not
bare expressions) in wait_for_function, no bypass of the content policy.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from urllib.parse import urlsplit

import parts
import uvicorn
from axe_playwright_python.sync_playwright import Axe
from fastapi import FastAPI
from playwright.sync_api import (
    Browser,
    BrowserContext,
    ConsoleMessage,
    Page,
    Route,
    sync_playwright,
)
from playwright.sync_api import (
    Error as PlaywrightError,
)

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
DESK = {"width": 1440, "height": 900}
PHONE = {"width": 390, "height": 844}
SIZES = {"desk": DESK, "phone": PHONE}
LOOPBACK = ("127.0.0.1", "localhost")
MAP_STYLE = "Applying inline style violates"
"""The plotting library's full bundle tries once to add a style for its map traces; the content
policy blocks it without harm (measured). Forgiven where the library was asked for, nowhere else."""


@contextmanager
def launched() -> Iterator[Browser]:
    """One browser for a session of tests; skips, or fails where it is required, without one."""
    parts.need("chromium")
    path = parts.chromium_program()
    with sync_playwright() as playwright:
        try:
            browser = playwright.chromium.launch(executable_path=path, args=FLAGS)
        except PlaywrightError as fault:
            said = parts.lacks(str(fault))
        else:
            said = ""
        if said:
            parts.skip("chromium", f"Chromium does not start: {said}")
        try:
            yield browser
        finally:
            browser.close()


@dataclass
class Watched:
    """A page with everything it should not have done."""

    page: Page
    outside: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)

    def check(self) -> None:
        """Fail where the page reached out, or the console spoke of an error or a violation."""
        assert not self.outside, f"asked outside this machine: {self.outside}"
        assert not self.complaints, f"the console said: {self.complaints}"


@contextmanager
def opened(
    browser: Browser, viewport: dict[str, int] = DESK, scheme: str = "light", scripts: bool = True
) -> Iterator[Watched]:
    """A fresh context and page; checked when the block ends without another error."""
    context: BrowserContext = browser.new_context(
        viewport=viewport,  # type: ignore[arg-type]
        color_scheme=scheme,  # type: ignore[arg-type]
        java_script_enabled=scripts,
        reduced_motion="reduce",
    )
    watched = Watched(context.new_page())

    def gate(route: Route) -> None:
        if urlsplit(route.request.url).hostname in LOOPBACK:
            route.continue_()
        else:
            watched.outside.append(route.request.url)
            route.abort()

    context.route("**/*", gate)

    def hear(said: ConsoleMessage) -> None:
        library = "/static/plotly." in said.location.get("url", "")
        if said.type == "error" and not (library and said.text.startswith(MAP_STYLE)):
            watched.complaints.append(said.text)

    watched.page.on("console", hear)
    watched.page.on("pageerror", lambda fault: watched.complaints.append(str(fault)))
    try:
        yield watched
        watched.check()
    finally:
        context.close()


def styled(page: Page) -> None:
    """Wait for the style sheets: an element can be found on a page that is not laid out yet."""
    page.wait_for_load_state("load")


def sideways(page: Page) -> int:
    """Pixels by which the page is wider than its window, once its style is there."""
    styled(page)
    wide: int = page.evaluate(
        "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"
    )
    return wide


AXE = {"runOnly": ["wcag2a", "wcag2aa", "wcag21aa", "wcag22aa", "best-practice"]}
SMALL_TARGETS = """() => [...document.querySelectorAll(
  '.btn, .nav a, .tabs a, .tally a, .tile, summary, .check, select, textarea, .links a, .hits a, '
  + 'input:not([type=hidden], [type=checkbox], [type=radio], .vh)')]
  .filter((e) => e.checkVisibility())
  .map((e) => [e.tagName, e.textContent.trim().slice(0, 30), e.getBoundingClientRect()])
  .filter(([, , box]) => box.height < 43.5 || box.width < 43.5)
  .map(([tag, text, box]) => `${tag} ${text} ${box.width}x${box.height}`)"""


@contextmanager
def serving(app: FastAPI) -> Iterator[str]:
    """The app on a free port of loopback, for as long as it is looked at. Its address."""
    config = uvicorn.Config(
        app, host="127.0.0.1", port=0, log_level="warning", timeout_graceful_shutdown=1, ws="none"
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.02)
    try:
        yield f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join(10)


def fits(watched: Watched, phone: bool) -> None:
    """No sideways scroll; on a phone every target can be hit."""
    assert sideways(watched.page) == 0
    if phone:
        assert watched.page.evaluate(SMALL_TARGETS) == []


def accessible_at(
    browser: Browser, address: str, size: str, scheme: str, missing: bool = False
) -> None:
    """axe finds nothing at an address; missing: a page that is answered with 404."""
    with opened(browser, SIZES[size], scheme) as watched:
        watched.page.goto(address)
        accessible(watched)
        if missing:
            watched.complaints.clear()


def accessible(watched: Watched) -> None:
    """axe finds nothing, everything unfolded."""
    styled(watched.page)
    for box in watched.page.locator("details > summary").all():
        if box.evaluate("e => !e.parentElement.open"):
            box.click()
    found = Axe().run(watched.page, options=AXE).response["violations"]
    assert [(v["id"], [n["target"] for n in v["nodes"]][:4]) for v in found] == []

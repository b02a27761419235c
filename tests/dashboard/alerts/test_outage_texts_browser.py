"""The text to a customer on the call list in Chromium: it fits, can be hit, and axe finds nothing."""

from __future__ import annotations

from collections.abc import Iterator

import msgspec
import pytest
from as_viewer import as_real_owner
from browsers import PHONE, SIZES, accessible, fits, opened, serving, sideways
from mains_off import mains_off
from playwright.sync_api import Browser
from roles import add, customer_of
from seeding import NOW, SILENT, _row, seed, unit_id

from dashboard.app import create_app
from fleet.registry.register import import_units

FAILED_START = 6


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """An outage's page: one site has a text and somebody to write to, one is portable."""
    fleet = seed(tmp_path_factory.mktemp("texts-browser"), demo=False)
    placed = {FAILED_START: "outdoors", SILENT: "portable"}
    rows = [{**_row(n), "placement": where} for n, where in placed.items()]
    assert import_units(fleet.registry, rows, NOW, "office").ok
    outage = mains_off(fleet)
    add(fleet, "mo@example.org", "reader", customer_of(fleet, unit_id(FAILED_START)))
    asked = msgspec.structs.replace(
        fleet.settings, remind_customers=True, smtp_host="127.0.0.1", smtp_from="duty@example.org"
    )
    app = create_app(asked, fleet.registry, fleet.history, now=lambda: NOW)
    as_real_owner(app, fleet.registry, NOW)
    with serving(app) as url:
        yield f"{url}/outages/{outage}"
    fleet.history.store.close()
    fleet.registry.close()


@pytest.mark.parametrize("size", SIZES)
def test_it_fits_and_axe_finds_nothing(browser: Browser, page: str, size: str) -> None:
    check(browser, page, size, "light")


@pytest.mark.long
@pytest.mark.parametrize("size", SIZES)
def test_it_fits_and_axe_finds_nothing_in_the_dark(browser: Browser, page: str, size: str) -> None:
    check(browser, page, size, "dark")


def check(browser: Browser, address: str, size: str, scheme: str) -> None:
    with opened(browser, SIZES[size], scheme) as watched:
        watched.page.goto(address)
        accessible(watched)  # unfolds the text
        assert watched.page.locator(".words").first.is_visible()
        fits(watched, phone=size == "phone")
        assert sideways(watched.page) == 0


def test_a_customer_is_written_without_scripts(browser: Browser, page: str) -> None:
    """Unfold, read, one button; the line in the log and no button any more."""
    with opened(browser, PHONE, scripts=False) as watched:
        shown = watched.page
        shown.goto(page)
        site = shown.locator(f"#u-{unit_id(FAILED_START)}")
        site.locator("summary").click()
        words = site.locator(".words").inner_text()
        assert "your generator gives no power" in words
        link = site.locator("a[href^='sms:']")
        assert link.get_attribute("href").startswith("sms:01632960006?body=Harrow%20%26%20Finch")  # type: ignore[union-attr]
        site.get_by_role("button", name="E-mail it to").click()
        assert "The e-mail is on its way" in shown.locator("main").inner_text()
        site = shown.locator(f"#u-{unit_id(FAILED_START)}")
        assert "Written to the customer by Dee 07:05, by e-mail to one person" in site.inner_text()
        assert site.get_by_role("button", name="E-mail it to").count() == 0
        portable = shown.locator(f"#u-{unit_id(SILENT)}")
        assert "this set is portable" in portable.inner_text()
        assert portable.locator("a[href^='sms:']").count() == 0

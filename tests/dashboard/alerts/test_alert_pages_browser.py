"""Alerts and the call list in Chromium: they fit a phone, can be hit, and axe finds nothing."""

from __future__ import annotations

from collections.abc import Iterator

import outbox_runs
import pytest
from as_viewer import OWNER, as_real_owner
from browsers import PHONE, SIZES, accessible, fits, opened, serving, sideways
from mains_off import alert_of, mains_off
from playwright.sync_api import Browser
from roles import add
from seeding import FAILED, NOW, seed, unit_id

from dashboard.app import create_app
from fleet.model import Rota
from fleet.registry.office import duty_rota
from fleet.registry.office.sitecard import key_of
from fleet.registry.told import outbox
from fleet.registry.told.outbox.addresses import read, shown
from scheduler.notify import Mail
from scheduler.turns import reminders

PAGES = ("alerts", "past", "alert", "outages", "outage", "rota", "waking", "channels", "weekly")
TESTED_AT = NOW - 2 * 86_400 + 9000
"""Monday 09:35: the weekly test of the duty phone is out."""


@pytest.fixture(scope="module")
def addresses(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    fleet = seed(tmp_path_factory.mktemp("alert-browser"), demo=False)
    outage, failed = mains_off(fleet), alert_of(fleet, FAILED, "failed_start")
    olga = add(fleet, "olga@example.org", "owner")
    duty_rota.agree_rota(fleet.registry, Rota(people=(olga.id,)), 0, OWNER.actor, NOW)
    address, key = read("json://127.0.0.1:9/"), key_of(fleet.settings)
    outbox.add_target(
        fleet.registry, olga.id, address.way, address.text, shown(address), key, OWNER.actor, NOW
    )
    reminders.tell(fleet.registry, "Harrow & Finch", TESTED_AT)
    outbox_runs.send(fleet.registry, Mail(), key, NOW)
    app = create_app(fleet.settings, fleet.registry, fleet.history, now=lambda: NOW)
    as_real_owner(app, fleet.registry, NOW)
    with serving(app) as url:
        paths = {
            "alerts": "/alerts",
            "past": "/alerts?show=all",
            "alert": f"/alerts/{failed}",
            "outages": "/outages",
            "outage": f"/outages/{outage}",
            "rota": "/rota",
            "waking": "/waking",
            "channels": "/channels",
            "weekly": "/weekly-test/2026-11-23",
        }
        yield {name: url + path for name, path in paths.items()}
    fleet.history.store.close()
    fleet.registry.close()


@pytest.mark.parametrize("page", PAGES)
def test_it_fits_a_phone_and_can_be_hit(
    browser: Browser, addresses: dict[str, str], page: str
) -> None:
    with opened(browser, PHONE) as watched:
        watched.page.goto(addresses[page])
        assert watched.page.locator("h1").count() == 1
        fits(watched, phone=True)


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
        accessible(watched)
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

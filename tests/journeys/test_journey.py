"""From a device's message to what a person sees, over real parts only.

No registry row is seeded where a message or an import should have come.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from brokers import RunningBroker
from databases import new_database
from playwright.sync_api import Page, expect
from service import Device, Service, iso, wait_for

LOOK_MS = 30_000
pytest_plugins = ["databases"]


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.long)])
def service(
    request: pytest.FixtureRequest, tmp_path: Path, broker: RunningBroker
) -> Iterator[Service]:
    """The service on each kind of registry."""
    made = Service(tmp_path / "data", broker.port)
    if request.param == "postgresql":
        made.environment["HOURHAND_REGISTRY_URL"] = new_database(
            request.getfixturevalue("postgres"), "journey"
        )
    yield made
    made.stop()


@pytest.fixture
def running(service: Service) -> Service:
    service.register()
    service.start("ingest", "scheduler", "dashboard")
    service.wait_until_served()
    return service


PASSWORD = "three quiet herons wade"


def set_up(service: Service, page: Page) -> None:
    """The first owner, by the page that every other leads to until there is one."""
    page.goto(f"{service.url}/units")
    expect(page.get_by_role("heading", name="Set up")).to_be_visible()
    page.get_by_label("Your name").fill("Dee Voss")
    page.get_by_label("E-mail or user name").fill("dee@example.org")
    page.get_by_label("Password", exact=True).fill(PASSWORD)
    page.get_by_label("The same again").fill(PASSWORD)
    page.get_by_role("button", name="Make me the owner").click()
    expect(page.get_by_role("heading", name="Today")).to_be_visible()


def standing(running: Service) -> list[Any]:
    """Alerts whose condition holds; those that are over wait for somebody to see that."""
    found = running.get("/api/alerts")["items"]
    return [alert for alert in found if alert["state"] != "returned"]


def test_a_message_is_seen_on_its_units_page(running: Service, page: Page) -> None:
    set_up(running, page)
    page.goto(f"{running.url}/units/set-1")
    device = Device(running.mqtt_port, "set-1")
    device.publish("readings", {"values": {"battery_v": 12.64, "ac_v": 0.0, "in_auto": 1}})
    expect(page.get_by_text("12.6").first).to_be_visible(timeout=LOOK_MS)
    device.publish("readings", {"values": {"battery_v": 13.82, "ac_v": 231.0, "in_auto": 1}})
    expect(page.get_by_text("13.8").first).to_be_visible(timeout=LOOK_MS)
    expect(page.get_by_text("Running").first).to_be_visible(timeout=LOOK_MS)
    device.close()


def test_a_failed_start_is_an_open_alert_and_ends(running: Service, page: Page) -> None:
    device = Device(running.mqtt_port, "set-1")
    now = int(time.time())
    device.publish("readings", {"at": iso(now - 60), "values": {"battery_v": 12.6, "ac_v": 0}})
    set_up(running, page)
    page.goto(running.url)
    device.publish(
        "event",
        {"at": iso(now - 5), "event": "failed_to_start", "values": {"crank_min_v": 8.9}},
    )
    expect(page.get_by_text("Would not start").first).to_be_visible(timeout=LOOK_MS)
    alerts = running.get("/api/alerts")["items"]
    assert [(a["subject"], a["kind"], a["severity"]) for a in alerts] == [
        ("unit:set-1", "failed_start", "act_now")
    ]
    assert "Did not start at" in alerts[0]["sentence"]
    later = int(time.time())
    device.publish("event", {"at": iso(later), "event": "started"})
    for second in range(0, 121, 30):
        device.publish(
            "readings", {"at": iso(later + second), "values": {"battery_v": 13.9, "ac_v": 231}}
        )
    wait_for("the alert to end", lambda: standing(running) == [])
    device.close()


def test_silence_becomes_no_word_when_its_limit_passes(running: Service) -> None:
    """Last heard almost 20 min ago, by a replayed message: the limit passes while we look on."""
    heard = int(time.time()) - 1200 + 6
    line = {
        "received_at": iso(heard),
        "topic": "hourhand/main/set-1/readings",
        "qos": 1,
        "retain": False,
        "payload": {"values": {"battery_v": 12.6, "ac_v": 0}},
    }
    recorded = running.data.parent / "recorded.jsonl"
    recorded.write_text(json.dumps(line) + "\n")
    done = running.hourhand("replay", str(recorded))
    assert done.returncode == 0, done.stdout + done.stderr
    found = wait_for(
        "the silence",
        lambda: [a for a in running.get("/api/alerts")["items"] if a["kind"] == "not_reporting"],
    )
    assert found[0]["severity"] == "no_word"
    assert found[0]["facts"]["heard_at"] in (heard, iso(heard))
    device = Device(running.mqtt_port, "set-1")
    device.publish("readings", {"values": {"battery_v": 12.6, "ac_v": 0}})
    wait_for("its end", lambda: not standing(running))
    device.close()


def test_oil_falls_due_and_a_record_settles_it(running: Service) -> None:
    device = Device(running.mqtt_port, "set-1")
    now = int(time.time())
    device.publish(
        "readings",
        [{"at": iso(now - 900 * k), "values": {"ac_v": 0, "run_hours_h": 1200.0}} for k in (2, 1)],
    )
    due = wait_for("work due", lambda: running.get("/api/units/set-1/due")["items"])
    oil = next(item for item in due if "oil" in item["task"])
    table = running.data.parent / "done.csv"
    table.write_text(
        "id,at,by,unit,kind,task,hours\n"
        f"0b9c1d3e-0000-4000-8000-000000000001,{iso(now)},Dee,set-1,task_done,{oil['task']},1200\n"
    )
    done = running.hourhand("records", "import", str(table))
    assert done.returncode == 0, done.stdout + done.stderr

    def settled() -> bool:
        items = running.get("/api/units/set-1/due")["items"]
        item = next(i for i in items if i["task"] == oil["task"])
        return bool(item["state"] == "later" and item["last_done_hours_h"] == 1200.0)

    wait_for("the record to count", settled)
    device.close()


def test_an_unregistered_device_is_kept_and_counts_once_registered(running: Service) -> None:
    device = Device(running.mqtt_port, "stranger-7")
    device.publish("readings", {"values": {"battery_v": 12.71, "ac_v": 0}})
    wait_for(
        "the stranger on Health",
        lambda: "stranger-7" in str(running.get("/health")) or _on_health(running, "stranger-7"),
    )
    running.register({}, {"unit": "set-2", "device": "stranger-7"})
    unit = wait_for(
        "its first reading on the unit",
        lambda: (running.get("/api/units/set-2") or {}).get("readings"),
    )
    assert "12.71" in str(unit)
    device.close()


def _on_health(service: Service, name: str) -> bool:
    return name in (service.text("/health-page") or "")

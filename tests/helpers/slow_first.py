"""The files that a run on several cores begins with, so that all of them end together.

A file goes to one worker whole (`--dist loadfile`), in the order of the run. One that takes long and
is begun last is waited for by all others; so those that take long come first, the longest before.
"""

from __future__ import annotations

from pathlib import PurePath

import pytest

FIRST = (
    "house/test_types.py",
    "dashboard/test_edges.py",
    "journeys/test_backup_journey.py",
    "dashboard/test_server.py",
    "dashboard/test_unsent.py",
    "dashboard/test_browser.py",
    "dashboard/test_links.py",
    "hourhand/test_cli.py",
    "ingest/test_timeless.py",
    "ingest/test_collector.py",
    "fleet/backup/test_restore.py",
    "scheduler/turns/test_sending.py",
    "journeys/test_exercise_planted.py",
    "journeys/test_journey.py",
    "journeys/test_alert_life_kills.py",
    "journeys/test_notice_kills.py",
    "demo_fleet/test_broker_ends.py",
    "scheduler/rounds/test_rounds_overdue.py",
    "fleet/test_private_folder.py",
    "dashboard/test_widths.py",
    "dashboard/test_roles.py",
    "house/test_laws.py",
    "fleet/registry/test_people.py",
    "fleet/store/test_store_contract.py",
    "dashboard/unit/test_signal_pages.py",
    "fleet/registry/test_lead.py",
    "fleet/registry/test_patience.py",
    "fleet/test_ending.py",
    "dashboard/test_tls.py",
    "scheduler/turns/test_turns_day_cache.py",
    "scheduler/turns/test_turns.py",
    "house/test_ci.py",
)
"""Measured with `--durations`; a file that is missing here is only begun later."""


def slow_first(items: list[pytest.Item], tests: PurePath) -> None:
    """The same tests in another order: files that take long first, else as they were collected."""
    place = {str(tests / name): n for n, name in enumerate(FIRST)}
    items.sort(key=lambda item: place.get(str(item.path), len(place)))

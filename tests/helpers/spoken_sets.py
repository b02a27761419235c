"""An office whose sets speak through ingest itself: messages in, turns, then its pages."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from as_viewer import as_owner
from fastapi.testclient import TestClient
from intake_desk import Desk
from new_registries import registry_of
from register_rows import NOW, row, take

from dashboard.app import create_app
from fleet.history import History
from fleet.settings import Settings
from fleet.store import open_store
from ingest.cache import Cache
from ingest.wire import Message
from scheduler.turns import Memory, work_through

DAY_S = 86_400


class SpokenSets:
    """Sets of one register, of which `hear` takes messages as they came over the wire."""

    def __init__(self, data: Path, *names: str, without: tuple[str, ...] = ()) -> None:
        """without: of the names, those that have no device."""
        settings = Settings(data=data, firm="Harrow & Finch")
        registry = registry_of(settings)
        facts = {"running_signal": "running", "running_on": "1", "habit": "steady 300 60"}
        rows = [
            row(
                name,
                site=f"{name} yard",
                customer=f"{name} Ltd",
                device="(none)" if name in without else f"dev-{name}",
                **facts,
            )
            for name in names
        ]
        take(registry, *rows, now=NOW - 60 * DAY_S)
        self.desk = Desk(
            settings, registry, open_store(settings, writing=True), Cache(data / "profiles")
        )
        self.now = NOW
        self.history = History(registry, open_store(settings, writing=False))
        app = create_app(settings, registry, self.history, now=lambda: self.now)
        as_owner(app)
        self.client = TestClient(app, base_url="http://127.0.0.1:8080")
        self.memory = Memory()

    def hear(self, *messages: Message) -> None:
        """Each message taken at its receipt."""
        for message in messages:
            self.desk.take(message, now=message.received_at)

    def turn(self, now: int) -> None:
        """Time has come to `now` (UTC seconds), and everything due is looked at."""
        self.now = now
        work_through(self.desk.registry, self.history, now, self.memory)

    def text(self, path: str) -> str:
        """A page's words."""
        answer = self.client.get(path)
        assert answer.status_code == 200, path
        return " ".join(re.sub(r"<(script|style).*?</\1>|<[^>]+>", " ", answer.text).split())

    def api(self, path: str) -> Any:
        """What the interface answers."""
        answer = self.client.get(path)
        assert answer.status_code == 200, path
        return answer.json()

    def close(self) -> None:
        self.desk.store.close()
        self.history.store.close()
        self.desk.registry.close()

"""Intake over a real registry and store, message by message."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from fleet.ending import Fault, no_fault
from fleet.model import Pulse
from fleet.registry import unscoped
from fleet.registry.base.engine import Registry
from fleet.settings import Settings
from fleet.store.port import Store
from ingest.cache import Cache
from ingest.intake import Intake, Taken, take
from ingest.wire import Message

NOW = 1_795_590_120  # 2026-11-25T07:02:00Z


@dataclass
class Desk:
    """A store, a registry and ingest's memory of them, all real."""

    settings: Settings
    registry: Registry
    store: Store
    cache: Cache

    def take(self, *messages: Message, now: int = NOW) -> Taken:
        return take(messages, self.into(now))

    def into(self, now: int, fault: Fault = no_fault) -> Intake:
        return Intake(self.store, self.registry, self.cache, now, fault)

    def forget(self) -> None:
        """What a restart forgets."""
        self.cache = Cache(self.settings.data / "profiles")

    def pulse(self, device: str = "g1") -> Pulse:
        facts = unscoped.device_facts(self.registry)[device]
        assert facts.pulse is not None
        return facts.pulse

    def kept(self, device: str = "g1") -> dict[str, dict[int, float]]:
        series = self.store.read(device, None, 0, 2**33)
        return {n: dict(zip(s.t.tolist(), s.v.tolist(), strict=True)) for n, s in series.items()}

    def quarantine(self) -> list[tuple[str, str, bool]]:
        with self.registry.read() as connection:
            rows = connection.exec_driver_sql(
                "select device, reason, ours from quarantine order by id"
            )
            return [(row[0], row[1], bool(row[2])) for row in rows]

    def touched(self) -> set[tuple[str, int]]:
        with self.registry.read() as connection:
            rows = connection.exec_driver_sql("select id, day from touch where whose = 'device'")
            return {(row[0], row[1]) for row in rows}


def msg(
    payload: object, kind: str = "readings", device: str = "g1", at: int = NOW, **more: Any
) -> Message:
    raw = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    return Message(f"hourhand/main/{device}/{kind}", raw, at, **more)


def reading(
    at: int,
    received_at: int | None = None,
    device: str = "g1",
    seq: int | None = None,
    **values: object,
) -> Message:
    payload = {"at": at, "values": values} | ({} if seq is None else {"seq": seq})
    return msg(payload, device=device, at=at if received_at is None else received_at)

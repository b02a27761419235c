"""docs/wire.md says what the code does."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path
from typing import get_args

import pytest
from places import ROOT

from fleet.channels import GLOSSARY
from fleet.model import EventName, HabitMode
from ingest.inbox import Inbox
from ingest.profiles import profile_from
from ingest.wire import Message, decode

DOC = (ROOT / "docs" / "wire.md").read_text("utf-8")
RECEIVED = 1_795_600_000
BLOCKS = [b for b in re.findall(r"```json\n(.*?)```", DOC, re.DOTALL) if "received_at" not in b]


def test_the_table_of_channels_is_the_glossary() -> None:
    rows = re.findall(
        r"^\| `(\w+)` \| (.*?) \| (\S+) to (\S+) \| (\w+) \| (.*?) \|$", DOC, re.MULTILINE
    )
    assert [
        (n, u, float(low), float(high), role, text) for n, u, low, high, role, text in rows
    ] == [(c.name, c.unit, *map(float, c.possible), c.role, c.meaning) for c in GLOSSARY]


def test_every_event_and_habit_is_named() -> None:
    for name in (*get_args(EventName), *get_args(HabitMode)):
        assert f"`{name}`" in DOC


@pytest.mark.parametrize("block", BLOCKS, ids=range(len(BLOCKS)))
def test_the_examples_are_understood(block: str) -> None:
    text = block.strip()
    while text:
        document, end = json.JSONDecoder().raw_decode(text)
        text = text[end:].strip()
        kind = "status" if "state" in document else "event" if "event" in document else "readings"
        said = decode(Message(f"hourhand/main/g1/{kind}", json.dumps(document).encode(), RECEIVED))
        assert not said.rejects
        assert not said.forgiven
        assert said.readings or said.events or said.status


def test_the_example_of_a_profile_is_one() -> None:
    (block,) = re.findall(r"```toml\n(.*?)```", DOC, re.DOTALL)
    assert profile_from("example", tomllib.loads(block)).channels["vbat"].to == "battery_v"


def test_the_example_of_the_inbox_is_a_line(tmp_path: Path) -> None:
    (line,) = (b for b in re.findall(r"```json\n(.*?)```", DOC, re.DOTALL) if "received_at" in b)
    (tmp_path / "a.jsonl").write_text(line)
    taken = Inbox(tmp_path, {}).next(RECEIVED)
    assert taken is not None
    assert not taken.bad
    assert decode(taken.messages[0]).readings[0].values == {"battery_v": 12.6}

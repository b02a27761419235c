"""The published schemas and their examples: valid, complete, and understood without forgiving."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, get_args

import jsonschema
import pytest
from places import ROOT

from fleet.channels import CHANNELS
from fleet.model import EventName, HabitMode
from ingest.wire import ENTRIES_AT_MOST, Message, decode

SCHEMAS = ROOT / "ingest" / "schema"
EXAMPLES = sorted((SCHEMAS / "examples").glob("*.json"))
RECEIVED = 1_795_600_000  # a little after the newest time of the examples


def schema(kind: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((SCHEMAS / f"{kind}.json").read_text("utf-8"))
    return found


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_an_example_is_valid_and_understood(path: Path) -> None:
    kind = path.stem.split("-")[0]
    document = json.loads(path.read_text("utf-8"))
    jsonschema.Draft202012Validator(schema(kind)).validate(document)
    said = decode(Message(f"hourhand/main/g1/{kind}", path.read_bytes(), RECEIVED))
    assert not said.rejects
    assert not said.forgiven
    assert not said.unknown
    assert not said.clock_wrong
    assert said.readings or said.events or said.status


@pytest.mark.parametrize("kind", ["readings", "event", "status"])
def test_a_schema_is_one_and_has_examples(kind: str) -> None:
    jsonschema.Draft202012Validator.check_schema(schema(kind))
    assert [path for path in EXAMPLES if path.stem.startswith(kind)]


def test_the_schemas_know_the_channels_with_their_ranges() -> None:
    for kind in ("readings", "event"):
        named = schema(kind)["$defs"]["values"]["properties"]
        assert {n: (p["minimum"], p["maximum"]) for n, p in named.items()} == {
            n: tuple(c.possible) for n, c in CHANNELS.items()
        }


def test_the_schemas_know_the_events_habits_and_limits() -> None:
    plain, trace = schema("event")["oneOf"]
    assert {*plain["properties"]["event"]["enum"], "trace"} == set(get_args(EventName))
    assert set(trace["properties"]["channel"]["enum"]) == set(CHANNELS)
    assert set(schema("status")["$defs"]["habit"]["properties"]["mode"]["enum"]) == set(
        get_args(HabitMode)
    )
    assert schema("readings")["oneOf"][1]["maxItems"] == ENTRIES_AT_MOST


@pytest.mark.parametrize(
    ("kind", "document"),
    [
        ("readings", {"values": {"ac_v": 1}}),
        ("readings", {"at": 36, "values": {"ac_v": 1}}),
        ("readings", {"at": 1_795_590_000, "values": {"ac_v": "12,6 V"}}),
        ("readings", {"at": 1_795_590_000, "values": {"ac_v": 6553.5}}),
        ("event", {"at": 1_795_590_000, "event": "exploded"}),
        ("event", {"at": 1_795_590_000, "event": "trace"}),
        ("status", {"state": "asleep"}),
    ],
)
def test_a_schema_refuses(kind: str, document: object) -> None:
    assert list(jsonschema.Draft202012Validator(schema(kind)).iter_errors(document))

"""Findings as the interface gives them: one schema a kind, told apart by `kind`, and answers that keep it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import jsonschema
import msgspec
import pytest
import sqlalchemy as sa
from as_viewer import as_owner
from fastapi.testclient import TestClient
from found import finding, old
from seeding import NOW, Fleet, seeded, unit_id

from dashboard.app import create_app
from fleet.findings import KINDS
from fleet.registry.base import tables as t

HERE = "http://127.0.0.1:8080"
TODAY = sorted(KINDS.keys() - {"earlier"})
GONE = "gone_kind"
"""A kind that only earlier versions knew."""


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    with seeded(tmp_path_factory.mktemp("findings")) as fleet:
        keep(fleet)
        app = create_app(fleet.settings, fleet.registry, fleet.history, now=lambda: NOW)
        as_owner(app)
        with TestClient(app, base_url=HERE) as made:
            yield made


def keep(fleet: Fleet) -> None:
    """An alert of every kind as it is stored today, and one as versions before the catalogue wrote it."""
    documents = [(f"today-{k}", k, msgspec.to_builtins(finding(k, since=NOW - 60))) for k in TODAY]
    documents += [(f"old-{k}", k, old(k)) for k in TODAY]
    documents.append((f"old-{GONE}", GONE, old("not_in_auto") | {"kind": GONE, "facts": {"x": 1}}))
    with fleet.registry.write() as connection:
        for name, kind, document in documents:
            step = {"episode": name, "n": 1, "at": NOW, "kind": "raised", "finding": document}
            connection.execute(
                sa.insert(t.episode),
                {
                    "id": name,
                    "subject": f"unit:{unit_id(1)}",
                    "kind": kind,
                    "part": name,
                    "customer": None,
                    "severity": document["severity"],
                    "opened_at": NOW - 60,
                    "doc": msgspec.json.encode(document),
                },
            )
            connection.execute(
                sa.insert(t.step),
                {
                    "episode": name,
                    "n": 1,
                    "at": NOW,
                    "kind": "raised",
                    "doc": msgspec.json.encode(step),
                },
            )


@pytest.fixture(scope="module")
def contract(client: TestClient) -> dict[str, Any]:
    told: dict[str, Any] = client.get("/api/openapi.json").json()
    return told


def facts_schema(contract: dict[str, Any]) -> dict[str, Any]:
    told: dict[str, Any] = contract["components"]["schemas"]["FindingOut"]["properties"]["facts"]
    return told


def faults(contract: dict[str, Any], name: str, answer: Any) -> list[str]:
    """Where an answer is not what a schema of the contract says."""
    whole = {"$ref": f"#/components/schemas/{name}", "components": contract["components"]}
    return [error.message for error in jsonschema.Draft202012Validator(whole).iter_errors(answer)]


def test_the_facts_are_a_tagged_union(contract: dict[str, Any]) -> None:
    facts = facts_schema(contract)
    told = facts["discriminator"]
    assert told["propertyName"] == "kind"
    assert told["mapping"].keys() == KINDS.keys()
    assert {one["$ref"] for one in facts["oneOf"]} == set(told["mapping"].values())
    for kind, place in told["mapping"].items():
        schema = contract["components"]["schemas"][place.rpartition("/")[2]]
        assert schema["properties"]["kind"]["const"] == kind
        assert "kind" in schema["required"]


def test_every_answer_keeps_its_schema(client: TestClient, contract: dict[str, Any]) -> None:
    """Alerts stored in today's form and in earlier ones, and the findings of the sets."""
    alerts = client.get("/api/alerts", params={"state": "all", "limit": 500}).json()["items"]
    told = {one["id"]: one for one in alerts}
    assert {f"{form}-{kind}" for form in ("today", "old") for kind in TODAY} <= told.keys()
    mapping = facts_schema(contract)["discriminator"]["mapping"]
    for name, alert in told.items():
        assert faults(contract, "AlertOut", alert) == [], name
        schema = contract["components"]["schemas"][
            mapping[alert["facts"]["kind"]].rpartition("/")[2]
        ]
        assert alert["facts"].keys() <= schema["properties"].keys(), name
    assert told[f"old-{GONE}"]["facts"] == {"kind": "earlier", "said": GONE, "more": {"x": 1}}
    found = 0
    for unit in client.get("/api/units").json()["items"]:
        whole = client.get(f"/api/units/{unit['unit']}").json()
        assert faults(contract, "UnitFullOut", whole) == []
        found += len(whole["findings"])
    assert found


def test_an_answer_of_another_kind_is_seen(client: TestClient, contract: dict[str, Any]) -> None:
    """The schema tells kinds apart: facts of one are not those of another, nor of none."""
    alerts = client.get("/api/alerts", params={"state": "all", "limit": 500}).json()["items"]
    alert = next(one for one in alerts if one["id"] == "today-charger_fault")
    for wrong in (
        alert["facts"] | {"kind": "fuel_low"},
        alert["facts"] | {"kind": "no_such_kind"},
        alert["facts"] | {"limit_v": "many"},
        {name: value for name, value in alert["facts"].items() if name != "kind"},
    ):
        assert faults(contract, "AlertOut", alert | {"facts": wrong}), wrong

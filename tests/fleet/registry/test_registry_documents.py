"""Stored documents are read and written in one module."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import fleet.registry

ROOM = Path(fleet.registry.__file__).parent
READS_PEOPLES_FILES = {"cells.py", "composed.py", "row.py"}
"""JSON that people bring or take away is no stored document."""


def speaks_json(source: str) -> bool:
    """Whether a module encodes or decodes JSON by itself."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Attribute) and ast.unparse(node).startswith("msgspec.json"):
            return True
        if isinstance(node, ast.Import) and any(a.name in ("json", "orjson") for a in node.names):
            return True
        if isinstance(node, ast.ImportFrom) and node.module in ("json", "orjson", "msgspec.json"):
            return True
    return False


def test_one_module_reads_and_writes_documents() -> None:
    found = {path.name for path in ROOM.rglob("*.py") if speaks_json(path.read_text())}
    assert found - READS_PEOPLES_FILES == {"documents.py"}


@pytest.mark.parametrize(
    "planted",
    [
        "import msgspec\n_unit = msgspec.json.Decoder(Unit).decode\n",
        "def f(doc):\n    import json\n    return json.loads(doc)\n",
        "from msgspec.json import decode\n",
    ],
)
def test_another_that_does_is_found(planted: str) -> None:
    assert speaks_json(planted)
    assert not speaks_json("from fleet.registry import documents\nfound = documents.unit(doc)\n")

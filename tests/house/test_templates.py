"""What a template may know, and how it is written."""

from __future__ import annotations

from importlib.resources import as_file, files
from pathlib import Path

import pytest
from jinja2 import Environment, meta, nodes

from dashboard import frames
from dashboard.assets import Assets

HANDED = frozenset({"frame", "viewer", "view"})
"""Names a template is handed: what stands around the page, who looks, the page's own record."""
LETTERS_AT_MOST = 120


def templates() -> list[str]:
    with as_file(files("dashboard").joinpath("templates")) as folder:
        return sorted(str(p.relative_to(folder)) for p in Path(folder).rglob("*.html"))


@pytest.fixture(scope="module")
def env() -> Environment:
    return frames.environment(Assets())


def source(env: Environment, name: str) -> str:
    assert env.loader is not None
    return env.loader.get_source(env, name)[0]


def loose(env: Environment, text: str) -> set[str]:
    """Names a template uses that nothing says: neither handed, nor of the house, nor its own macros."""
    tree = env.parse(text)
    own = {macro.name for macro in tree.find_all(nodes.Macro)}
    for brought in tree.find_all(nodes.FromImport):
        own |= {name if isinstance(name, str) else name[1] for name in brought.names}
    return meta.find_undeclared_variables(tree) - HANDED - set(env.globals) - own


@pytest.mark.parametrize("name", templates())
def test_a_template_knows_its_record_and_nothing_loose(env: Environment, name: str) -> None:
    assert not loose(env, source(env, name)), "facts that are no field of a record"


def test_a_loose_fact_is_seen(env: Environment) -> None:
    planted = "{% for row in view.rows %}{{ row.title }}{{ total }}{% endfor %}"
    assert loose(env, planted) == {"total"}


@pytest.mark.parametrize("name", templates())
def test_a_template_can_be_read(env: Environment, name: str) -> None:
    long = [
        n for n, line in enumerate(source(env, name).split("\n"), 1) if len(line) > LETTERS_AT_MOST
    ]
    assert not long, f"lines of more than {LETTERS_AT_MOST} letters: {long}"

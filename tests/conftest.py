"""Shared fixtures. Real parts: SQLite, a broker, a browser; the head of a run says which.

Which parts a machine has, which a run must have and which it looks away from: tests/helpers/parts.py.
"""

from __future__ import annotations

import gc
import os
import platform
import sys
from collections.abc import Iterator
from pathlib import Path

import hypothesis
import pytest

HELPERS = Path(__file__).resolve().parent / "helpers"
pytest.register_assert_rewrite(*(path.stem for path in HELPERS.iterdir()))

import brokers  # noqa: E402
import browsers  # noqa: E402
import checks  # noqa: E402
import influx_servers  # noqa: E402
import on_postgresql  # noqa: E402
import parts  # noqa: E402
import quicker  # noqa: E402
import slow_first  # noqa: E402
from places import ROOT  # noqa: E402
from playwright.sync_api import Browser, Page  # noqa: E402

SHARED = ROOT.parent / "shared"
CHECKS = pytest.StashKey[checks.Checks]()

hypothesis.settings.register_profile("hourhand", deadline=None)
hypothesis.settings.load_profile("hourhand")
# no test asserts on a clock


def pytest_addoption(parser: pytest.Parser) -> None:
    """`--write-checks` writes docs/checks.md (or the file named) from what the run checked."""
    parser.addoption(
        "--write-checks",
        nargs="?",
        const=str(checks.PAGE),
        default=None,
        metavar="FILE",
        help="write the page of published values from this run (default docs/checks.md)",
    )
    parser.addoption(
        "--write-findings",
        action="store_true",
        help="write docs/findings.md from the rows of findings and their pairs",
    )


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Several workers begin with what takes long. A run that writes the page takes the tests that
    hold published values, and no others."""
    if hasattr(config, "workerinput"):
        slow_first.slow_first(items, HELPERS.parent)
    if config.getoption("--write-checks") is None:
        return
    holds = {id(item) for item in items if "checked" in getattr(item, "fixturenames", ())}
    config.hook.pytest_deselected(items=[item for item in items if id(item) not in holds])
    items[:] = [item for item in items if id(item) in holds]


def pytest_collection_finish() -> None:
    """What was imported and collected stays to the end: the garbage collector need not look at it.

    Without this every full collection walks a few million objects, and a test that asks for one
    pays for them each time.
    """
    gc.collect()
    gc.freeze()


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Hold every skip to its form; write the page where asked, and only a whole one."""
    _hold_skips(session)
    page = session.config.getoption("--write-checks")
    if page is None or session.testsfailed:
        return
    found = session.config.stash[CHECKS]
    left_out = checks.missing(found)
    if left_out:
        raise pytest.UsageError(f"{page} was not written, not checked: {'; '.join(left_out)}")
    Path(page).write_text(found.page())


def _hold_skips(session: pytest.Session) -> None:
    """A skip whose reason does not name a part, what is wrong and what to do, fails the run."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if reporter is None or hasattr(session.config, "workerinput"):
        return
    odd = parts.odd_reasons(
        [
            str(report.longrepr[2])
            for report in reporter.stats.get("skipped", [])
            if isinstance(report.longrepr, tuple)
        ]
    )
    for reason in odd:
        reporter.write_line(f"no reason to skip (use parts.need): {reason}", red=True)
    if odd and session.exitstatus in (pytest.ExitCode.OK, pytest.ExitCode.NO_TESTS_COLLECTED):
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


@pytest.fixture
def checked(request: pytest.FixtureRequest) -> checks.Checks:
    """Assert published values and note them for docs/checks.md; see tests/helpers/checks.py."""
    found: checks.Checks = request.config.stash[CHECKS]
    return found


if on_postgresql.HOME:
    on_postgresql.install()


def pytest_configure(config: pytest.Config) -> None:
    """A required part that is missing ends the run before its first test."""
    page = config.getoption("--write-checks")
    if page is not None and not page.endswith(".md"):
        raise pytest.UsageError(f"--write-checks={page} would overwrite what is no page of checks")
    if page is not None and getattr(config.option, "numprocesses", None):
        raise pytest.UsageError("--write-checks writes one page from one process: leave -n out")
    config.stash[CHECKS] = checks.Checks(writing=page is not None)
    if page is not None:
        config.option.markexpr = ""  # the page holds the values of both tiers
    wrong = parts.wrong_settings()
    if wrong:
        raise pytest.UsageError(wrong)


def pytest_report_header() -> list[str]:
    """Which parts of this run are real."""
    return [
        f"Python {platform.python_version()} at {sys.executable}",
        brokers.header(),
        f"browser: {parts.missing('chromium') or parts.chromium_program()}",
        f"databases: SQLite and PostgreSQL ({parts.missing('postgresql') or 'of this machine'})",
        f"InfluxDB: {influx_servers.KIND}",
        f"real recordings: {parts.missing('recordings') or 'beside the checkout'}",
    ]


@pytest.fixture(scope="session", autouse=True)
def cheap_set_up() -> Iterator[None]:
    """Passwords cost next to nothing, and every test client asks on one event loop."""
    with quicker.cheap_passwords(), quicker.one_event_loop():
        yield


@pytest.fixture
def full_passwords() -> Iterator[None]:
    """Passwords cost what they cost users."""
    with quicker.full_passwords():
        yield


@pytest.fixture(autouse=True)
def umask() -> Iterator[None]:
    """A command called in this process makes private files from then on; the next test's are not."""
    before = os.umask(0o022)
    os.umask(before)
    yield
    os.umask(before)


@pytest.fixture(scope="session")
def shared() -> Path:
    """The folder of real data beside the checkout; skips where it is not."""
    parts.need("recordings")
    return SHARED


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[brokers.RunningBroker]:
    """An empty broker of this test's own."""
    with brokers.running_broker(tmp_path / "broker") as running:
        yield running


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """One Chromium for the session."""
    with browsers.launched() as running:
        yield running


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    """A page of its own at desk size; a request off loopback or a console error fails the test."""
    with browsers.opened(browser, browsers.DESK) as opened:
        yield opened.page

"""HTTPS on an invented name that Chromium takes to 127.0.0.1: pages judged as off loopback."""

from __future__ import annotations

import base64
import hashlib
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, cast

import parts
import pytest
import trustme
from browsers import FLAGS
from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from playwright.sync_api import Browser, expect
from service import Service, free_port, wait_for

from dashboard.__main__ import main
from hourhand.supervisor import listens

NAME = "sets.hourhand.test"
PASSWORD = "four plain words here"


@pytest.fixture(scope="module")
def authority() -> trustme.CA:
    return trustme.CA()


@pytest.fixture(scope="module")
def certificate(authority: trustme.CA, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of cert.pem, key.pem (of the name) and other.pem (a key that does not fit)."""
    folder = tmp_path_factory.mktemp("tls")
    issued = authority.issue_cert(NAME)
    for pem in issued.cert_chain_pems:
        pem.write_to_path(folder / "cert.pem", append=True)
    issued.private_key_pem.write_to_path(folder / "key.pem")
    authority.issue_cert(NAME).private_key_pem.write_to_path(folder / "other.pem")
    return folder


def fingerprint(folder: Path) -> str:
    """What Chromium is told to trust: the hash of this one public key."""
    cert = x509.load_pem_x509_certificate((folder / "cert.pem").read_bytes())
    key = cert.public_key().public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)
    return base64.b64encode(hashlib.sha256(key).digest()).decode()


@pytest.fixture(scope="module")
def served(certificate: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """The dashboard over HTTPS, with an owner and one set."""
    service = Service(tmp_path_factory.mktemp("served") / "data", free_port())
    service.environment = {
        "HOURHAND_TLS_CERT": str(certificate / "cert.pem"),
        "HOURHAND_TLS_KEY": str(certificate / "key.pem"),
        "HOURHAND_HTTP_NAMES": NAME,
    }
    service.register()
    subprocess.run(
        [
            sys.executable,
            "-m",
            "hourhand",
            "people",
            "add",
            "dee",
            "--name",
            "Dee",
            "--role",
            "owner",
            "--password-stdin",
            "--data",
            str(service.data),
        ],
        input=PASSWORD + "\n",
        text=True,
        check=True,
        env=service.env,
        capture_output=True,
    )
    service.start("dashboard")
    wait_for("the pages", lambda: listens("127.0.0.1", service.http_port))
    yield service
    service.stop()


@pytest.fixture(scope="module")
def far(browser: Browser, certificate: Path) -> Iterator[Browser]:
    """A Chromium that finds the invented name and trusts its key alone."""
    flags = [
        *FLAGS,
        f"--host-resolver-rules=MAP {NAME} 127.0.0.1",
        f"--ignore-certificate-errors-spki-list={fingerprint(certificate)}",
    ]
    launched = browser.browser_type.launch(executable_path=parts.chromium_program(), args=flags)
    yield launched
    launched.close()


def test_signed_in_over_https_and_a_replayed_cookie_is_refused(
    far: Browser, served: Service
) -> None:
    url = f"https://{NAME}:{served.http_port}"
    context = far.new_context()
    page = context.new_page()
    said: list[str] = []
    page.on("console", lambda m: said.append(m.text) if m.type == "error" else None)
    page.goto(url)
    assert "/sign-in" in page.url
    page.get_by_label("User name").or_(page.locator("input[name=login]")).first.fill("dee")
    page.locator("input[name=password]").fill(PASSWORD)
    page.locator("form button[type=submit], form button").first.click()
    expect(page.get_by_role("heading", name="Today")).to_be_visible()
    assert page.evaluate("() => window.isSecureContext") is True
    cookie = next(c for c in context.cookies() if "hourhand" in c["name"])
    assert cookie["name"] == "__Host-hourhand"
    assert cookie["secure"]
    assert cookie["httpOnly"]
    answer = page.goto(f"{url}/units/set-1")
    assert answer is not None
    assert "max-age" in answer.headers["strict-transport-security"]
    page.goto(f"{url}/account")
    page.get_by_role("button", name="Sign out").first.click()
    expect(page).to_have_url(f"{url}/signed-out")
    context.add_cookies([cast(Any, cookie)])
    page.goto(url)
    assert "/sign-in" in page.url, "the old cookie let somebody in"
    assert said == []
    context.close()


def test_a_name_that_is_not_ours_reads_nothing(
    served: Service, certificate: Path, far: Browser
) -> None:
    """A foreign name pointed at this machine: refused before anything is read."""
    context = far.new_context(ignore_https_errors=True)
    answer = context.request.get(
        f"https://127.0.0.1:{served.http_port}/sign-in", headers={"host": "evil.example"}
    )
    assert answer.status == 421
    context.close()


WRONG = [
    (
        {"HOURHAND_TLS_CERT": "{0}/cert.pem", "HOURHAND_TLS_KEY": "{0}/other.pem"},
        "a key of another certificate",
    ),
    ({"HOURHAND_TLS_CERT": "{0}/nowhere.pem", "HOURHAND_TLS_KEY": "{0}/key.pem"}, "no such file"),
    (
        {"HOURHAND_TLS_CERT": "{0}/key.pem", "HOURHAND_TLS_KEY": "{0}/key.pem"},
        "a key for a certificate",
    ),
    ({"HOURHAND_TLS_CERT": "{0}/cert.pem"}, "one without the other"),
]


@pytest.mark.parametrize(("given", "why"), WRONG, ids=[why for _, why in WRONG])
def test_wrong_files_stop_the_start_with_a_sentence(
    given: dict[str, str],
    why: str,
    certificate: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    for name, value in given.items():
        monkeypatch.setenv(name, value.format(certificate))
    monkeypatch.setenv("HOURHAND_HTTP_PORT", str(free_port()))
    assert main(["--data", str(tmp_path)]) == 2
    said = capsys.readouterr().err
    assert "tls_" in said.lower() or ".pem" in said
    assert "Traceback" not in said

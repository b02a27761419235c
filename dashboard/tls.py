"""Whether a certificate and a key can serve together, said before anything starts."""

from __future__ import annotations

import ssl
from pathlib import Path


class TlsFault(Exception):
    """The files given for TLS cannot be used. Says which, why, and what to do."""


def check_pair(cert: str, key: str) -> None:
    """Load both as the server will. Raises TlsFault."""
    for name, file in (("tls_cert", cert), ("tls_key", key)):
        _readable(name, file)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    try:
        context.load_cert_chain(cert, key, password="")
    except ssl.SSLError as fault:
        raise TlsFault(_said(fault, cert, key)) from None


def _readable(name: str, file: str) -> None:
    try:
        text = Path(file).read_bytes()
    except OSError as fault:
        raise TlsFault(f"{name}: {file} cannot be read ({fault.strerror}).") from None
    if b"-----BEGIN " not in text:
        raise TlsFault(f"{name}: {file} is not PEM: it must hold lines -----BEGIN and -----END.")


def _said(fault: ssl.SSLError, cert: str, key: str) -> str:
    if "KEY_VALUES_MISMATCH" in str(fault) or "KEY_TYPE_MISMATCH" in str(fault):
        return f"{key} is not the private key of the certificate in {cert}: give the pair."
    if b"ENCRYPTED" in Path(key).read_bytes():
        return f"{key} is locked with a passphrase: give one without, readable by this user only."
    return (
        f"{cert} and {key} cannot be used together ({fault.reason or fault}): tls_cert takes the "
        "certificate followed by its chain, tls_key its private key, both as PEM."
    )

"""Which door a request came in by: its host name, whether a secret may travel so, from where. Pure.

A browser keeps plain HTTP to a loopback name on its own machine; to any other name it is read on
the way. So passwords, cookies and tokens pass on a loopback name, or with TLS: our own, or that of
a proxy the settings vouch for.
"""

from __future__ import annotations

from collections.abc import Mapping
from ipaddress import (
    IPv4Network,
    IPv6Address,
    IPv6Network,
    ip_address,
    ip_network,
)
from urllib.parse import urlsplit

import msgspec

from fleet.settings import Settings

LOOPBACK = frozenset({"127.0.0.1", "localhost", "::1"})
ANY = frozenset({"0.0.0.0", "::", ""})
FORWARDED = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-real-ip", "via")
WANTS_TLS = (
    "Passwords and what they protect can be read on the way here, because this page came without "
    "TLS. Start Hourhand with --cert and --key, or put a proxy that speaks HTTPS in front and set "
    "tls_in_front; on the machine itself, open it as http://127.0.0.1."
)


class Door(msgspec.Struct, frozen=True, kw_only=True):
    """What the settings say of the way in. bound: http_host."""

    bound: str = "127.0.0.1"
    names: frozenset[str] = frozenset()
    tls: bool = False
    tls_in_front: bool = False
    proxies: tuple[IPv4Network | IPv6Network, ...] = ()

    def serves(self, host: str) -> bool:
        """Whether this is one of our names; a foreign name pointed at us reads nothing."""
        return host in LOOPBACK or host in self.names or (host == self.bound and host not in ANY)

    def secure(self, host: str) -> bool:
        """Whether the browser speaks TLS."""
        return self.tls or (self.tls_in_front and host not in LOOPBACK)

    def private(self, host: str) -> bool:
        """Whether a secret may travel so."""
        return self.secure(host) or host in LOOPBACK

    def at_the_box(self, peer: str, host: str, headers: Mapping[str, str]) -> bool:
        """Whether somebody on this very machine asks, through no proxy that we can see."""
        return (
            self.bound in LOOPBACK
            and not self.tls_in_front
            and _plain(peer) in LOOPBACK
            and host in LOOPBACK
            and not any(name in headers for name in FORWARDED)
        )

    def address(self, peer: str, headers: Mapping[str, str]) -> str:
        """Who asks: the peer, or where that is a trusted proxy, the last address it was told of."""
        found = _plain(peer)
        for told in reversed(headers.get("x-forwarded-for", "").split(",")):
            if not self.trusts(found) or not _is_address(told.strip()):
                break
            found = _plain(told.strip())
        return found

    def trusts(self, address: str) -> bool:
        """Whether an address is a proxy's whose word is believed."""
        if not _is_address(address):
            return False
        asked = ip_address(address)
        return any(asked.version == net.version and asked in net for net in self.proxies)


def door_of(settings: Settings) -> Door:
    """The door of these settings."""
    return Door(
        bound=settings.http_host.lower(),
        names=frozenset(settings.names),
        tls=bool(settings.tls_cert),
        tls_in_front=settings.tls_in_front,
        proxies=tuple(ip_network(given, strict=False) for given in settings.proxies),
    )


def name_of(host: str) -> str:
    """The name in a Host header, without port and in small letters; '' where there is none."""
    try:
        return (urlsplit(f"//{host}").hostname or "").lower()
    except ValueError:
        return ""


def neighbourhood(address: str) -> str:
    """What counts as one address: of IPv6 the /64 that one subscriber has."""
    if not _is_address(address):
        return address
    asked = ip_address(address)
    if isinstance(asked, IPv6Address):
        return str(ip_network((asked, 64), strict=False))
    return str(asked)


def _is_address(text: str) -> bool:
    try:
        ip_address(text)
    except ValueError:
        return False
    return True


def _plain(peer: str) -> str:
    """An address in its shortest form; IPv4 inside IPv6 as IPv4."""
    if not _is_address(peer):
        return peer
    asked = ip_address(peer)
    if isinstance(asked, IPv6Address) and asked.ipv4_mapped is not None:
        return str(asked.ipv4_mapped)
    return str(asked)

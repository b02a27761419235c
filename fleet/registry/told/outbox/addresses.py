"""Addresses of people: what may be one, and what may be seen of it.

An e-mail address goes by the firm's own mail server. Everything else is an address of the carrier
library, `scheme://...`; only schemes of this list are taken, for a library of over two hundred
would also write files or open what nobody looked at. Addresses often hold a token, so no page, log
or message shows more than the scheme and the host.
"""

from __future__ import annotations

import re
from urllib.parse import urlsplit

import msgspec

from fleet.model import DeliveryMethod

SCHEMES: dict[str, DeliveryMethod] = {
    "json": "webhook",
    "jsons": "webhook",
    "form": "webhook",
    "forms": "webhook",
    "ntfy": "push",
    "ntfys": "push",
    "gotify": "push",
    "gotifys": "push",
    "clickatell": "sms",
    "clicksend": "sms",
    "bulksms": "sms",
    "twilio": "sms",
    "vonage": "sms",
    "sinch": "sms",
    "smseagle": "sms",
    "smseagles": "sms",
}
"""json and form post to any server of your own; the others are general gateways."""
HOSTED = frozenset({"bulksms", "clickatell", "clicksend", "sinch", "twilio", "vonage"})
"""Gateways that the carrier library asks at a host of its own, whatever else an address of theirs
says (measured with apprise 2.3)."""
TOPIC = re.compile(r"ntfys?://(ntfy\.sh/)?[A-Za-z0-9_-]{1,64}/?", re.I)
"""A topic at the public server: two parts or a query could name another server."""
TAKEN_OF_ALL = (
    "Taken besides an e-mail address: a text-message gateway on the internet, scheme://… with what it "
    "gave you (names and tokens, then the numbers), and a topic at the public push server, "
    "scheme://topic. Each gateway has a scheme of its own, as the carrier library writes it."
)
"""What everybody may add, in generic words: a page names no company. The schemes themselves are above,
and whoever has an account at a gateway knows which is its own."""
TAKEN = (
    "Taken besides an e-mail address: a webhook, json://host/path or form://host/path (jsons:// and "
    "forms:// over HTTPS); a text-message gateway on the internet or of your own, scheme://… with what "
    "it gave you (names and tokens, then the numbers); and a push server, scheme://host/topic or "
    "scheme://topic. Each gateway has a scheme of its own, as the carrier library writes it."
)
OWNERS_ALONE = (
    "This address names a server, which would be asked from this one, inside your network: only the "
    "owner can add it or take it away. You can add e-mail addresses, text-message gateways on the "
    "internet and a topic at the public push server."
)
MAIL = re.compile(r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]{1,64}@[A-Za-z0-9-]+(\.[A-Za-z0-9-]+)*")
LONGEST = 500
"""Characters of an address. A bound of ours."""


class AddressFault(ValueError):
    """An address that is none. A sentence: what was wrong and what to do; it repeats nothing of it."""


class Address(msgspec.Struct, frozen=True):
    """A way, and the address as the carrier takes it."""

    way: DeliveryMethod
    text: str


def read(text: str) -> Address:
    """The address a person wrote. Raises AddressFault."""
    text = text.strip()
    if not text or len(text) > LONGEST or not text.isprintable() or " " in text:
        raise AddressFault(
            f"Write an e-mail address, or scheme://… without blanks, at most {LONGEST} characters."
        )
    if "://" not in text:
        if MAIL.fullmatch(text) is None:
            raise AddressFault("This is no e-mail address: write it as name@example.org.")
        return Address("email", text)
    scheme = text.split("://", 1)[0].lower()
    way = SCHEMES.get(scheme)
    if way is None:
        raise AddressFault(
            f"No gateway with this scheme is known here: look how it begins. {TAKEN} Anything else, such "
            "as a file, is not taken."
        )
    try:
        host = urlsplit(text).hostname
    except ValueError:
        host = None
    if not host:
        raise AddressFault("This address names no host: write it as scheme://host/…")
    return Address(way, text)


def names_a_server(text: str) -> bool:
    """Whether this server would ask a server of somebody's choosing for this address. Whatever is
    not known to be harmless counts as one, an address that could not be opened ('') too."""
    scheme, _, rest = text.partition("://")
    if not rest:
        return MAIL.fullmatch(text) is None
    return scheme.lower() not in HOSTED and TOPIC.fullmatch(text) is None


def shown(address: Address) -> str:
    """What may be seen of it: the whole of an e-mail address, else the scheme, and of a webhook the
    host."""
    if address.way == "email":
        return address.text
    scheme = address.text.split("://", 1)[0].lower()
    if address.way != "webhook":
        return f"{scheme}://…"
    host = urlsplit(address.text).hostname or ""
    return f"{scheme}://{host}/…"

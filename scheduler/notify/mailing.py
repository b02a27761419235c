"""A notice as an e-mail: its headers, and the one try to hand it to the firm's mail server.

Headers after RFC 5322 (names, Message-ID, References) and RFC 3834 (Auto-Submitted). All mails of
one alert refer to one Message-ID made from the alert, so that a reader shows them as one thread; no
mail has that id itself. Every try of a notice has the same Message-ID: a second one is the same mail.
"""

from __future__ import annotations

import hashlib
import re
import smtplib
import ssl
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import formatdate, parseaddr

import msgspec

from fleet.model import Notice, NoticeKind
from fleet.words.alert_sentences import one_line

HEADER = "X-Hourhand-Notice"
MOST_NAME = 60
"""Characters of a name beside an address. A bound of ours."""
IN_A_THREAD: frozenset[NoticeKind] = frozenset(
    {"alert", "changed", "cleared", "escalated", "outage", "customer_text"}
)
"""Notices whose cause is an alert or an outage, which may have more to say."""
_ATOM = re.compile(r"[A-Za-z0-9]+(?:[.-][A-Za-z0-9]+)*")


class Mail(msgspec.Struct, frozen=True, kw_only=True):
    """The firm's mail server. security: starttls, tls or none."""

    host: str = ""
    port: int = 587
    security: str = "starttls"
    user: str = ""
    password: str = ""
    sender: str = ""
    public_url: str = ""
    firm: str = "Hourhand"

    def __repr__(self) -> str:
        return f"Mail(host={self.host!r}, port={self.port})"


def mail_message(
    notice: Notice, name: str, address: str, subject: str, body: str, mail: Mail
) -> EmailMessage:
    """The notice as one mail to one address. name: whose it is. Raises ValueError for an address
    that cannot stand in a header."""
    made = EmailMessage(policy=SMTP)
    said, sender = parseaddr(mail.sender)
    made["Subject"] = subject
    made["From"] = _named(said or mail.firm, sender or mail.sender)
    made["To"] = _named(name, address)
    made["Date"] = formatdate()
    made["Message-ID"] = _message_id(notice.id, mail)
    if notice.kind in IN_A_THREAD:
        made["In-Reply-To"] = made["References"] = _message_id(f"alert.{notice.cause}", mail)
    made["Auto-Submitted"] = "auto-generated"
    made[HEADER] = notice.id
    made.set_content(body, cte="quoted-printable")
    return made


def hand_over(message: EmailMessage, to: str, mail: Mail, limit_s: float) -> None:
    """Give a mail to the firm's server. limit_s: for the connection, and for each answer. Raises
    OSError or smtplib.SMTPException where it is not taken, or the way cannot be kept private."""
    if mail.security == "tls":
        trusted = ssl.create_default_context()
        server: smtplib.SMTP = smtplib.SMTP_SSL(
            mail.host, mail.port, timeout=limit_s, context=trusted
        )
    else:
        server = smtplib.SMTP(mail.host, mail.port, timeout=limit_s)
    with server:
        if mail.security == "starttls":
            server.starttls(context=ssl.create_default_context())
        if mail.user:
            server.login(mail.user, mail.password)
        server.send_message(message, parseaddr(mail.sender)[1] or mail.sender, [to])


def _named(name: str, address: str) -> Address:
    return Address(display_name=one_line(name, MOST_NAME), addr_spec=address)


def _message_id(name: str, mail: Mail) -> str:
    """`<name@domain>`, the domain that of the sender: the same from every machine that sends."""
    if not _ATOM.fullmatch(name):
        name = hashlib.sha256(name.encode()).hexdigest()[:32]
    domain = parseaddr(mail.sender)[1].rpartition("@")[2]
    return f"<{name}@{domain if _ATOM.fullmatch(domain) else 'hourhand.invalid'}>"

"""One try to reach one target with one notice: a mail by the firm's own server, all else by apprise.

Measured with apprise 2.3: a second message on one object waits for seconds, so each try makes its
own; it follows a redirect and then calls the message delivered, so redirects are off; it logs
addresses and tokens, so its logger is silent; a server that drips bytes outlives its time limits,
so who calls this holds a clock of his own (`scheduler.turns.sending`).
"""

from __future__ import annotations

import logging
import smtplib
from typing import Any

import apprise

from fleet.model import Notice
from fleet.registry.told.outbox import Outcome, Target
from fleet.words import CAUTIONS
from fleet.words.alert_sentences import SMS_CAUTION, one_line
from fleet.words.short import message
from scheduler.notify.mailing import HEADER, Mail, hand_over, mail_message

LIMIT_S = 10.0
"""What a try may take; half of it for a connection and for an answer each. A pace of ours."""
REFUSED = "refused, or nobody there"


def deliver(target: Target, notice: Notice, mail: Mail) -> tuple[Outcome, str]:
    """(outcome, a sentence without secrets). Never raises; may take long, see LIMIT_S."""
    if target.way == "email" and not (mail.host and mail.sender):
        return "not_delivered", "no mail server is set: smtp_host and smtp_from"
    if not target.address:
        return "not_delivered", "its address cannot be opened with this installation's key"
    _silence()
    try:
        subject, body = texts(notice, target, mail.public_url)
        if target.way == "email":
            return _mailed(target, notice, subject, body, mail)
        plugin = _plugin(target, notice)
        if plugin is None:
            return "not_allowed", "the carrier does not take this address"
        done = plugin.notify(body=body, title=subject, body_format=apprise.NotifyFormat.TEXT)
    except Exception as fault:  # whatever a carrier does, the others go on
        return "not_delivered", f"the carrier failed ({type(fault).__name__})"
    return ("delivered", "") if done else ("not_delivered", REFUSED)


def _mailed(
    target: Target, notice: Notice, subject: str, body: str, mail: Mail
) -> tuple[Outcome, str]:
    try:
        message = mail_message(notice, target.name, target.address, subject, body, mail)
    except ValueError:
        return "not_allowed", "the carrier does not take this address"
    try:
        hand_over(message, target.address, mail, LIMIT_S / 2)
    except (OSError, smtplib.SMTPException):
        return "not_delivered", REFUSED
    return "delivered", ""


def _plugin(target: Target, notice: Notice) -> Any:
    made = apprise.Apprise.instantiate(target.address, suppress_exceptions=True)
    if not made:
        return None
    made.request_rate_per_sec = 0
    made.redirects = False
    made.socket_connect_timeout = made.socket_read_timeout = LIMIT_S / 2
    plugin: Any = made
    if target.way == "webhook" and isinstance(getattr(plugin, "headers", None), dict):
        plugin.headers[HEADER] = notice.id
    if target.way == "webhook" and isinstance(getattr(plugin, "payload_extras", None), dict):
        plugin.payload_extras |= {"notice": notice.id, "kind": notice.kind, "cause": notice.cause}
    return plugin


def texts(notice: Notice, target: Target, public_url: str) -> tuple[str, str]:
    """(subject, body) as this way carries them: one line without control characters as subject, a
    link that only opens a page, and the notice's id, so that who gets it twice can tell."""
    subject = one_line(notice.subject)
    link = f"{public_url.rstrip('/')}{notice.path}" if public_url else ""
    if target.way == "sms":
        return "", text_message(notice, link)
    lines = [notice.body.replace("\r", "")]
    lines += ["", f"Open it: {link}"] if link else []
    if target.way != "push":
        lines += ["", f"Message {notice.id}. If it comes twice it is the same one."]
    return subject, "\n".join(lines)


def text_message(notice: Notice, link: str) -> str:
    """At most 160 characters: what is said is cut, the caution, the link and both times of late news
    never are."""
    said = notice.body.split(CAUTIONS[0])[0].split(SMS_CAUTION)[0]
    return message(notice.subject, said, link, cautioned=len(said) < len(notice.body))


def _silence() -> None:
    """The logs of the carrier and of what it stands on name addresses and tokens."""
    log = logging.getLogger("apprise")
    log.disabled = True
    log.propagate = False
    for name in ("urllib3", "requests"):
        logging.getLogger(name).setLevel(logging.WARNING)

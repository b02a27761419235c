"""What a setting must be: each in its kind, and all beside each other once they are read."""

from __future__ import annotations

import re
from ipaddress import ip_network
from urllib.parse import unquote, urlsplit

from fleet.settings.table import Setting, Settings, SettingsFault

PLACEHOLDERS = frozenset(
    {"", "changeme", "change_me", "change-me", "changeit", "password", "secret", "xxx", "todo"}
)
"""Secrets nobody chose. Compared without letter case and without angle brackets around."""

NAME = re.compile(r"[a-z0-9_]([a-z0-9_.-]{0,251}[a-z0-9])?")
"""A host name, or an IPv4 address."""
WEB = re.compile(r"https?://[^/\s]+")


def checked(setting: Setting, given: object, where: str) -> str | int | bool:
    """The value in its kind, or SettingsFault naming `where`."""
    if setting.kind == "yes_no":
        return _yes_no(given, where)
    if setting.kind == "number":
        return _number(setting, given, where)
    if not isinstance(given, str):
        raise SettingsFault(f"{where} is {given!r}: it must be text in quotes.")
    text = given if setting.kind == "secret" else given.strip()
    if setting.kind == "secret":
        _refuse_placeholder(text, where)
    elif setting.kind == "choice" and text not in setting.choices:
        raise SettingsFault(f"{where} is {text!r}: it must be one of {', '.join(setting.choices)}.")
    elif setting.kind == "url" and text:
        _check_url(text, where)
    elif not text and setting.default:
        raise SettingsFault(f"{where} is empty: leave it out for {setting.default!r}.")
    return text


def _yes_no(given: object, where: str) -> bool:
    if isinstance(given, bool):
        return given
    words = {"true": True, "yes": True, "on": True, "1": True}
    words |= {"false": False, "no": False, "off": False, "0": False}
    text = str(given).strip().lower()
    if text not in words:
        raise SettingsFault(f"{where} is {given!r}: it must be true or false.")
    return words[text]


def _number(setting: Setting, given: object, where: str) -> int:
    try:
        if isinstance(given, (bool, float)):
            raise ValueError
        number = int(str(given).strip())
    except ValueError:
        raise SettingsFault(f"{where} is {given!r}: it must be a whole number.") from None
    if not setting.least <= number <= setting.most:
        raise SettingsFault(
            f"{where} is {number}: it must be from {setting.least} to {setting.most}."
        )
    return number


def _refuse_placeholder(text: str, where: str) -> None:
    if text.strip().strip("<>").lower() in PLACEHOLDERS:
        raise SettingsFault(
            f"{where} is empty or still a placeholder: put the real one there, "
            "or leave the setting out where none is needed."
        )


def _check_url(text: str, where: str) -> None:
    parts = urlsplit(text)
    scheme = parts.scheme.split("+")[0]
    if scheme not in ("sqlite", "postgresql", "postgres"):
        raise SettingsFault(
            f"{where} must begin with postgresql:// or sqlite:///; it begins with {scheme or 'nothing'!r}."
        )
    if parts.password is not None:
        _refuse_placeholder(unquote(parts.password), f"the password in {where}")


def check_together(settings: Settings) -> None:
    """Raises SettingsFault where settings contradict each other or miss one another."""
    if settings.mqtt_password and not settings.mqtt_user:
        raise SettingsFault("mqtt_password is set but mqtt_user is not: give both or neither.")
    if not settings.topics:
        raise SettingsFault("mqtt_topics names no topic: leave it out for 'hourhand/+/+/+'.")
    if settings.store == "influx":
        _check_influx(settings)
    for name in ("road_table_url", "public_url"):
        if getattr(settings, name) and not WEB.match(getattr(settings, name)):
            raise SettingsFault(f"{name} must begin with http:// or https:// and name a host.")
    _check_door(settings)


def _check_door(settings: Settings) -> None:
    if bool(settings.tls_cert) != bool(settings.tls_key):
        raise SettingsFault("tls_cert and tls_key belong together: give both or neither.")
    if settings.tls_cert and settings.tls_in_front:
        raise SettingsFault(
            "tls_cert and tls_in_front exclude each other: either Hourhand speaks HTTPS itself, "
            "or a proxy in front of it does."
        )
    for name in settings.names:
        if not NAME.fullmatch(name):
            raise SettingsFault(
                f"http_names holds {name[:80]!r}: give host names only, without http:// or a port."
            )
    for given in settings.proxies:
        try:
            ip_network(given, strict=False)
        except ValueError:
            raise SettingsFault(
                f"trusted_proxies holds {given[:80]!r}: give addresses such as 192.0.2.7 or "
                "networks such as 10.0.0.0/8."
            ) from None


def _check_influx(settings: Settings) -> None:
    for name in ("influx_url", "influx_org", "influx_token"):
        if not getattr(settings, name):
            raise SettingsFault(f"store is influx but {name} is not set: see docs/influxdb.md.")
    parts = urlsplit(settings.influx_url)
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise SettingsFault(
            f"influx_url must be like http://host:8086 or https://host; it is"
            f" {settings.influx_url[:80]!r}."
            if parts.password is None
            else "influx_url must be like http://host:8086 or https://host."
        )
    if parts.username is not None or parts.password is not None:
        raise SettingsFault(
            "influx_url holds a user or password: InfluxDB 2 takes a token, put it in influx_token."
        )

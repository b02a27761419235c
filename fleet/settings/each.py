"""One value in its kind."""

from __future__ import annotations

from urllib.parse import unquote, urlsplit

from fleet.settings.faults import SettingsFault
from fleet.settings.table import Setting

PLACEHOLDERS = frozenset(
    {"", "changeme", "change_me", "change-me", "changeit", "password", "secret", "xxx", "todo"}
)
"""Secrets nobody chose. Compared without letter case and without angle brackets around."""


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

"""What is said of a setting that cannot be used."""

from __future__ import annotations


class SettingsFault(Exception):
    """A setting cannot be used. The text says which, what was wrong and what to do."""

"""What messages say that are not about one alert: tests, all quiet, reminders."""

from __future__ import annotations

from collections.abc import Sequence

from fleet.words.saying import CAUTIONS, count, day


def channel_test(firm: str) -> tuple[str, str]:
    """(subject, body) of a test of one address."""
    return (
        f"{firm}: test message",
        "This is a test. If you can read it, messages reach you here. Nothing needs to be done.",
    )


def weekly_test(firm: str) -> tuple[str, str]:
    """(subject, body) to the duty phone, once a week."""
    return (
        f"{firm}: weekly test of the duty phone",
        "Open the page and tap that you have it. If nobody does, the next in line is asked.",
    )


def all_quiet(firm: str, heard: int, sets: int, waiting: Sequence[str]) -> tuple[str, str]:
    """(subject, body) each morning. heard: sets that report; waiting: what is open, in a line each."""
    heard_words = f"{heard} of {sets} heard"
    if not waiting:
        return f"{firm}: all quiet, {heard_words}", f"All quiet: {heard_words}. Nothing is open."
    return (
        f"{firm}: {count(len(waiting), 'alert')} open, {heard_words}",
        "\n".join([f"{count(len(waiting), 'alert')} open, {heard_words}:", *waiting]),
    )


def service_reminder(firm: str, lines: Sequence[str], on: str) -> tuple[str, str]:
    """(subject, body) to the office, once a week: work that is late or due, a line each."""
    return (
        f"{firm}: {count(len(lines), 'piece')} of work late or due, {day(on)}",
        "\n".join(["Late or due:", *lines, "", *CAUTIONS]),
    )


def exercise_reminder(firm: str, lines: Sequence[str], on: str) -> tuple[str, str]:
    """(subject, body) to the office, once a week: exercises missed or cut short, a line each."""
    return (
        f"{firm}: {count(len(lines), 'exercise')} to look at, {day(on)}",
        "\n".join(["Missed or cut short:", *lines, "", *CAUTIONS]),
    )

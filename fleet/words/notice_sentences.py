"""What messages say that are not about one alert: tests, all quiet, reminders."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime

from fleet.findings.saying import CAUTIONS, count, day, spelled_span

MOST = 30
"""Lines of a message. A page's length."""


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


def all_quiet(
    firm: str, heard: int, sets: int, waiting: Sequence[str], more: int = 0
) -> tuple[str, str]:
    """(subject, body) each morning. heard: sets that report; waiting: what is open, a line each;
    more: how much beyond."""
    heard_words = f"{heard} of {sets} heard"
    if not waiting:
        return f"{firm}: all quiet, {heard_words}", f"All quiet: {heard_words}. Nothing is open."
    total = count(len(waiting) + more, "alert")
    rest = [f"and {more} more"] if more else []
    return (
        f"{firm}: {total} open, {heard_words}",
        "\n".join([f"{total} open, {heard_words}:", *waiting, *rest]),
    )


def taken_over(firm: str, alerts: int, lines: Sequence[str]) -> tuple[str, str]:
    """(subject, body) once after sets were taken over: what was so before, a line a set, the gravest
    first. alerts: how many they have."""
    said = f"{count(alerts, 'alert')} on {count(len(lines), 'set')} taken over"
    return (
        f"{firm}: {said}",
        "\n".join([f"{said}, told here once:", *listed(lines), "", *CAUTIONS]),
    )


def service_reminder(firm: str, lines: Sequence[str], on: str) -> tuple[str, str]:
    """(subject, body) to the office, once a week: work that is late or due, a line each."""
    return (
        f"{firm}: {count(len(lines), 'piece')} of work late or due, {day(on)}",
        "\n".join(["Late or due:", *listed(lines), "", *CAUTIONS]),
    )


def exercise_reminder(firm: str, lines: Sequence[str], on: str) -> tuple[str, str]:
    """(subject, body) to the office, once a week: exercises missed or cut short, a line each."""
    return (
        f"{firm}: {count(len(lines), 'exercise')} to look at, {day(on)}",
        "\n".join(["Missed or cut short:", *listed(lines), "", *CAUTIONS]),
    )


def quiet_hours(begins: str, ends: str) -> str:
    """When somebody is told of nothing but what wakes (HH:MM on the wall)."""
    return f"Quiet {begins}–{ends}"


def last_address(name: str, others: bool, on_duty: bool) -> str:
    """Before an address is removed and no other is known to work. others: there are some."""
    if others:
        said = f"No message has reached {name} at another address yet: send a test to one first."
    else:
        said = f"This is the only address of {name}. Without it no message arrives"
        said += ", not even what wakes."
    return f"{said} {name} holds the duty phone now." if on_duty else said


def undelivered(late: int, failed: int, late_s: float) -> list[str]:
    """Sentences for Health: messages that should have left late_s ago [s], and those of a week given
    up."""
    said = []
    if late:
        said.append(
            f"{count(late, 'message')} to people should have left over {spelled_span(late_s)} ago: "
            "see How people are reached."
        )
    if failed:
        said.append(
            f"{count(failed, 'message')} of the last week could not be delivered to anybody: see "
            "How people are reached."
        )
    return said


def perhaps_again(made_at: int) -> str:
    """After a message that waited when a backup was made and leaves after its restore."""
    return f"You may have had this before: it waited in a backup of {utc(made_at)}."


def utc(at: int) -> str:
    """A moment of the service itself, which has no site: `2 Jan 2026 03:00 UTC`."""
    then = datetime.fromtimestamp(at, UTC)
    return f"{then.day} {then:%b %Y %H:%M} UTC"


def listed(lines: Sequence[str]) -> list[str]:
    """At most MOST lines, and how many more there are."""
    more = len(lines) - MOST
    return [*lines[:MOST], *([f"and {more} more"] if more > 0 else [])]

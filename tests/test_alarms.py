"""The life of an alert, in its simple form."""

from fleet.model import Episode, Finding, Severity, Step
from scheduler.alarms import episode_id, step

SUBJECT = "unit:u1"


def found(kind: str, severity: Severity = "act_now", since: int = 100, part: str = "") -> Finding:
    return Finding(kind=kind, severity=severity, since=since, part=part)


def grown(episode: Episode, steps: list[Step]) -> Episode:
    """The episode after its steps, as a registry would keep it."""
    mine = [s for s in steps if s.episode == episode.id]
    closed = next((s.at for s in mine if s.kind == "cleared"), None)
    fields = {f: getattr(episode, f) for f in episode.__struct_fields__}
    return Episode(**{**fields, "steps": (*episode.steps, *mine), "closed_at": closed})


def test_raised_once_and_cleared_once() -> None:
    (episode,), steps = step([], SUBJECT, [found("failed_start")], 200)
    assert steps == []
    assert (episode.opened_at, episode.severity) == (200, "act_now")
    assert [(s.n, s.kind) for s in episode.steps] == [(1, "raised")]
    assert step([episode], SUBJECT, [found("failed_start")], 300) == ([], [])
    opened, steps = step([episode], SUBJECT, [], 400)
    assert opened == []
    assert [(s.n, s.kind, s.at) for s in steps] == [(2, "cleared", 400)]


def test_after_a_restart() -> None:
    """Field case 25: nothing again for the first, one all-clear for the second, the third alerts."""
    opened, _ = step([], SUBJECT, [found("failed_start"), found("not_in_auto")], 900)
    episodes = [
        grown(e, [Step(episode=e.id, n=2, at=950, kind="acknowledged", by="ann")])
        for e in opened
        if e.kind == "failed_start"
    ] + [e for e in opened if e.kind == "not_in_auto"]
    now = [found("failed_start"), found("service_due", "next_visit", part="oil")]
    opened, steps = step(episodes, SUBJECT, now, 1000)
    assert [(e.kind, e.part) for e in opened] == [("service_due", "oil")]
    assert [(s.kind, s.n) for s in steps] == [("cleared", 2)]
    after = [grown(e, steps) for e in episodes] + opened
    assert step(after, SUBJECT, now, 1001) == ([], [])


def test_what_comes_back_is_a_new_episode() -> None:
    (first,), _ = step([], SUBJECT, [found("not_reporting", "no_word")], 100)
    _, cleared = step([first], SUBJECT, [], 200)
    (second,), _ = step([grown(first, cleared)], SUBJECT, [found("not_reporting", "no_word")], 300)
    assert second.id != first.id


def test_severity_and_another_failed_start_are_steps_of_one_life() -> None:
    (oil,), _ = step([], SUBJECT, [found("service_due", "next_visit", part="oil")], 100)
    worse = found("service_due", "same_day", since=150, part="oil")
    _, steps = step([oil], SUBJECT, [worse], 200)
    assert [(s.kind, s.n, s.finding) for s in steps] == [("changed", 2, worse)]
    assert step([grown(oil, steps)], SUBJECT, [worse], 300) == ([], [])
    (failed,), _ = step([], SUBJECT, [found("failed_start", since=100)], 100)
    again = found("failed_start", since=500)
    _, steps = step([failed], SUBJECT, [again], 510)
    assert [s.kind for s in steps] == ["changed"]
    assert step([grown(failed, steps)], SUBJECT, [again], 520) == ([], [])


def test_notes_open_nothing_and_a_finding_that_shrank_to_one_clears() -> None:
    assert step([], SUBJECT, [found("meter_rolled_over", "note")], 100) == ([], [])
    (episode,), _ = step([], SUBJECT, [found("not_reporting", "no_word")], 100)
    _, steps = step([episode], SUBJECT, [found("not_reporting", "note")], 200)
    assert [s.kind for s in steps] == ["cleared"]


def test_one_open_per_subject_kind_and_part() -> None:
    twice = [
        found("service_due", "next_visit", part="oil"),
        found("service_due", "same_day", part="oil"),
    ]
    opened, _ = step([], SUBJECT, [*twice, found("service_due", "next_visit", part="belt")], 100)
    assert [(e.part, e.severity) for e in opened] == [("belt", "next_visit"), ("oil", "same_day")]
    other = Episode(**{**{f: getattr(opened[0], f) for f in opened[0].__struct_fields__},
                       "subject": "unit:u2"})  # fmt: skip
    assert step([other], SUBJECT, [], 200) == ([], [])


def test_ids_are_stable_and_fit_the_contract() -> None:
    """Ids match [A-Za-z0-9][A-Za-z0-9_-]{0,63}; parts cannot run into each other."""
    name = episode_id(SUBJECT, "failed_start", "", 200)
    assert name == episode_id(SUBJECT, "failed_start", "", 200)
    assert name.isalnum()
    assert len(name) <= 64
    assert episode_id("unit:a", "bc", "", 1) != episode_id("unit:a", "b", "c", 1)

"""What finishing a job writes, and which engine hours are asked about: pure, and for any input."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleet.model import Job
from scheduler import work_orders
from scheduler.work_orders import NotPossible, Told, ToldTask

NOW = 1_795_590_060
STATES = ("open", "call_first", "waiting_part", "waiting_yes", "booked", "under_way", "part_done")


def job(**more: Any) -> Job:
    fields: dict[str, Any] = {"id": "j", "title": "Oil", "unit": "U1", "task": "oil", "n": 3}
    return Job(**(fields | more))


def told(**more: Any) -> Told:
    fields: dict[str, Any] = {"form": "f", "at": NOW, "zone": "UTC", "by": "Ana"}
    return Told(**(fields | more))


def task(id: str = "oil", said: Any = "done", **more: Any) -> ToldTask:
    fields: dict[str, Any] = {"task": id, "name": id.title(), "said": said}
    return ToldTask(**(fields | more))


SAID = st.sampled_from(["done", "not_done", "not_needed"])
NAMES = ["oil", "air", "belts", "coolant"]


@given(
    state=st.sampled_from(STATES),
    own=SAID,
    others=st.dictionaries(st.sampled_from(NAMES[1:]), SAID),
    with_jobs=st.sets(st.sampled_from(NAMES[1:])),
    minutes=st.none() | st.integers(1, 900),
    before=st.none() | st.integers(0, 300),
)
def test_each_done_task_has_one_record_and_minutes_add_up(
    state: Any,
    own: Any,
    others: dict[str, Any],
    with_jobs: set[str],
    minutes: int | None,
    before: int | None,
) -> None:
    main = job(state=state, minutes_used=before)
    jobs = {t: job(id=f"j-{t}", task=t, n=1) for t in with_jobs}
    said = (task("oil", own, why="so"), *(task(t, s, why="so") for t, s in others.items()))
    made = work_orders.finished(main, jobs, told(tasks=said, minutes=minutes), NOW)
    done = {t.task for t in said if t.said == "done"}
    assert sorted(r.facts["task"] for r in made.records if r.kind == "task_done") == sorted(done)
    assert {r.job for r in made.records} <= {"j", *(f"j-{t}" for t in with_jobs)}
    last = {step.job: (after, step) for after, step in made.steps}
    assert set(last) == {"j", *(f"j-{t}" for t in with_jobs & done)}
    ended, step = last["j"]
    if own == "not_done":
        assert ended.state in ("part_done", state), "never silently done"
    else:
        assert ended.state == "done"
    assert bool(ended.nothing) == (own == "not_needed" and not done - with_jobs)
    assert all(last[f"j-{t}"][0].state == "done" for t in with_jobs & done)
    spent = sum(after.minutes_used or 0 for after, _ in last.values())
    assert spent == (before or 0) + (minutes or 0)
    assert step.facts["records"] == [r.id for r in made.records if r.job == "j"]
    again = work_orders.finished(main, jobs, told(tasks=said, minutes=minutes), NOW + 5)
    assert [r.id for r in again.records] == [r.id for r in made.records], (
        "the same form, the same ids"
    )
    assert len({r.id for r in made.records}) == len(made.records)


@pytest.mark.parametrize(
    ("of", "said", "says"),
    [
        ({}, {}, "say whether it was done"),
        ({}, {"tasks": (task("air"),)}, "say whether it was done"),
        ({}, {"tasks": (task("oil", "not_done"),)}, "why it was not done"),
        ({}, {"tasks": (task("oil", "not_needed", why="  "),)}, "why it was not done"),
        ({"task": ""}, {}, "Say what was done"),
        ({"task": ""}, {"words": " "}, "Say what was done"),
        ({"task": ""}, {"outcome": "nothing"}, "why nothing was done"),
        (
            {"task": ""},
            {"outcome": "nothing", "why": "by phone", "parts": {"fuse": 1.0}},
            "it was done",
        ),
        ({"task": ""}, {"outcome": "come_back", "words": "opened it"}, "what is left"),
        ({"task": "", "state": "done"}, {"words": "x"}, "cannot take the step finish"),
    ],
)
def test_what_is_missing_is_asked_for(of: dict[str, Any], said: dict[str, Any], says: str) -> None:
    with pytest.raises(NotPossible, match=says):
        work_orders.finished(job(**of), {}, told(**said), NOW)


def test_an_errand_is_finished_with_words_and_writes_no_record() -> None:
    made = work_orders.finished(job(unit="", task=""), {}, told(words="Filters fetched"), NOW)
    assert made.records == ()
    assert made.steps[-1][1].note == "Filters fetched"


@pytest.mark.parametrize(
    ("part", "is_one"),
    [
        ("battery", True),
        ("Battery", True),
        ("battery_12v_70ah", True),
        ("AGM battery", True),
        ("starter-battery", True),
        ("batteries", True),
        ("battery agm", True),
        ("battery_cable", False),
        ("battery charger", False),
        ("battery_tray", False),
        ("oil_l", False),
        ("", False),
        ("12v", False),
    ],
)
def test_which_part_is_a_battery(part: str, is_one: bool) -> None:
    assert work_orders.is_battery(part) is is_one


def test_a_battery_used_is_written_down_as_changed_once() -> None:
    used = task("oil", parts={"battery": 1.0})
    made = work_orders.finished(job(), {}, told(tasks=(used,)), NOW)
    assert [r.facts["part"] for r in made.records if r.kind == "part_changed"] == ["battery"]
    own = told(tasks=(used,), more=(("part_changed", {"part": "battery", "chemistry": "agm"}),))
    made = work_orders.finished(job(), {}, own, NOW)
    (record,) = [r for r in made.records if r.kind == "part_changed"]
    assert record.facts["chemistry"] == "agm"
    left = task("oil", "not_done", why="no time", parts={"battery": 1.0})
    made = work_orders.finished(job(), {}, told(tasks=(left,)), NOW)
    assert [r.kind for r in made.records] == ["note"], "one that was not fitted is not fitted"


# --- engine hours --------------------------------------------------------------------------------

ANCHOR = st.tuples(st.integers(NOW - 10**8, NOW - 1), st.floats(0, 50_000))


@given(
    anchor=ANCHOR,
    share=st.floats(0, 1),
    at=st.integers(0, 10**6),
)
def test_hours_that_an_engine_can_have_run_are_taken(
    anchor: tuple[int, float], share: float, at: int
) -> None:
    ran = share * at / 3600
    assert work_orders.doubt([anchor], anchor[0] + at, anchor[1] + ran) is None


@given(anchor=ANCHOR, at=st.integers(0, 10**6), off=st.floats(1.2, 10_000))
def test_hours_that_fell_or_outran_the_clock_are_asked_about(
    anchor: tuple[int, float], at: int, off: float
) -> None:
    fast = work_orders.doubt([anchor], anchor[0] + at, anchor[1] + at / 3600 + off)
    assert fast is not None
    assert (fast.why, fast.known_h) == ("too_fast", anchor[1])
    fell = work_orders.doubt([anchor], anchor[0] + at, anchor[1] - off)
    assert fell is not None
    assert fell.why == "below"


@pytest.mark.parametrize(
    ("at", "typed", "reckoned", "why"),
    [
        (NOW, 812.4, 812.0, None),
        (NOW, 821.4, 812.0, "reckoned"),  # two digits changed places
        (NOW, 821.4, None, None),
        (NOW - 86_400, 821.4, 812.0, None),  # the reckoning is of now, the reading of yesterday
        (NOW - 86_400 * 40, 700.0, None, None),
        (NOW - 86_400 * 40, 801.0, None, "above_later"),
    ],
)
def test_hours_beside_what_else_is_known(
    at: int, typed: float, reckoned: float | None, why: str | None
) -> None:
    anchors = [(NOW - 86_400 * 30, 800.0), (NOW - 86_400 * 60, 690.0)]
    found = work_orders.doubt(anchors, at, typed, reckoned, NOW, 0.5)
    assert (found.why if found else None) == why

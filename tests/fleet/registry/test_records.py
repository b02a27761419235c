"""What people did: checked by kind, appended, corrected, and what follows from it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from register_rows import NOW, TODAY, row, take

from fleet.calibration import apply
from fleet.model import EVERYTHING, Record, RecordKind, Series
from fleet.registry import lists, unscoped
from fleet.registry.base.engine import Registry
from fleet.registry.facts.records import RecordRefused, add_record, import_records
from fleet.registry.facts.rows import UnitInputs

pytest_plugins = ["databases"]


def record(kind: RecordKind, id: str = "r1", at: int = NOW - 60, **facts: Any) -> Record:
    corrects = facts.pop("corrects", None)
    unit = facts.pop("unit", "U1")
    return Record(id=id, at=at, by="Anna", unit=unit, kind=kind, facts=facts, corrects=corrects)


def inputs(reg: Registry, unit: str = "U1") -> UnitInputs:
    found = unscoped.unit_inputs(reg, unit)
    assert found is not None
    return found


def test_a_record_is_kept_with_its_facts_read(reg: Registry) -> None:
    take(reg, row())
    kept = add_record(reg, record("task_done", task="oil_filter", hours="812,4"), NOW)
    assert kept.facts == {"task": "oil_filter", "hours": 812.4}
    assert kept.made_at == NOW
    assert inputs(reg).records == (kept,)
    assert lists.records(reg, EVERYTHING, "U1")[0].record == kept


@pytest.mark.parametrize(
    ("kind", "given", "kept"),
    [
        ("hour_meter", {"hours": 12}, {"hours": 12.0}),
        ("hour_meter", {"hours": "812:42"}, {"hours": 812.7}),
        ("refuel", {"level": "80"}, {"level": 80.0}),
        ("refuel", {"litres": 20, "level": ""}, {"litres": 20.0}),
        (
            "part_changed",
            {"part": "battery", "date": "2026-11-01", "chemistry": "AGM"},
            {"part": "battery", "date": "2026-11-01", "chemistry": "agm"},
        ),
        ("laid_up", {"from": "2026-11-25T07:00:00Z"}, {"from": NOW - 60}),
        # 2026-11-25 in Berlin begins at 23:00 UTC the day before (UTC+1 in winter)
        (
            "out_of_service",
            {"from": "2026-11-25", "to": "2026-11-26T09:00"},
            {"from": NOW - 60 - 8 * 3600, "to": NOW - 60 + 25 * 3600},
        ),
        (
            "visit",
            {"opened": NOW - 900, "closed": NOW - 60, "minutes": 14},
            {"opened": NOW - 900, "closed": NOW - 60, "minutes": 14.0},
        ),
        ("note", {"text": " all well \x00"}, {"text": "all well"}),
        ("laid_up", {}, {"from": NOW - 60}),
    ],
)
def test_facts_by_kind(
    lite: Registry, kind: RecordKind, given: dict[str, Any], kept: dict[str, Any]
) -> None:
    take(lite, row())
    assert add_record(lite, record(kind, **given), NOW).facts == kept


@pytest.mark.parametrize(
    ("kind", "facts", "says"),
    [
        ("note", {}, "text is missing: note needs it"),
        ("note", {"txt": "x"}, "txt is no fact of note: expected text. Did you mean text?"),
        ("task_done", {"task": "oil_filtr"}, "Did you mean oil_filter?"),
        ("task_done", {"task": "oil_filter", "hours": -1}, "expected a number from 0"),
        ("task_done", {"task": "oil_filter", "hours": "1,234"}, "can be read two ways"),
        ("task_done", {"task": "oil_filter", "hours": True}, "expected a number"),
        ("hour_meter", {"hours": "nan"}, "expected a number"),
        ("refuel", {}, "refuel needs one of them"),
        ("part_changed", {"part": "battery", "date": "1.11.2026"}, "expected a date such as"),
        ("part_changed", {"part": "battery", "chemistry": "lead"}, "expected one of flooded, agm"),
        ("laid_up", {"from": NOW, "to": NOW - 1}, "to is before from"),
        ("visit", {"opened": NOW, "closed": NOW - 1}, "closed is before opened"),
        ("fitting", {}, "device is missing"),
        ("fitting", {"device": "a b"}, "an id has 1 to 64 letters"),
        ("fitting", {"device": "D2", "from": NOW + 3600}, "from lies in the future"),
        ("meter_check", {"channel": "ac_v", "meter": 231, "raw": 224.6}, "instrument is missing"),
        (
            "meter_check",
            {"channel": "volts", "meter": 1, "raw": 1, "instrument": "x"},
            "channel is",
        ),
        (
            "meter_check",
            {"channel": "ac_v", "meter": "1 2 3", "raw": 1, "instrument": "x"},
            "has 3 values",
        ),
    ],
)
def test_a_wrong_fact_is_refused_with_a_sentence(
    lite: Registry, kind: RecordKind, facts: dict[str, Any], says: str
) -> None:
    take(lite, row())
    with pytest.raises(RecordRefused) as refused:
        add_record(lite, record(kind, **facts), NOW)
    assert says in str(refused.value)
    assert lists.records(lite, EVERYTHING, "U1") == []


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"at": NOW + 601}, "more than 10 min in the future"),
        ({"at": 600_000_000}, "before 1990"),
        ({"unit": "GONE"}, "There is no unit 'GONE'"),
        ({"id": "a/b"}, "best a UUID"),
        ({"corrects": "nothing"}, "there is no such record"),
    ],
)
def test_a_wrong_head_is_refused(lite: Registry, changes: dict[str, Any], says: str) -> None:
    take(lite, row())
    with pytest.raises(RecordRefused) as refused:
        add_record(lite, record("note", text="x", **changes), NOW)
    assert says in str(refused.value)


def test_ten_minutes_ahead_is_forgiven(lite: Registry) -> None:
    take(lite, row())
    assert add_record(lite, record("note", text="x", at=NOW + 600), NOW).at == NOW + 600


def test_the_same_record_again_changes_nothing(reg: Registry) -> None:
    take(reg, row())
    first = add_record(reg, record("note", text="x"), NOW)
    before = (unscoped.facts_version(reg), inputs(reg).facts_seq)
    assert add_record(reg, record("note", text="x"), NOW + 99) == first
    assert (unscoped.facts_version(reg), inputs(reg).facts_seq) == before
    with pytest.raises(RecordRefused, match="says something else"):
        add_record(reg, record("note", text="y"), NOW)


def test_a_correction_hides_the_old_but_lists_it(reg: Registry) -> None:
    take(reg, row())
    old = add_record(reg, record("hour_meter", hours=812.4), NOW)
    new = add_record(reg, record("hour_meter", "r2", hours=821.4, corrects="r1"), NOW)
    assert inputs(reg).records == (new,)
    listed = lists.records(reg, EVERYTHING, "U1")
    assert {x.record.id: x.superseded_by for x in listed} == {"r1": "r2", "r2": None}
    assert next(x.record for x in listed if x.record.id == "r1") == old
    with pytest.raises(RecordRefused, match="corrected already, by r2"):
        add_record(reg, record("note", "r3", text="x", corrects="r1"), NOW)
    last = add_record(reg, record("note", "r3", text="never happened", corrects="r2"), NOW)
    assert inputs(reg).records == (last,)


def test_a_record_touches_its_unit_from_its_moment_and_bumps_it(reg: Registry) -> None:
    take(reg, row(), row("U2"))
    from touches import clear, days_of

    clear(reg)
    before = inputs(reg).facts_seq, unscoped.facts_version(reg)
    add_record(reg, record("hour_meter", at=NOW - 3 * 86_400, hours=5), NOW)
    assert days_of(unscoped.touched_units(reg, 9)) == {"U1": [(TODAY - 3, True)]}
    assert inputs(reg).facts_seq > before[0]
    assert unscoped.facts_version(reg) > before[1]
    clear(reg)
    late = record("hour_meter", "r2", hours=6, corrects="r1")
    add_record(reg, late, NOW)
    touched = days_of(unscoped.touched_units(reg, 9))["U1"]
    assert (TODAY - 3, True) in touched


def test_a_meter_check_calibrates_the_fitting_of_its_moment(reg: Registry) -> None:
    """Common practice, no source: meter 231 V and raw 224.6 gives 231.0 V."""
    take(reg, row(device="D1"))
    check = record("meter_check", channel="ac_v", meter="231", raw="224.6", instrument="M-7")
    add_record(reg, check, NOW)
    (made,) = inputs(reg).calibrations
    assert made.gain * 224.6 + made.offset == pytest.approx(231.0)
    assert made.fitting == inputs(reg).fittings[0].id
    assert (made.from_at, made.channel, made.instrument) == (NOW - 60, "ac_v", "M-7")


def test_no_gain_on_a_circuit_without_voltage(lite: Registry) -> None:
    """Common practice, no source: raw 0 is a zero point, never a gain."""
    take(lite, row())
    check = record("meter_check", channel="ac_v", meter=231, raw=0, instrument="M-7")
    with pytest.raises(RecordRefused, match="not energised"):
        add_record(lite, check, NOW)
    assert inputs(lite).calibrations == ()


def test_two_points_make_a_line(reg: Registry) -> None:
    take(reg, row())
    check = record(
        "meter_check", channel="ac_v", meter=[231, 115.5], raw="224.6; 110", instrument="M"
    )
    add_record(reg, check, NOW)
    (made,) = inputs(reg).calibrations
    assert made.gain * 224.6 + made.offset == pytest.approx(231.0)
    assert made.gain * 110 + made.offset == pytest.approx(115.5)


def test_a_calibration_ends_with_its_fitting(reg: Registry) -> None:
    """docs/engineering/calibration.md#whose-it-is: a calibration belongs to a fitting and ends with
    it.
    """
    take(reg, row(device="D1"))
    add_record(
        reg, record("meter_check", channel="ac_v", meter=231, raw=224.6, instrument="M"), NOW
    )
    add_record(reg, record("fitting", "r2", device="D2", at=NOW - 30), NOW)
    first, second = inputs(reg).fittings
    assert [c.fitting for c in inputs(reg).calibrations] == [first.id]
    # entered late: the board had been swapped before the check, so the check was of the new one
    add_record(reg, record("fitting", "r3", device="D2", at=NOW - 300, corrects="r2"), NOW)
    first, second = inputs(reg).fittings
    assert [c.fitting for c in inputs(reg).calibrations] == [second.id]


def test_a_corrected_meter_check_replaces_its_calibration(reg: Registry) -> None:
    take(reg, row())
    add_record(
        reg, record("meter_check", channel="ac_v", meter=231, raw=224.6, instrument="M"), NOW
    )
    again = record(
        "meter_check", "r2", channel="ac_v", meter=230, raw=224.6, instrument="M", corrects="r1"
    )
    add_record(reg, again, NOW)
    (made,) = inputs(reg).calibrations
    assert made.id == "r2"
    assert made.gain * 224.6 == pytest.approx(230.0)
    add_record(reg, record("note", "r3", text="no meter used", corrects="r2"), NOW)
    assert inputs(reg).calibrations == ()


CSV = """at;unit;kind;task;hours;channel;meter;raw;instrument;text
2026-11-25T08:00;U1;Task_Done;oil_filter;812,4;;;;;
2026-11-25T07:00:00+00:00;U1;note;;;;;;;"=cmd, fine"
2026-11-24;U1;meter_check;;;ac_v;231;224,6;M-7;
"""


def test_a_csv_is_taken_whole_and_again_without_doubles(reg: Registry, tmp_path: Path) -> None:
    take(reg, row())
    path = tmp_path / "records.csv"
    path.write_bytes(b"\xef\xbb\xbf" + CSV.encode())
    report = import_records(reg, path, NOW, "office")
    assert (report.problems, report.added) == ((), 3)
    # Berlin is UTC+1 in winter: 08:00 there is 07:00Z, and 24 November begins at 23:00Z
    assert {(r.kind, r.at, r.by) for r in inputs(reg).records} == {
        ("meter_check", NOW - 60 - 32 * 3600, "office"),
        ("note", NOW - 60, "office"),
        ("task_done", NOW - 60, "office"),
    }
    again = import_records(reg, path, NOW + 5, "office")
    assert (again.added, again.unchanged, len(inputs(reg).records)) == (0, 3, 3)


def test_json_with_nested_facts_and_a_correction_in_the_same_file(
    reg: Registry, tmp_path: Path
) -> None:
    take(reg, row())
    path = tmp_path / "records.json"
    rows = [
        {
            "id": "b",
            "at": "2026-11-25T07:00:30Z",
            "unit": "U1",
            "kind": "hour_meter",
            "facts": {"hours": 821.4},
            "corrects": "a",
            "by": "Anna",
        },
        {
            "id": "a",
            "at": "2026-11-25T07:00:00Z",
            "unit": "U1",
            "kind": "hour_meter",
            "hours": 812.4,
        },
    ]
    path.write_text(json.dumps({"records": rows}))
    report = import_records(reg, path, NOW, "office")
    assert report.ok, report.problems
    assert [r.facts["hours"] for r in inputs(reg).records] == [821.4]


def test_wrong_rows_are_named_and_nothing_is_written(reg: Registry) -> None:
    take(reg, row())
    good: dict[str, Any] = {"at": NOW - 5, "unit": "U1", "kind": "note", "text": "x"}
    rows = [
        good,
        {**good, "kind": "nots"},
        {**good, "at": "yesterday"},
        {**good, "unit": "GONE"},
        {**good, "txt": "x"},
        {"unit": "U1", "kind": "note", "text": "no time"},
        {
            **good,
            "kind": "meter_check",
            "text": "",
            "channel": "ac_v",
            "meter": 231,
            "raw": 0,
            "instrument": "M",
        },
    ]
    report = import_records(reg, rows, NOW, "office")
    assert not report.written
    assert [(p.row, p.column) for p in report.problems] == [
        (2, "kind"),
        (3, "at"),
        (4, "unit"),
        (5, "txt"),
        (6, "at"),
        (7, "raw"),
    ]
    assert "Did you mean note?" in str(report.problems[0])
    assert lists.records(reg, EVERYTHING, "U1") == []
    partly = import_records(reg, rows, NOW, "office", partial=True)
    assert (partly.written, partly.added, partly.refused) == (True, 1, 6)
    assert len(lists.records(reg, EVERYTHING, "U1")) == 1


# ---------------------------------------------------------------- a second point, and formats


def check(id: str, meter: object, raw: object, at: int = NOW - 60, **facts: Any) -> Record:
    channel = facts.pop("channel", "ac_v")
    return record(
        "meter_check", id, at, channel=channel, meter=meter, raw=raw, instrument="M", **facts
    )


def lines(reg: Registry) -> dict[str, tuple[float, float]]:
    return {c.id: (c.gain, c.offset) for c in inputs(reg).calibrations}


def through(*points: tuple[float, float]) -> tuple[float, float]:
    """The line through points (meter, raw)."""
    (m1, r1), (m2, r2) = points
    gain = (m2 - m1) / (r2 - r1)
    return gain, m1 - gain * r1


def test_a_second_point_joins_the_first_to_a_line(reg: Registry) -> None:
    """231 over 226, then the dead circuit: meter 0 where the device says 2."""
    take(reg, row(nominal_v=230))
    add_record(reg, check("a", 231, 226, NOW - 7200), NOW)
    assert lines(reg)["a"] == pytest.approx((231 / 226, 0.0))
    add_record(reg, check("b", 0, 2, NOW - 60), NOW)
    found = lines(reg)
    assert found["a"] == pytest.approx((231 / 226, 0.0)), "until then the first holds"
    assert found["b"] == pytest.approx(through((0, 2), (231, 226)))
    assert [(c.meter, c.raw) for c in inputs(reg).calibrations][-1] == ((231, 0), (226, 2))


def test_a_point_too_close_replaces_and_keeps_the_far_one(reg: Registry) -> None:
    take(reg, row(nominal_v=230))
    add_record(reg, check("a", [231, 115], [226, 113], NOW - 9000), NOW)
    add_record(reg, check("b", 232, 226, NOW - 60), NOW)
    assert lines(reg)["b"] == pytest.approx(through((115, 113), (232, 226)))


def test_a_zero_by_itself_and_a_line_that_no_instrument_has_are_refused(lite: Registry) -> None:
    take(lite, row(nominal_v=230))
    with pytest.raises(RecordRefused, match="zero point"):
        add_record(lite, check("z", 0, 2, NOW - 9000), NOW)
    add_record(lite, check("a", 231, 226, NOW - 7200), NOW)
    with pytest.raises(RecordRefused, match=r"joined to an earlier one.*take it back first"):
        add_record(lite, check("b", 20, 160, NOW - 60), NOW)
    assert set(lines(lite)) == {"a"}


def test_checks_in_any_order_and_one_taken_back_give_the_same_lines(reg: Registry) -> None:
    take(reg, row(nominal_v=230))
    add_record(reg, check("b", 115, 113, NOW - 60), NOW)
    add_record(reg, check("c", 117, 114, NOW - 30), NOW)
    assert lines(reg)["b"] == pytest.approx((115 / 113, 0.0))
    add_record(reg, check("a", 231, 226, NOW - 7200), NOW)
    found = lines(reg)
    assert found["b"] == pytest.approx(through((231, 226), (115, 113)))
    assert found["c"] == pytest.approx(through((231, 226), (117, 114)))
    add_record(reg, record("note", "gone", text="another set", corrects="a"), NOW)
    assert lines(reg) == {"b": (115 / 113, 0.0), "c": (117 / 114, 0.0)}


def test_a_second_point_on_another_board_or_channel_joins_nothing(reg: Registry) -> None:
    take(reg, row(nominal_v=230))
    add_record(reg, check("a", 231, 226, NOW - 9000), NOW)
    add_record(reg, record("fitting", "f", NOW - 5000, device="board-2"), NOW)
    add_record(reg, check("b", 115, 113, NOW - 60), NOW)
    assert lines(reg)["b"] == pytest.approx((115 / 113, 0.0))
    add_record(reg, check("m", 231, 226, NOW - 50, channel="mains_v"), NOW)
    assert lines(reg)["m"] == pytest.approx((231 / 226, 0.0))


def test_a_changed_nameplate_leaves_a_check_that_was_taken(reg: Registry) -> None:
    take(reg, row(nominal_v=230))
    add_record(reg, check("a", 231, 226, NOW - 9000), NOW)
    take(reg, row(nominal_v=1000))
    add_record(reg, record("hour_format", "h", format="minutes"), NOW)
    assert lines(reg)["a"] == pytest.approx((231 / 226, 0.0))


def test_a_format_holds_for_the_whole_fitting_and_the_newest_counts(reg: Registry) -> None:
    from touches import days_of

    take(reg, row())
    add_record(reg, record("hour_format", "a", NOW - 900, format="minutes"), NOW)
    add_record(reg, record("hour_format", "b", NOW - 60, format="Hours_Minutes"), NOW)
    found = inputs(reg)
    sent = Series(np.array([NOW - 86_400, NOW], np.int64), np.array([812.3, 812.45]))
    assert apply(sent, found.calibrations).v.tolist() == pytest.approx([812.5, 812.75])
    assert (0, True) in days_of(unscoped.touched_units(reg, 9))["U1"]
    with pytest.raises(RecordRefused, match="expected"):
        add_record(reg, record("hour_format", "c", format="fortnights"), NOW)


def test_a_replaced_meter_needs_both_readings(reg: Registry) -> None:
    take(reg, row())
    with pytest.raises(RecordRefused, match="new_hours is missing"):
        add_record(reg, record("meter_replaced", old_hours=1204.4), NOW)
    kept = add_record(reg, record("meter_replaced", old_hours="1204,4", new_hours=0), NOW)
    assert kept.facts == {"old_hours": 1204.4, "new_hours": 0.0}

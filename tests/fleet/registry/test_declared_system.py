"""How a set is connected: declared in the register or by a record, refused where it contradicts itself."""

from __future__ import annotations

import csv
import io
from typing import Any

import msgspec
import pytest
import sqlalchemy as sa
from register_rows import NOW, row, take
from touches import clear, days_of

from fleet.model import EVERYTHING, Record, Unit
from fleet.registry import unscoped
from fleet.registry.base import tables
from fleet.registry.base.engine import Registry
from fleet.registry.facts.records import RecordRefused, add_record
from fleet.registry.register import export_units, import_units

pytest_plugins = ["databases"]
WYE = {"nominal_v": "480", "nominal_hz": "60", "system": "wye", "line_v": "480"}


def unit_of(reg: Registry) -> Unit:
    found = unscoped.unit_inputs(reg, "U1")
    assert found is not None
    return found.unit


def said(id: str = "s1", at: int = NOW - 60, corrects: str | None = None, **facts: Any) -> Record:
    return Record(id=id, at=at, by="Anna", unit="U1", kind="system", facts=facts, corrects=corrects)


def test_the_register_takes_it_and_gives_it_back(reg: Registry) -> None:
    senses = "ac_v=l12 ac_l1_v=l2_n ac_l2_v=l1_n ac_l3_v=none mains_v=l1_n"
    take(reg, row(**WYE, senses=senses, bus="north"))
    unit = unit_of(reg)
    assert (unit.system, unit.phases, unit.line_v, unit.bus) == ("wye", "3", 480.0, "north")
    assert unit.senses["ac_l1_v"] == "l2_n"
    (kept,) = csv.DictReader(io.StringIO(export_units(reg, EVERYTHING, "csv").decode("utf-8-sig")))
    assert (kept["system"], kept["line_v"], kept["phases"]) == ("wye", "480.0", "3")
    assert kept["senses"] == senses
    again = import_units(reg, [kept], NOW + 60, "office")
    assert (again.ok, again.unchanged) == (True, 1), again
    as_json = msgspec.json.decode(export_units(reg, EVERYTHING, "json"))
    assert import_units(reg, as_json, NOW + 90, "office").unchanged == 1


@pytest.mark.parametrize(
    ("cells", "column"),
    [
        ({"system": "star"}, ""),
        ({"system": "zigzag"}, "system"),
        ({"system": "wye", "phases": "split"}, "phases"),
        ({"system": "wye", "line_v": "480"}, "line_v"),
        ({"line_v": "400"}, "line_v"),
        ({"system": "split", "senses": "ac_l3_v=l3_n"}, "senses"),
        ({"system": "wye", "senses": "ac_l9_v=l3_n"}, "senses"),
        ({"system": "wye", "line_v": "nan"}, "line_v"),
        ({"system": "wye", "bus": "north bus"}, "bus"),
    ],
)
def test_a_row_that_contradicts_itself_is_refused(
    lite: Registry, cells: dict[str, str], column: str
) -> None:
    report = import_units(lite, [row(**cells)], NOW, "office")
    assert [p.column for p in report.problems] == ([column] if column else [])


def test_a_declared_set_is_computed_again_from_its_first_day(reg: Registry) -> None:
    take(reg, row(nominal_v="480"))
    clear(reg)
    add_record(reg, said(system="wye", line_v="480", senses="ac_l3_v=none"), NOW)
    unit = unit_of(reg)
    assert (unit.system, unit.phases, unit.line_v) == ("wye", "3", 480.0)
    assert unit.senses == {"ac_l3_v": "none"}
    assert (0, True) in days_of(unscoped.touched_units(reg, 9))["U1"]


def test_a_record_is_corrected_and_taken_back(reg: Registry) -> None:
    take(reg, row(nominal_v="240"))
    add_record(reg, said(system="split", line_v=240), NOW)
    add_record(reg, said("s2", system="high_leg", line_v=240, corrects="s1"), NOW + 1)
    assert (unit_of(reg).system, unit_of(reg).phases) == ("high_leg", "3")
    note = Record(
        id="n", at=NOW, by="Anna", unit="U1", kind="note", facts={"text": "x"}, corrects="s2"
    )
    add_record(reg, note, NOW + 2)
    assert (unit_of(reg).system, unit_of(reg).line_v) == ("", None), "it is asked again"


@pytest.mark.parametrize(
    "facts",
    [
        {},
        {"system": "wye", "line_v": 400},
        {"system": "delta", "senses": "ac_l1_v=l2_n"},
        {"system": "wye", "line_v": float("inf")},
        {"system": "wye", "senses": "rubbish"},
    ],
)
def test_a_record_that_contradicts_the_nameplate_is_refused(
    lite: Registry, facts: dict[str, Any]
) -> None:
    take(lite, row(nominal_v="480"))
    with pytest.raises(RecordRefused):
        add_record(lite, said(**facts), NOW)


def test_a_set_of_an_old_data_folder_opens_undeclared(reg: Registry) -> None:
    """As it was written before there were such columns."""
    take(reg, row(nominal_v="400", phases="3"))
    with reg.write() as connection:
        unit = tables.unit
        doc = connection.execute(sa.select(unit.c.doc)).scalar_one()
        old = msgspec.json.decode(doc)
        for name in ("system", "line_v", "senses", "bus"):
            old.pop(name)
        connection.execute(sa.update(unit).values(doc=msgspec.json.encode(old)))
    read = unit_of(reg)
    assert (read.system, read.phases, read.senses, read.bus) == ("", "3", {}, "")

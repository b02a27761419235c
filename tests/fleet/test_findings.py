"""The catalogue of findings: a row a kind, no kind sorted elsewhere, documents of every form read."""

from __future__ import annotations

import ast
import re
import shutil
import subprocess
import sys
import typing
from pathlib import Path
from typing import Any, get_args

import jsonschema
import msgspec
import pytest
from found import NOW, REST, SINCE, facts_of, finding, old
from places import ROOT

from dashboard.views import facts as told
from fleet.findings import (
    KINDS,
    ROWS,
    AnyFacts,
    Finding,
    decoder,
    row_named,
    row_of,
    sentence,
)
from fleet.findings.battery import ChargerFault, OverCharge
from fleet.findings.exercise import CodeExerciseNotMet
from fleet.findings.row import SEVERITIES, Facts, Row
from fleet.findings.supply import Hunting
from fleet.findings.this_service import Earlier
from fleet.model import Episode, Step, UnitSummary
from scheduler.assess.verdict import Assessment

ZONE = "Europe/Dublin"
TODAY = sorted(KINDS.keys() - {"earlier"})
ROOMS = ("fleet", "ingest", "scheduler", "dashboard")

CONDITIONS = frozenset({"not_reporting", "not_in_auto"})
TROUBLES = frozenset({"over_voltage", "open_neutral", "no_output"})
VERDICTS = frozenset({"charger_fault", "over_charge"})
WORDS_OF_OTHERS: tuple[tuple[str, frozenset[str], str], ...] = (
    ("fleet/findings", frozenset(TODAY), "the catalogue"),
    (
        "fleet/model",
        CONDITIONS | {"mains_lost", "over_voltage"},
        "conditions, and a device's events",
    ),
    ("fleet/registry", frozenset({"not_reporting"}), "conditions of a set"),
    ("fleet/words", VERDICTS, "the verdict on a battery"),
    ("dashboard/api", frozenset({"wrong_nominal", "harder_starting"}), "fields of the API"),
    ("dashboard", CONDITIONS | {"charger_fault"}, "conditions; the verdict on a battery"),
    ("scheduler/assess/condition.py", CONDITIONS, "conditions of a set"),
    ("scheduler/assess/supply", TROUBLES, "troubles, from which findings are made"),
    ("scheduler/day", frozenset({"not_in_auto", "over_voltage"}), "events that a device tells"),
    ("scheduler/outage", frozenset({"not_reporting"}), "conditions of a set"),
    ("scheduler/turns", frozenset({"not_reporting"}), "conditions of a set"),
    ("scheduler/readiness.py", frozenset({"charger_fault"}), "the verdict on a battery"),
    ("scheduler/rules/battery", VERDICTS, "the verdict on a battery"),
    ("scheduler/rules/supply", TROUBLES, "troubles, from which findings are made"),
)
"""Where a word that is also the name of a kind means something else, and what."""


def literals(path: Path) -> list[tuple[int, str]]:
    """Every name of a kind that stands as a string in a file, with its line."""
    tree = ast.parse(path.read_text())
    return [
        (node.lineno, node.value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value in TODAY
    ]


def compared(path: Path) -> list[int]:
    """Lines on which something's `kind` is compared with the name of a kind of finding."""
    found = []
    for node in ast.walk(ast.parse(path.read_text())):
        if not isinstance(node, ast.Compare):
            continue
        sides = [node.left, *node.comparators]
        named = any(
            isinstance(inner, ast.Constant) and inner.value in TODAY
            for side in sides
            for inner in ast.walk(side)
        )
        if named and any(isinstance(s, ast.Attribute) and s.attr == "kind" for s in sides):
            found.append(node.lineno)
    return found


def files() -> list[Path]:
    return [p for room in ROOMS for p in sorted((ROOT / room).rglob("*.py"))]


def means_another(path: str, kind: str) -> bool:
    return any(path.startswith(room) and kind in words for room, words, _ in WORDS_OF_OTHERS)


def test_no_kind_is_spelled_outside_the_catalogue() -> None:
    """Code outside compares with the record, or asks the row."""
    spelled = [
        f"{path.relative_to(ROOT)}:{line} {kind}"
        for path in files()
        for line, kind in literals(path)
        if not means_another(str(path.relative_to(ROOT)), kind)
    ]
    assert spelled == []
    assert [f"{p.relative_to(ROOT)}:{n}" for p in files() for n in compared(p)] == []


def test_the_search_sees_a_kind_that_is_spelled(tmp_path: Path) -> None:
    planted = tmp_path / "planted.py"
    planted.write_text('def grave(f):\n    return f.kind in {"fuel_low"} or f.kind == "hunting"\n')
    assert {kind for _, kind in literals(planted)} == {"fuel_low", "hunting"}
    assert compared(planted) == [2, 2]


def test_every_kind_has_its_row() -> None:
    """And `row_of` gives each record its own."""
    assert len(ROWS) == len(get_args(AnyFacts)) == len(KINDS)
    assert set(REST) | {"shut_down", "earlier"} == set(KINDS)
    for kind in KINDS:
        facts = facts_of(kind)
        assert row_of(facts).facts is KINDS[kind]
        if kind != "earlier":
            assert row_named(kind) is row_of(facts)
            assert finding(kind).kind == kind


@pytest.mark.parametrize(
    ("file", "case"),
    [
        ("battery.py", "        case BatteryOld():\n            return BATTERY_OLD\n"),
        (
            "catalogue.py",
            "    if isinstance(facts, battery.BatteryFacts):\n        return battery.row_of(facts)\n",
        ),
    ],
)
def test_a_kind_nobody_handles_is_a_type_error(tmp_path: Path, file: str, case: str) -> None:
    """mypy says so of a row or a family that is taken out, and names the kind nothing stands for."""
    room = tmp_path / "fleet"
    shutil.copytree(ROOT / "fleet/findings", room / "findings")
    for name in ("__init__.py", "calendar.py"):
        shutil.copy(ROOT / "fleet" / name, room / name)
    asked = room / "findings" / file
    whole = asked.read_text()
    assert whole.count(case) == 1
    asked.write_text(whole.replace(case, ""))
    said = subprocess.run(
        [Path(sys.executable).parent / "mypy", "--strict", "-p", "fleet.findings"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert said.returncode == 1, said.stdout
    assert file in said.stdout
    assert '"assert_never" has incompatible type' in said.stdout
    assert "BatteryOld" in said.stdout
    assert "Found 1 error" in said.stdout


LISTS = ("__init__.py", "catalogue.py", "finding.py", "row.py", "stored.py")
"""Files of the catalogue that know families and every kind alike, and none by its name."""


def test_a_kind_is_named_in_its_family_alone() -> None:
    """Its record, its sentence, its row and its place in the union stand in one file."""
    room = ROOT / "fleet/findings"
    records = {record.__name__ for record in KINDS.values()}
    for name in LISTS:
        named = {
            n.id for n in ast.walk(ast.parse((room / name).read_text())) if isinstance(n, ast.Name)
        }
        assert named & records == set(), name
    for kind, record in KINDS.items():
        family = sys.modules[record.__module__]
        assert any(row.kind == kind for row in vars(family).values() if isinstance(row, Row)), kind


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.kind)
def test_a_row_is_whole(row: Row[Any]) -> None:
    """What it says of severities holds together; its sentence takes its own record."""
    assert row.severities
    assert set(row.severities) <= set(SEVERITIES)
    assert row.cover_at <= set(SEVERITIES)
    assert (row.cover is None) == (not row.cover_at)
    effects = row.readiness.not_ready | row.readiness.doubtful
    assert not effects or row.readiness.reason, "what decides readiness is said in words"
    taken = typing.get_type_hints(row.say)["facts"]
    assert row.facts is taken or row.facts in get_args(taken)
    doc = row.facts.__doc__ or ""
    assert len([part for part in doc.split("\n\n") if part.strip()]) >= 2, (
        "seen; why and what to do"
    )


def test_a_danger_is_one_everywhere() -> None:
    """It wakes, is told of a new set, and stays Act now on a set aside or never checked."""
    for row in ROWS:
        if row.endangers:
            assert row.alarm.while_learning
            assert (row.quiet.unchecked, row.quiet.set_aside) == ("stays", "stays")
            assert row.severities == ("act_now",)


NUMBERS_OF_NO_RULE = {
    "36": "months after which an age is said in years",
    "12": "months of a year",
    "1": "one, and a tenth",
    "2": "two in a row, twice",
    "60": "seconds and minutes",
    "120": "a loss seen within two minutes is said with one time",
    "100": "per cent",
    "5": "minutes are rounded to five",
    "1.5": "hours, from which on whole ones are said",
    "48": "hours, from which on days are said",
    "24": "hours of a day",
    "0.0": "nothing",
    "0": "nothing",
    "110": "NFPA 110, a standard's name",
    "1-": "MG 1, a standard's name",
}


def numbers_said(path: Path) -> set[str]:
    """Numbers in the functions that speak: as figures, and inside what is said."""
    found: set[str] = set()
    for node in ast.parse(path.read_text()).body:
        if isinstance(node, ast.Assign | ast.AnnAssign) and isinstance(node.value, ast.Dict):
            phrases = [one.value for one in node.value.values if isinstance(one, ast.Constant)]
            found |= {n for one in phrases for n in re.findall(r"(?<![\w.])\d+", str(one))}
        if not isinstance(node, ast.FunctionDef):
            continue
        said = [inner for one in node.body for inner in ast.walk(one)]
        docs = {id(node.body[0].value)} if isinstance(node.body[0], ast.Expr) else set()
        specs = {
            id(inner)
            for part in said
            if isinstance(part, ast.FormattedValue) and part.format_spec is not None
            for inner in ast.walk(part.format_spec)
        }
        for part in said:
            if not isinstance(part, ast.Constant) or id(part) in docs | specs:
                continue
            if isinstance(part.value, bool):
                continue
            if isinstance(part.value, int | float):
                found.add(f"{part.value:g}")
            elif isinstance(part.value, str) and " " in part.value:
                found |= set(re.findall(r"(?<![\w.])\d+(?:\.\d+)?", part.value))
    return found


def test_a_sentence_types_no_limit_again() -> None:
    """Every limit comes from the facts; what is left are the figures of a clock and of speech."""
    for path in sorted((ROOT / "fleet/findings").rglob("*.py")):
        if path.name in ("row.py", "saying.py", "stored.py"):
            continue
        assert numbers_said(path) <= NUMBERS_OF_NO_RULE.keys(), path.name


@pytest.mark.parametrize("kind", TODAY)
def test_a_document_of_the_earlier_form_reads_as_before(kind: str) -> None:
    """Alone, in a step, and in what is kept of a unit; and what is written then is today's form."""
    document = old(kind)
    read = decoder(Finding)(msgspec.json.encode(document))
    assert type(read.facts) is KINDS[kind]
    assert (read.kind, read.severity, read.since) == (kind, "act_now", SINCE)
    assert read.facts == facts_of(kind)
    assert read.evidence.readings == 3
    assert sentence(read, ZONE, NOW).seen
    step = {"episode": "e", "n": 1, "at": NOW, "kind": "raised", "finding": document}
    assert decoder(Step)(msgspec.json.encode(step)).finding == read
    again = msgspec.json.encode(read)
    assert msgspec.json.decode(again, type=Finding) == decoder(Finding)(again) == read


def test_limits_that_were_not_written_are_those_that_held() -> None:
    def then(kind: str, **told: Any) -> Facts:
        return decoder(Finding)(msgspec.json.encode(old(kind, **told))).facts

    charger = then("charger_fault", nominal_v=24.0)
    assert isinstance(charger, ChargerFault)
    assert charger.limit_v == 26.0
    over = then("over_charge", nominal_v=12.0)
    assert isinstance(over, OverCharge)
    assert (over.limit_v, over.limit_at_c) == (15.0, 25.0)
    code = then("code_exercise_not_met", diesel=True, supplemental="not_met")
    assert isinstance(code, CodeExerciseNotMet)
    assert (code.asked_min, code.asked_pct) == (30.0, 30.0)
    assert code.stages == ((30.0, 50.0), (60.0, 75.0))


@pytest.mark.parametrize(
    ("kind", "facts"),
    [
        ("gone_kind", {"x": 1, "y": "two"}),
        ("failed_start", {"attempts": "many"}),
        ("hunting", {}),
    ],
)
def test_what_no_longer_fits_is_kept_and_says_so(kind: str, facts: dict[str, Any]) -> None:
    document = old("not_in_auto") | {"kind": kind, "facts": facts}
    read = decoder(Finding)(msgspec.json.encode(document))
    assert isinstance(read.facts, Earlier)
    assert (read.kind, read.facts.said, read.facts.more) == (kind, kind, facts)
    said = sentence(read, ZONE, NOW)
    assert said.title == kind
    assert all(str(value) in said.seen for value in facts.values())
    again = decoder(Finding)(msgspec.json.encode(read))
    assert again == read


def test_facts_without_a_field_today_are_not_lost() -> None:
    read = decoder(Finding)(msgspec.json.encode(old("hunting", wobble=3)))
    assert isinstance(read.facts, Hunting)
    assert read.facts.more == {"wobble": 3}


def test_a_document_that_is_none_is_refused() -> None:
    for type_ in (Finding, Step, UnitSummary, Assessment, Episode):
        with pytest.raises(msgspec.ValidationError):
            decoder(type_)(b'{"severity": 3}')


MOMENTS_NAMED = {"at", "since", "from", "to", "silent_since", "trend_from", "like_from"}


@pytest.mark.parametrize("kind", TODAY)
def test_the_interface_gives_every_moment_as_text(kind: str) -> None:
    """And its schema is the record's own: the facts of every kind are valid by it."""
    facts = facts_of(kind)
    given = told.finding_facts(facts)
    fields = {field.encode_name for field in msgspec.structs.fields(facts)}
    for name, value in given.items():
        if name in MOMENTS_NAMED or (name.endswith("_at") and name != "runs_at"):
            assert str(value).endswith("Z"), name
    schema = told.schema()
    assert schema["discriminator"]["mapping"][kind] == f"#/$defs/{KINDS[kind].__name__}"
    assert schema["$defs"][KINDS[kind].__name__]["properties"].keys() == fields | {"kind"}
    jsonschema.validate(given, schema)


def test_the_schema_names_units() -> None:
    kinds = told.schema()["$defs"]
    limit = kinds["ChargerFault"]["properties"]["limit_v"]
    assert (limit["type"], limit["description"], limit["x-unit"]) == ("number", "in V", "V")
    began = kinds["OwnLine"]["properties"]["from"]
    assert (began["type"], began["format"]) == ("string", "date-time")
    assert kinds["CodeExerciseNotMet"]["properties"]["stages"]["x-unit"] == "min, %"


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_every_number_of_the_schema_has_its_unit(kind: str) -> None:
    """A count's is 1, a moment is text; what an earlier version wrote more is as it was."""
    told_of = told.schema()["$defs"][KINDS[kind].__name__]["properties"]
    bare = [
        name
        for name, field in told_of.items()
        if re.search(r"'type': '(?:number|integer)'", str(field)) and not field.get("x-unit")
    ]
    assert bare == []

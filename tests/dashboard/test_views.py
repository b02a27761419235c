"""View records: one for a page and the interface, and a contract made from it."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated

import msgspec
import pytest
from jinja2 import UndefinedError
from msgspec import UNSET, Meta, UnsetType
from pydantic import ValidationError

from dashboard import frames
from dashboard.app import create_app
from dashboard.assets import Assets
from dashboard.views.contract import FORMS, Form, View, model, view_of
from dashboard.views.named import SetName
from fleet.settings import Settings

DASHBOARD = Path(frames.__file__).parent
WIDE = 120
OPEN_DICTS = {"server/protocol.py"}
"""Where an open dict is not ours: the web server calls us with one."""


def test_no_page_gives_its_template_an_open_dict() -> None:
    open_dict = re.compile(r"dict\[str, Any\]")
    found = {
        str(path.relative_to(DASHBOARD))
        for path in DASHBOARD.rglob("*.py")
        if open_dict.search(path.read_text())
    }
    assert found == OPEN_DICTS


def test_only_the_frame_draws_templates() -> None:
    drawn = {p.name for p in DASHBOARD.rglob("*.py") if "get_template(" in p.read_text()}
    assert drawn == {"frames.py"}


@pytest.mark.parametrize("path", sorted(DASHBOARD.rglob("*.html")), ids=lambda path: path.name)
def test_no_line_of_a_template_is_packed(path: Path) -> None:
    long = [n for n, line in enumerate(path.read_text().splitlines(), 1) if len(line) > WIDE]
    assert not long, f"{path.name}: lines {long} are longer than {WIDE}"


def test_a_misnamed_attribute_of_a_view_is_an_error() -> None:
    name = SetName(id="U", title="Mill", short="", customer="", address="", area="", site="S")
    env = frames.environment(Assets())
    assert env.from_string("{{ view.title }}").render(view=name) == "Mill"
    with pytest.raises(UndefinedError, match="tittle"):
        env.from_string("{{ view.tittle }}").render(view=name)


class Spark(msgspec.Struct, frozen=True, kw_only=True):
    """A noun with what stays in the house."""

    start: int
    volts_v: float
    days: int
    phone: str = ""


class Plug(msgspec.Struct, frozen=True, kw_only=True):
    """A noun that stands inside a view."""

    at: int
    years: int


FORMS[Plug] = Form(name="PlugOut", raw=True, renamed={"years": "age_a"})


class SparkView(Spark, View, frozen=True, kw_only=True):
    """A spark."""

    form = Form(
        renamed={"days": "age_d"},
        hidden=frozenset({"phone"}),
        moments=frozenset({"crosses"}),
        about={"volts_v": "at the plug"},
    )
    crosses: int | None
    plugs: tuple[Plug, ...]
    said: Annotated[str, Meta(description="in words")]
    more: list[int] | UnsetType = UNSET


def spark() -> SparkView:
    noun = Spark(start=1_764_000_000, volts_v=12.5, days=3, phone="01632 960001")
    return view_of(SparkView, noun, crosses=None, plugs=(Plug(at=7, years=2),), said="Sparks.")


def test_json_has_moments_in_iso_units_in_names_and_nothing_of_the_house() -> None:
    told = model(SparkView).model_validate(spark()).model_dump(mode="json")
    assert told == {
        "start": "2025-11-24T16:00:00Z",
        "volts_v": 12.5,
        "age_d": 3,
        "crosses": None,
        "plugs": [{"at": 7, "age_a": 2}],
        "said": "Sparks.",
        "more": None,
    }


def test_the_schema_is_made_from_the_same_fields() -> None:
    schema = model(SparkView).model_json_schema()
    assert schema["title"] == "SparkOut"
    assert schema["description"] == "A spark."
    about = schema["properties"]
    assert about["start"]["format"] == "date-time"
    assert about["crosses"]["anyOf"][0]["format"] == "date-time"
    assert about["volts_v"]["description"] == "at the plug"
    assert about["said"]["description"] == "in words"
    assert about["plugs"]["items"] == {"$ref": "#/$defs/PlugOut"}
    assert "phone" not in about
    assert "more" not in schema["required"], "what may be left out is not asked for"


def test_a_value_of_another_kind_is_refused() -> None:
    with pytest.raises(ValidationError, match="volts_v"):
        model(SparkView).model_validate(msgspec.structs.replace(spark(), volts_v="many"))


SENT_OUT = {
    "JobOut": "job title state found_by customer site unit task opened_at due_on urgent safety "
    "minutes minutes_used parts parts_used nothing skill promise_day promise_half",
    "RecordOut": "id unit at made_at by entered_by via named job kind facts corrects superseded_by",
    "StepOut": "n at kind by state until",
    "OutageUnitOut": "unit site customer criticality cover since lost_at lost_earliest_at "
    "lost_seen_here back_at heard_at covered_s uncovered_s unproven_s",
    "StopOut": "site jobs arrive_at start_at finish_at distance_m drive_s",
    "RunOut": "start end start_seen end_seen end_latest length_s longest_gap_s bridged_by_meter "
    "readings why confidence by_itself by_itself_confidence energy_kwh peak_load_kw",
    "StartOut": "at learned_at attempts end run_start crank_s crank_min_v cause seen_by",
    "DueOut": "unit site customer task name state binds share reason due_on due_at_hours_h "
    "hours_now_h hours_used_h hours_left_h every_h every_months last_done_on last_done_hours_h "
    "days_left_d late_days_d late_hours_h length_min parts likely_from likely_on likely_to",
}
"""What leaves the house of nouns that views inherit: a noun's new field is sent out on purpose."""


def test_a_field_enters_the_contract_on_purpose(tmp_path: Path) -> None:
    app = create_app(Settings(data=tmp_path, firm="F", demo=True))
    schemas = app.openapi()["components"]["schemas"]
    for name, fields in SENT_OUT.items():
        assert sorted(schemas[name]["properties"]) == sorted(fields.split()), name

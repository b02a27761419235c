"""Facts as the API gives them: moments as ISO 8601 UTC, everything else in its own unit.

The schema of a finding's facts is the records' own (`fleet.findings`): a field more there is a field
more here.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from functools import cache
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

import msgspec
from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    GetJsonSchemaHandler,
    TypeAdapter,
    create_model,
)
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema

from fleet.calendar import utc_text
from fleet.findings import KINDS, Facts
from fleet.model import telemetry

MOMENT = "UTC s"
"""The unit of a moment, which the API gives as ISO 8601 UTC instead."""
MOMENTS = frozenset({"at", "since", "from", "to", "opened", "closed"})
"""Names of moments in people's records, beside those that end in `_at`."""


def finding_facts(facts: Facts) -> telemetry.Facts:
    """The facts of a finding, with their kind. What is not known is left out."""
    moments = _moments(type(facts))
    told: telemetry.Facts = msgspec.to_builtins(facts)
    return {
        name: utc_text(value) if name in moments and isinstance(value, int) else value
        for name, value in told.items()
    }


def record_facts(facts: telemetry.Facts) -> telemetry.Facts:
    """The facts of somebody's record."""
    return {
        name: utc_text(value) if _moment(name) and isinstance(value, int) else value
        for name, value in facts.items()
    }


def _moment(name: str) -> bool:
    return name in MOMENTS or name.endswith("_at")


@cache
def _moments(record: type[Facts]) -> frozenset[str]:
    """Names of the record's fields that are moments, as the API spells them."""
    found = msgspec.inspect.type_info(record)
    assert isinstance(found, msgspec.inspect.StructType)
    return frozenset(field.encode_name for field in found.fields if _unit(field.type) == MOMENT)


def _unit(found: msgspec.inspect.Type) -> str:
    """The unit a field is given in; '' where it has none."""
    match found:
        case msgspec.inspect.Metadata(extra={"unit": str(unit)}):
            return unit
        case msgspec.inspect.UnionType(types=types):
            return next((unit for one in types if (unit := _unit(one))), "")
        case (
            msgspec.inspect.VarTupleType(item_type=item) | msgspec.inspect.DictType(value_type=item)
        ):
            return _unit(item)
        case msgspec.inspect.TupleType(item_types=items):
            return ", ".join(_unit(item) for item in items)
        case _:
            return ""


class ByKind:
    """The schema of a finding's facts, where its field is told to be of this: one of the kinds' own."""

    def __get_pydantic_json_schema__(
        self, _schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        return handler(_adapter().core_schema)


FACTS = Annotated[telemetry.Facts, ByKind()]
"""Facts of a finding as JSON has them; its schema names the kinds, told apart by `kind`."""


def schema() -> telemetry.Facts:
    """JSON Schema of the facts of a finding: one of the records, told apart by its `kind`."""
    return _adapter().json_schema()


@cache
def _adapter() -> TypeAdapter[Any]:
    """The tagged union of all kinds' facts as JSON has them."""
    some: Any = Union[tuple(_model(record) for record in KINDS.values())]  # noqa: UP007  # built
    tagged: Any = Annotated[some, Field(discriminator="kind")]
    return TypeAdapter(tagged)


def _model(record: type[Facts]) -> type[BaseModel]:
    """One kind's facts: every field with its unit; moments are date-times, what is not known left out."""
    info = msgspec.inspect.type_info(record)
    assert isinstance(info, msgspec.inspect.StructType)
    units = {field.name: _unit(field.type) for field in info.fields}
    fields: telemetry.Facts = {"kind": (Literal[info.tag], ...)}
    for one in msgspec.structs.fields(record):
        unit = units[one.name]
        bare = one.default is msgspec.NODEFAULT and one.default_factory is msgspec.NODEFAULT
        fields[one.encode_name] = (
            datetime if unit == MOMENT else _known(one.type),
            Field(
                default=... if bare else None,
                description=f"in {unit}" if unit not in ("", "1", MOMENT) else None,
                json_schema_extra=_as_left_out(unit),
            ),
        )
    made: type[BaseModel] = create_model(
        record.__name__,
        __config__=ConfigDict(title=str(info.tag)),
        __doc__=" ".join((record.__doc__ or "").partition("\n\n")[0].split()),
        **fields,
    )
    return made


def _known(kind: Any) -> Any:
    """The type of a field where it is known."""
    if get_origin(kind) not in (Union, UnionType):
        return kind
    (known,) = (one for one in get_args(kind) if one is not NoneType)
    return known


def _as_left_out(unit: str) -> Callable[[telemetry.Facts], None]:
    """Without a default, which is not sent, and with the unit by itself, for programs."""

    def change(field: telemetry.Facts) -> None:
        field.pop("default", None)
        if unit and unit != MOMENT:
            field["x-unit"] = unit

    return change

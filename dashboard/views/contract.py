"""The interface's form of a view record: its JSON, and the schema that OpenAPI shows, by its fields.

A View is a msgspec Struct, most often a noun of the fleet with what the view adds to it. Pydantic,
and FastAPI with it, asks the class for its schema; the schema is made here from the struct's own
fields, so that a field stands once. What JSON says otherwise than the noun stands in a Form: names
that carry their unit, fields that stay in the house, moments (UTC seconds, ISO 8601 in JSON).
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache
from types import NoneType, UnionType
from typing import Annotated, Any, ClassVar, TypeVar, Union, cast, get_args, get_origin

import msgspec
from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    GetCoreSchemaHandler,
    create_model,
)
from pydantic_core import CoreSchema

MOMENTS = frozenset({"at", "since", "start", "end"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """How a struct stands in JSON, where that is not by its own fields alone.

    name: of its schema; else the class's, `View` at its end written `Out`. said: what it is; else a
    view's docstring. renamed: field to the
    name in JSON. hidden: fields left out; only: where given, the noun's fields that are not.
    moments: whole numbers that are UTC seconds, besides `at`, `since`, `start`, `end` and names
    ending in `_at`, or texts that are ISO 8601; raw: none is by its name. about: field to its description;
    types: field to a type that has a schema of its own.
    """

    name: str = ""
    said: str = ""
    renamed: dict[str, str] = field(default_factory=dict)
    hidden: frozenset[str] = frozenset()
    only: frozenset[str] | None = None
    moments: frozenset[str] = frozenset()
    raw: bool = False
    about: dict[str, str] = field(default_factory=dict)
    types: dict[str, object] = field(default_factory=dict)

    def moment(self, name: str) -> bool:
        """Whether a whole number of that name is a moment."""
        named = name in MOMENTS or name.endswith("_at")
        return name in self.moments or (named and not self.raw)


PLAIN = Form()
FORMS: dict[type[msgspec.Struct], Form] = {}
"""Nouns that stand inside views as they are: filled by the views' own modules."""


class View(msgspec.Struct, frozen=True, kw_only=True):
    """A record that a page and the interface tell; `form` says what JSON says otherwise."""

    form: ClassVar[Form] = PLAIN

    @classmethod
    def __get_pydantic_core_schema__(
        cls, source: type[View], handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        return handler.generate_schema(model(source))


Next = Annotated[str | None, msgspec.Meta(description="hand in as `cursor` for the next page")]
"""Where a page of a list goes on; None: it ends."""
V = TypeVar("V", bound=View)


def view_of(view: type[V], noun: msgspec.Struct, **more: object) -> V:
    """A view of a noun: its fields, and what the view adds or says otherwise."""
    return view(**{**msgspec.structs.asdict(noun), **more})


@cache
def model(struct: type[msgspec.Struct]) -> type[BaseModel]:
    """The pydantic model of a struct: read by attributes, written as JSON."""
    form = form_of(struct)
    own = struct.__annotations__
    fields = {
        form.renamed.get(one.name, one.name): _field(one, form)
        for one in msgspec.structs.fields(struct)
        if one.name not in form.hidden
        and (form.only is None or one.name in form.only or one.name in own)
    }
    name = form.name or re.sub("View$", "Out", struct.__name__)
    made: type[BaseModel] = create_model(
        name,
        __config__=ConfigDict(from_attributes=True, title=name),
        __doc__=form.said or (struct.__doc__ if issubclass(struct, View) else None),
        **cast(Mapping[str, Any], fields),
    )
    return made


def form_of(struct: type[msgspec.Struct]) -> Form:
    """How a struct stands in JSON."""
    if issubclass(struct, View):
        return struct.form
    return FORMS.get(struct, PLAIN)


def _field(one: msgspec.structs.FieldInfo, form: Form) -> tuple[Any, Any]:
    kind, about, left_out = _kind(one.type, form.moment(one.name), one.name in form.moments)
    kind = cast(Any, form.types.get(one.name, kind))
    about = form.about.get(one.name, about)
    if left_out:
        kind = Annotated[kind | None, BeforeValidator(_given)]
    return kind, Field(
        default=None if left_out else ...,
        validation_alias=one.name if one.name in form.renamed else None,
        description=about or None,
    )


def _given(value: object) -> object:
    """A value, or nothing where it was left out."""
    return None if value is msgspec.UNSET else value


def _kind(kind: Any, moment: bool, text: bool) -> tuple[Any, str, bool]:
    """(type of the field in JSON, its description, whether it may be left out). text: so are
    texts of it, which are ISO 8601 already."""
    origin = get_origin(kind)
    if origin is Annotated:
        inner, *notes = get_args(kind)
        said = next((n.description for n in notes if isinstance(n, msgspec.Meta)), "")
        found, _, left_out = _kind(inner, moment, text)
        return found, said or "", left_out
    if origin in (Union, UnionType):
        parts = [part for part in get_args(kind) if part is not msgspec.UnsetType]
        made = [_kind(part, moment, text)[0] for part in parts]
        whole = made[0]
        for part in made[1:]:
            whole = Union[whole, part]  # noqa: UP007  # built from parts
        return whole, "", msgspec.UnsetType in get_args(kind)
    if origin in (tuple, list, Sequence):
        inner = get_args(kind)[0]
        return list[_kind(inner, moment, text)[0]], "", False  # type: ignore[misc]
    if (kind is int and moment) or (kind is str and text):
        return datetime, "", False
    if isinstance(kind, type) and issubclass(kind, msgspec.Struct):
        return model(kind), "", False
    return (None if kind is NoneType else kind), "", False

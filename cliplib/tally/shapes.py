"""JSON Schemas (2020-12) made of data classes and of the forms of evidence tables, for the API's document."""

from __future__ import annotations

import dataclasses
import types
import typing
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from cliplib.core.models import Reading
from cliplib.stats.proportions import Interval

from .table import Column, Fact, Form, Group, put

Shape = dict[str, Any]
_TEXT, _WHOLE, _NUMBER = ({"type": name} for name in ("string", "integer", "number"))
_PLAIN: dict[Any, Shape] = {str: _TEXT, int: _WHOLE, float: _NUMBER, bool: {"type": "boolean"}, Any: {}}
_IDS: Shape = {"type": "array", "items": _WHOLE}


class Shapes:
    """JSON Schemas (2020-12) by name, made of data classes and forms."""

    def __init__(self) -> None:
        self.named: dict[str, Shape] = {}

    def of(self, kind: Any) -> Shape:
        """The schema of a type: a data class becomes a named one."""
        if kind in _PLAIN:
            return _PLAIN[kind]
        if kind is type(None):
            return {"type": "null"}
        if kind is Reading:  # what stands in one has a shape of its own
            return {"$ref": "#/components/schemas/Reading"}
        if dataclasses.is_dataclass(kind) and isinstance(kind, type):
            if kind.__name__ not in self.named:
                hints = typing.get_type_hints(kind)
                self.named[kind.__name__] = {}
                self.named[kind.__name__] = thing(
                    {f.name: self.of(hints[f.name]) for f in dataclasses.fields(kind)}
                )
            return {"$ref": f"#/components/schemas/{kind.__name__}"}
        origin, given = typing.get_origin(kind), typing.get_args(kind)
        if origin is Literal:
            return {"enum": list(given)}
        if origin in (types.UnionType, typing.Union):
            return {"anyOf": [self.of(one) for one in given]}
        if origin is tuple and Ellipsis not in given:
            return {
                "type": "array", "prefixItems": [self.of(one) for one in given], "minItems": len(given),
                "maxItems": len(given),
            }  # fmt: skip
        if origin in (tuple, list):
            return {"type": "array", "items": self.of(given[0])}
        if origin is dict:
            return {"type": "object", "additionalProperties": self.of(given[1])}
        raise TypeError(f"no shape is known for {kind}")

    def form(self, form: Form) -> Shape:
        """The schema of a filled-in form."""
        if form.name not in self.named:
            self.named[form.name] = {}
            properties, optional = {}, []
            for member in form.members:
                if isinstance(member, Fact):
                    properties[member.name] = self.of(member.shape)
                else:
                    row = self._row(member)
                    properties[member.name] = row if member.single else {"type": "array", "items": row}
                if member.optional:
                    optional.append(member.name)
            self.named[form.name] = thing(properties, optional)
        return {"$ref": f"#/components/schemas/{form.name}"}

    def _row(self, group: Group) -> Shape:
        properties: dict[str, Any] = (
            {"values": {"type": "object", "additionalProperties": _TEXT}} if group.free else {}
        )
        optional = []
        for column in group.columns:
            for path in column.paths:
                put(properties, path, _Leaf(self._value(column)))
                if column.kind == "clips by part":
                    optional.append(path)
        shape = _nested(properties, optional)
        if not group.row:
            return shape
        self.named[group.row] = shape
        return {"$ref": f"#/components/schemas/{group.row}"}

    def _value(self, column: Column) -> Shape:
        if column.kind in ("count", "fights", "of"):
            return _WHOLE
        if column.kind == "clips":
            return _IDS
        if column.kind == "clips by part":
            return {"type": "object", "additionalProperties": _IDS}
        if column.kind == "range":
            return self.of(tuple[float, float] | None)
        kind: Any = {"text": str, "whole": int}.get(column.kind, float)
        if column.kind in ("share", "points", "coefficient"):
            kind = Interval
        return self.of(kind | None) if column.maybe else self.of(kind)


@dataclass(frozen=True)
class _Leaf:
    shape: Shape


def _nested(properties: Mapping[str, Any], optional: Iterable[str]) -> Shape:
    def made(value: Any) -> Shape:
        if isinstance(value, _Leaf):
            return value.shape
        if "type" in value:
            return dict(value)
        return _nested(value, ())

    return thing({name: made(value) for name, value in properties.items()}, optional)


def thing(properties: Mapping[str, Shape], optional: Iterable[str] = ()) -> Shape:
    """An object with just these properties, all there unless optional."""
    left_out = set(optional)
    return {
        "type": "object",
        "properties": dict(properties),
        "required": [name for name in properties if name not in left_out],
        "additionalProperties": False,
    }

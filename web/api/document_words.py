"""The words that the OpenAPI 3.1 document is written in: shapes (JSON Schema), parameters, operations."""

from __future__ import annotations

from typing import Any

Shape = dict[str, Any]

TEXT: Shape = {"type": "string"}
WHOLE: Shape = {"type": "integer"}
NUMBER: Shape = {"type": "number"}
YES_NO: Shape = {"type": "boolean"}


def maybe(shape: Shape) -> Shape:
    return {"anyOf": [shape, {"type": "null"}]}


def many(shape: Shape, **more: Any) -> Shape:
    return {"type": "array", "items": shape, **more}


def thing(_optional: Any = (), _open: Any = False, **properties: Shape) -> Shape:
    """An object with just these properties, all there unless optional."""
    needed = [name for name in properties if name not in _optional]
    return {
        "type": "object",
        "properties": properties,
        "required": needed,
        **({} if _open else {"additionalProperties": False}),
    }


def ref(name: str) -> Shape:
    return {"$ref": f"#/components/schemas/{name}"}


MAYBE_TEXT, MAYBE_WHOLE, MAYBE_NUMBER = maybe(TEXT), maybe(WHOLE), maybe(NUMBER)
COUNTS: Shape = {"type": "object", "additionalProperties": WHOLE}
PLACE = many(WHOLE, minItems=2, maxItems=2)

_WRONG = {
    "400": "What was sent cannot be read.",
    "401": "Nobody has signed in (only where the library is shared).",
    "403": "Not with this role, or without the X-Form-Key of this session.",
    "404": "There is no such thing.",
    "405": "Nothing answers this way there.",
    "409": "Something else is being written; try again.",
    "413": "Too many bytes at once.",
    "507": "The disk is full or read-only.",
}
_EXPECTED = ("400", "401", "403", "404", "405", "409", "413", "507")


def in_query(name: str, about: str, shape: Shape = TEXT, *, needed: bool = False) -> Shape:
    return {"name": name, "in": "query", "description": about, "required": needed, "schema": shape}


def in_path(name: str) -> Shape:
    shape = {"type": "integer", "minimum": 0, "maximum": 2**53}
    return {"name": name, "in": "path", "required": True, "schema": shape}


def operation(
    about: str,
    answer: Shape | None,
    *parameters: Shape,
    body: str = "",
    status: str = "200",
    changes: bool = False,
) -> Shape:
    said: Shape = {
        "summary": about,
        "responses": {
            status: {
                "description": about,
                **({"content": {"application/json": {"schema": answer}}} if answer is not None else {}),
            },
            **{
                code: {
                    "description": _WRONG[code],
                    "content": {"application/json": {"schema": ref("Problem")}},
                }
                for code in _EXPECTED
            },
        },
    }
    if parameters:
        said["parameters"] = list(parameters)
    if body:
        said["requestBody"] = {"required": True, "content": {"application/json": {"schema": ref(body)}}}
    if changes:
        said["security"] = [{"form_key": []}]
    return said

"""The part of the OpenAPI document that is about evidence: made of the registry and of the tables' forms."""

from __future__ import annotations

from cliplib.library.evidence import forms
from cliplib.library.evidence.registry import KEYS, TABLES, Parameter, Shapes

from .document import Shape, _does, _path, _query, many

YES_NO: Shape = {"enum": ["yes", "no"]}
_FILTERS = (
    "fighter",
    "opponent",
    "stance",
    "opponent_stance",
    "round",
    "fight",
    "place",
    "outcome",
    "before",
    "during",
    "after",
)


def _repeated(name: str, about: str, one: Shape, *, needed: bool = False) -> Shape:
    return {**_query(name, about, many(one), needed=needed), "style": "form", "explode": True}


def _pairs(name: str, about: str, *, needed: bool = False) -> Shape:
    return _repeated(name, about, {"type": "string", "pattern": "^[a-z ]+=.+$"}, needed=needed)


def _parameter(p: Parameter) -> Shape:
    if p.kind == "phrase":
        return _query("q", p.about, needed=p.needed)
    if p.kind == "side":
        return _pairs(p.name, p.about, needed=p.needed)
    if p.kind == "keys":
        return _repeated(p.name, p.about, {"enum": list(p.choices)})
    if p.kind in ("key", "choice"):
        return _query(p.name, p.about, {"enum": list(p.choices)})
    return _query(p.name, p.about, YES_NO) if p.kind == "flag" else _query(p.name, p.about, needed=p.needed)


def parts() -> tuple[dict[str, Shape], dict[str, Shape]]:
    """(paths, schemas)."""
    shapes, paths = Shapes(), {}
    only = _pairs(
        "only", f"KEY=VALUE that the counted action must have: {', '.join(KEYS)}; or from, to (dates)."
    )
    filters = [
        _query(name, f"Only with this {name.replace('_', ' ')}, as in /api/find.") for name in _FILTERS
    ]
    for table in TABLES:
        asked = [_parameter(p) for p in table.parameters]
        paths[f"/api/{table.name}"] = {
            "get": _does(
                table.about, shapes.form(table.form), *asked, only, *(filters if table.filters else [])
            )
        }
    paths["/api/fights/{fight_id}/agreement"] = {
        "get": _does(
            "How far two logs of a fight agree.",
            shapes.form(forms.AGREEMENT),
            _path("fight_id"),
            _query("first", "A log's name; without it, the first."),
            _query("second", "Another log's name."),
            _query("where_both", "Only where both have something.", YES_NO),
        )
    }
    return paths, shapes.named

"""The part of the OpenAPI document that is about evidence: made of the registry and of the tables' forms."""

from __future__ import annotations

from cliplib import evidence_tables

from .document_words import Shape, in_path, in_query, many, operation

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
    "views",
)


def _repeated(name: str, about: str, one: Shape, *, needed: bool = False) -> Shape:
    return {**in_query(name, about, many(one), needed=needed), "style": "form", "explode": True}


def _pairs(name: str, about: str, *, needed: bool = False) -> Shape:
    return _repeated(name, about, {"type": "string", "pattern": "^[a-z ]+=.+$"}, needed=needed)


def _parameter(p: evidence_tables.Parameter) -> Shape:
    if p.kind == "phrase":
        return in_query("q", p.about, needed=p.needed)
    if p.kind == "side":
        return _pairs(p.name, p.about, needed=p.needed)
    if p.kind == "keys":
        return _repeated(p.name, p.about, {"enum": list(p.choices)})
    if p.kind in ("key", "choice"):
        return in_query(p.name, p.about, {"enum": list(p.choices)})
    return (
        in_query(p.name, p.about, YES_NO) if p.kind == "flag" else in_query(p.name, p.about, needed=p.needed)
    )


def parts() -> tuple[dict[str, Shape], dict[str, Shape]]:
    """(paths, schemas)."""
    shapes, paths = evidence_tables.Shapes(), {}
    only = _pairs(
        "only",
        "KEY=VALUE that the counted action must have: "
        f"{', '.join(evidence_tables.KEYS)}; or from, to (dates).",
    )
    filters = [
        in_query(name, f"Only with this {name.replace('_', ' ')}, as in /api/find.") for name in _FILTERS
    ]
    for table in evidence_tables.TABLES:
        asked = [_parameter(p) for p in table.parameters]
        paths[f"/api/{table.name}"] = {
            "get": operation(
                table.about, shapes.form(table.form), *asked, only, *(filters if table.filters else [])
            )
        }
    paths["/api/fights/{fight_id}/agreement"] = {
        "get": operation(
            "How far two logs of a fight agree.",
            shapes.form(evidence_tables.AGREEMENT),
            in_path("fight_id"),
            in_query("first", "A log's name; without it, the first."),
            in_query("second", "Another log's name."),
            in_query("where_both", "Only where both have something.", YES_NO),
        )
    }
    return paths, shapes.named

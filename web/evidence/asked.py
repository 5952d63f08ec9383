"""What an address asks of an evidence table, and addresses of other questions and of clips."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from flask import request, url_for

from cliplib import InputError, evidence_tables

from ..finding.lists import filters_of, where_from
from ..site.here import library

DATES = ("from", "to")


@dataclass(frozen=True)
class Asked:
    """A question about a table. `values`: its parameters but for the phrase, by their names; `only`: values
    that the counted action must have; `filters`: those of the search that it came from."""

    table: evidence_tables.EvidenceTable
    phrase: str
    values: Mapping[str, Any] = field(default_factory=dict)
    only: Mapping[str, str] = field(default_factory=dict)
    filters: Mapping[str, str] = field(default_factory=dict)

    def parameters(self) -> dict[str, Any]:
        """What `Evidence.table` is called with."""
        named = {"phrase": self.phrase} if self.table.parameter("phrase") else {}
        where = {"where": where_from(library(), self.filters)} if self.filters else {}
        return {**named, **self.values, "only": dict(self.only), **where}

    def link(self, endpoint: str = "", **more: Any) -> str:
        """An address of the same question, of this table or of what stands at `endpoint`, with `more` put
        over it: None takes a value off, `only` is put over the values that are chosen."""
        only = {**self.only, **more.pop("only", {})}
        given: dict[str, Any] = {"q": self.phrase, "only": _pairs(only), **self.filters}
        for parameter in self.table.parameters:
            value = self.values.get(parameter.name)
            if parameter.kind == "side":
                given[parameter.name] = _pairs(value or {})
            elif parameter.kind == "flag":
                given[parameter.name] = "yes" if value else None
            elif parameter.kind != "phrase":
                given[parameter.name] = list(value) if isinstance(value, tuple) else value
        given |= more
        kept = {name: value for name, value in given.items() if value not in (None, "", [])}
        return url_for(endpoint or f"evidence.{self.table.name}", **kept)

    def other(self, table: evidence_tables.EvidenceTable) -> str:
        """The address of another table about the same phrase."""
        return replace(self, table=table, values={}, filters=_filters(table, self.filters)).link()

    def clips(self, key: str) -> str:
        """The address of the clips behind a number; none for a number that has none."""
        return self.link("evidence.clips", table=self.table.name, key=key) if key else ""

    def loosened(self) -> list[tuple[str, str, str]]:
        """(key, value, the address without it) of each thing that is chosen."""
        return [
            (key, value, replace(self, only={k: v for k, v in self.only.items() if k != key}).link())
            for key, value in self.only.items()
        ] + [
            (key, value, replace(self, filters={k: v for k, v in self.filters.items() if k != key}).link())
            for key, value in self.filters.items()
        ]


def _pairs(chosen: Mapping[str, str]) -> list[str]:
    return [f"{key}={value}" for key, value in chosen.items()]


def asked(table: evidence_tables.EvidenceTable | None = None) -> Asked:
    """The question in the address. InputError for what cannot be asked."""
    table = table or evidence_tables.TABLES[0]
    values = {p.name: _READ[p.kind](p) for p in table.parameters if p.kind != "phrase"}
    phrase = request.args.get("q", "").strip()[:500]
    return Asked(table, phrase, values, chosen("only"), _filters(table, filters_of(request.args)))


def _filters(table: evidence_tables.EvidenceTable, filters: Mapping[str, str]) -> dict[str, str]:
    """Those that a table takes; what it asks for by itself, such as the fight, is none of them."""
    own = {parameter.name for parameter in table.parameters}
    return {name: text for name, text in filters.items() if table.filters and name not in own}


def _flag(parameter: evidence_tables.Parameter) -> bool:
    text = request.args.get(parameter.name, "")
    if text not in ("", "yes", "no"):
        raise InputError(f"“{parameter.name}” must be yes or no")
    return text == "yes"


def _side(parameter: evidence_tables.Parameter) -> dict[str, str]:
    """One side, of KEY=VALUE and of the two fields for dates."""
    dates = {key: request.args.get(f"{parameter.name}_{key}", "").strip() for key in DATES}
    return {**chosen(parameter.name), **{key: value for key, value in dates.items() if value}}


def _keys(parameter: evidence_tables.Parameter) -> tuple[str, ...]:
    return evidence_tables.keys(parameter, [key for key in request.args.getlist(parameter.name) if key])


_READ: dict[str, Any] = {
    "keys": _keys,
    "key": lambda parameter: next(iter(_keys(parameter)), None),
    "side": _side,
    "fight": lambda parameter: request.args.get(parameter.name, "")[:200],
    "choice": lambda parameter: evidence_tables.choice(parameter, request.args.get(parameter.name)),
    "flag": _flag,
}


def chosen(name: str) -> dict[str, str]:
    """KEY=VALUE of the address, repeated under one name; empty ones are passed over. InputError for anything
    else."""
    found: dict[str, str] = {}
    for item in request.args.getlist(name):
        key, equals, value = item.partition("=")
        if not item:
            continue
        if not equals or not key.strip() or not value.strip():
            raise InputError(f"“{item}” chooses nothing; write, for example, round=3")
        found[key.strip()] = value.strip()
    return found

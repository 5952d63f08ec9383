"""What an address asks of an evidence table, and addresses of other questions and of clips."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from flask import request, url_for

from cliplib import evidence_tables

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
        given: dict[str, Any] = {"q": self.phrase, "only": _texts(only), **self.filters}
        for name, text in evidence_tables.said(self.table, self.values):
            given.setdefault(name, []).append(text)
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


def _texts(chosen: Mapping[str, str]) -> list[str]:
    return [f"{key}={value}" for key, value in chosen.items()]


def asked(table: evidence_tables.EvidenceTable | None = None) -> Asked:
    """The question in the address. InputError for what cannot be asked."""
    table = table or evidence_tables.TABLES[0]
    values = evidence_tables.values(table, _pairs(table))
    phrase = request.args.get("q", "").strip()[:500]
    only = evidence_tables.chosen(filter(None, request.args.getlist("only")))
    return Asked(table, phrase, values, only, _filters(table, filters_of(request.args)))


def _pairs(table: evidence_tables.EvidenceTable) -> Iterator[tuple[str, str]]:
    """What the address says of a table's parameters but for the phrase: empty fields are passed over, and a
    side has two fields of its own for dates."""
    for parameter in table.parameters:
        if parameter.kind == "phrase":
            continue
        yield from ((parameter.name, text[:200]) for text in request.args.getlist(parameter.name) if text)
        for key in DATES if parameter.kind == "side" else ():
            if text := request.args.get(f"{parameter.name}_{key}", "").strip():
                yield parameter.name, f"{key}={text}"


def _filters(table: evidence_tables.EvidenceTable, filters: Mapping[str, str]) -> dict[str, str]:
    """Those that a table takes; what it asks for by itself, such as the fight, is none of them."""
    own = {parameter.name for parameter in table.parameters}
    return {name: text for name, text in filters.items() if table.filters and name not in own}

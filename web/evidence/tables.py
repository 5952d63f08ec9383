"""The pages of evidence tables: one for each row of the registry, all made by one template."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from flask import Blueprint, Response, abort, render_template, request
from flask.typing import ResponseReturnValue

from cliplib import InputError, evidence_tables

from ..site.here import library
from .asked import DATES, Asked, asked
from .clips import show_clips

CHART_POLICY = "default-src 'none'; style-src 'unsafe-inline'"
_MOST_ROUNDS = 15


def pages() -> Blueprint:
    """The pages of all tables that there are now, with the clips and the pictures behind them."""
    made = Blueprint("evidence", __name__)
    for table in evidence_tables.TABLES:
        made.add_url_rule(_address(table), table.name, _page(table))
    made.add_url_rule("/counts/clips", "clips", clips)
    made.add_url_rule("/counts/chart.svg", "chart", chart)
    return made


def sample(table: evidence_tables.EvidenceTable) -> str:
    """The address of the page with a question in it, for tests of all pages."""
    return f"{_address(table)}?q={table.example.replace(' ', '+')}{table.sample}"


def _address(table: evidence_tables.EvidenceTable) -> str:
    return "/counts/" if table is evidence_tables.TABLES[0] else f"/counts/{table.name}"


def _page(table: evidence_tables.EvidenceTable) -> Callable[[], ResponseReturnValue]:
    def show() -> ResponseReturnValue:
        here, problem, found, choose = asked(table), "", None, None
        missing = _missing(here)
        try:
            fight = table.parameter("fight")
            if missing is fight is not None and here.phrase:
                choose = _fights_with(here, fight)
                if len(choose) == 1:
                    here = replace(here, values={**here.values, fight.name: str(choose[0][0].id)})
                    missing = choose = None
            if missing is None:
                found = library().evidence.table(table.name, **here.parameters())
        except InputError as wrong:
            problem = str(wrong)
        return render_template(
            "evidence_table.html",
            here=here,
            table=table,
            tables=evidence_tables.TABLES,
            found=found,
            problem=problem,
            missing=missing,
            choose=choose,
            cell=lambda row, column, pieces: _linked(here, row, column, pieces),
            key_link=here.clips,
            charts=[
                (here.link("evidence.chart", kind=kind), here.link("breakdowns.into", picture=kind))
                for kind in table.charts
            ]
            if _drawn(found)
            else [],
            choices=_choices,
            fights=library().finding.fights() if table.parameter("fight") else [],
            dates=DATES,
            swapped=_swapped(here),
            two_logged=_two_logged() if found is None else [],
        )

    return show


def _two_logged() -> list[Any]:
    """Fights of which two logs hold something."""
    fights = [fight for fight in library().finding.fights() if len(fight.info.logs) > 1]
    return [fight for fight in fights if len(library().evidence.logs_with_something(fight.id)) > 1]


def _missing(here: Asked) -> evidence_tables.Parameter | None:
    """The first parameter that is needed and not there; of two sides one will do. A table that needs none is
    still asked for nothing until something is said."""
    sides = [here.values.get(p.name) for p in here.table.parameters if p.kind == "side"]
    for parameter in here.table.parameters:
        said = here.phrase if parameter.kind == "phrase" else here.values.get(parameter.name)
        if parameter.kind == "side":
            said = any(sides)
        if parameter.needed and not said:
            return parameter
    by = here.table.parameter("keys")
    return here.table.parameter("phrase") if not here.phrase and not (by and here.values[by.name]) else None


def _drawn(found: evidence_tables.Filled | None) -> bool:
    """Whether there is anything to draw: rows by something, or tries."""
    if found is None:
        return False
    free = next((group for group in found.form.groups if group.free), None)
    return bool(found.by and found.rows[free.name]) if free else bool(found.facts.get("tries"))


def _linked(
    here: Asked,
    row: evidence_tables.ShownRow,
    column: evidence_tables.Column,
    pieces: tuple[evidence_tables.Piece, ...],
) -> list[tuple[str, str]]:
    """(text, address of its clips) of what a cell shows."""
    if column.kind == "fights":
        by = here.values.get("by", ())
        only = dict(zip(by, row.names, strict=True)) if by and not row.foot else {}
        return [(piece.text, here.link("evidence.tally", by=["fight"], only=only)) for piece in pieces]
    return [(piece.text, here.clips(piece.key)) for piece in pieces]


def _fights_with(here: Asked, fight: evidence_tables.Parameter) -> list[tuple[Any, int, str]]:
    """(fight, tries, the address of the table for it) of the fights that have any, the most first."""
    tried = library().evidence.fights_with(here.phrase, only=here.only)
    rows = {row.id: row for row in library().finding.fights()}
    return [(rows[one], count, here.link("", **{fight.name: one})) for one, count in tried if one in rows]


def _choices() -> list[tuple[str, list[tuple[str, str]]]]:
    """What a side can be: (key, [(value, words)])."""
    lib = library()
    fights = lib.finding.fights()
    rounds = min(_MOST_ROUNDS, max((f.info.rounds or 12 for f in fights), default=12))
    named = lib.finding.periods()
    dated = [f"{f.title}{f', {f.info.date.isoformat()}' if f.info.date else ''}" for f in fights]
    return [
        ("fighter", [(row.name, row.name) for row in lib.finding.fighters()]),
        ("fight", [(str(f.id), words) for f, words in zip(fights, dated, strict=True)]),
        ("round", [(str(n), str(n)) for n in range(1, rounds + 1)]),
        ("stance match", [("open", "open"), ("closed", "closed")]),
        *((side, [(name, name) for name in named]) for side in ("before", "during", "after") if named),
    ]


def _swapped(here: Asked) -> str:
    """The address with its two sides changed about; none without sides."""
    sides = [p.name for p in here.table.parameters if p.kind == "side"]
    if len(sides) != 2:
        return ""
    one, two = sides
    values = {**here.values, one: here.values[two], two: here.values[one]}
    return replace(here, values=values).link()


def clips() -> ResponseReturnValue:
    """The clips behind one number, by its key."""
    here = asked(evidence_tables.named(request.args.get("table", evidence_tables.TABLES[0].name)))
    key = request.args.get("key", "")
    opened = library().evidence.table(here.table.name, **here.parameters()).open(key)
    into = here.link("breakdowns.into", table=here.table.name, key=key) if here.phrase else ""
    return show_clips(opened, here.phrase, here.only, back=here.link(), into=into)


def chart() -> ResponseReturnValue:
    """A picture of a table, with everything it shows in its description."""
    kind = request.args.get("kind", evidence_tables.TABLES[0].charts[0])
    table = next((table for table in evidence_tables.TABLES if kind in table.charts), None)
    if table is None:
        abort(404, "There is no such picture.")
    asking = asked(table).parameters()
    picture = library().evidence.chart(
        kind,  # type: ignore[arg-type]
        asking["phrase"],
        asking.get("by", ()),
        only=asking["only"],
        where=asking.get("where"),
        narrow="narrow" in request.args,
    )
    answer = Response(picture, mimetype="image/svg+xml")
    answer.headers["Content-Security-Policy"] = CHART_POLICY
    return answer

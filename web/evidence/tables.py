"""The pages of evidence tables: one for each row of the registry, all made by one template."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from flask import Blueprint, Response, abort, render_template, request
from flask.typing import ResponseReturnValue

from cliplib.core.errors import InputError
<<<<<<< HEAD
from cliplib.library.library import FightRow, log_forms
=======
from cliplib.library.evidence.registry import TABLES, EvidenceTable, Parameter, named
from cliplib.tally.table import Column, Filled, Piece, ShownRow
>>>>>>> 97f084e (An evidence table is one object: form, columns with units, rows, keys of clips; commands, pages, JSON, CSV, API, its document and reports render it)

from ..site.here import library
from .asked import DATES, Asked, asked
from .clips import show_clips

CHART_POLICY = "default-src 'none'; style-src 'unsafe-inline'"
_MOST_ROUNDS = 15


def pages() -> Blueprint:
    """The pages of all tables that there are now, with the clips and the pictures behind them."""
    made = Blueprint("evidence", __name__, url_prefix="/counts")
    for table in TABLES:
        address = "/" if table is TABLES[0] else f"/{table.name}"
        made.add_url_rule(address, table.name, _page(table))
    made.add_url_rule("/clips", "clips", clips)
    made.add_url_rule("/chart.svg", "chart", chart)
    return made


def _page(table: EvidenceTable) -> Callable[[], ResponseReturnValue]:
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
            tables=TABLES,
            found=found,
            problem=problem,
            missing=missing,
            choose=choose,
            cell=lambda row, column, pieces: _linked(here, row, column, pieces),
            key_link=here.clips,
            charts=[here.link("evidence.chart", kind=kind) for kind in table.charts] if _drawn(found) else [],
            choices=_choices,
            fights=library().fights() if table.parameter("fight") else [],
            dates=DATES,
            swapped=_swapped(here),
            two_logged=[f for f in library().fights() if len(f.info.logs) > 1] if found is None else [],
        )

    return show


def _missing(here: Asked) -> Parameter | None:
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


def _drawn(found: Filled | None) -> bool:
    """Whether there is anything to draw: rows by something, or tries."""
    if found is None:
        return False
    free = next((group for group in found.form.groups if group.free), None)
    return bool(found.by and found.rows[free.name]) if free else bool(found.facts.get("tries"))


def _linked(here: Asked, row: ShownRow, column: Column, pieces: tuple[Piece, ...]) -> list[tuple[str, str]]:
    """(text, address of its clips) of what a cell shows."""
    if column.kind == "fights":
        by = here.values.get("by", ())
        only = dict(zip(by, row.names, strict=True)) if by and not row.foot else {}
        return [(piece.text, here.link("evidence.tally", by=["fight"], only=only)) for piece in pieces]
    return [(piece.text, here.clips(piece.key)) for piece in pieces]


def _fights_with(here: Asked, fight: Parameter) -> list[tuple[Any, int, str]]:
    """(fight, tries, the address of the table for it) of the fights that have any, the most first."""
    tried = library().evidence.fights_with(here.phrase, only=here.only)
    rows = {row.id: row for row in library().fights()}
    return [(rows[one], count, here.link("", **{fight.name: one})) for one, count in tried if one in rows]


def _choices() -> list[tuple[str, list[tuple[str, str]]]]:
    """What a side can be: (key, [(value, words)])."""
    lib = library()
    fights = lib.fights()
    rounds = min(_MOST_ROUNDS, max((f.info.rounds or 12 for f in fights), default=12))
    dated = [f"{f.title}{f', {f.info.date.isoformat()}' if f.info.date else ''}" for f in fights]
    return [
        ("fighter", [(row.name, row.name) for row in lib.fighters()]),
        ("fight", [(str(f.id), words) for f, words in zip(fights, dated, strict=True)]),
        ("round", [(str(n), str(n)) for n in range(1, rounds + 1)]),
        ("stance match", [("open", "open"), ("closed", "closed")]),
    ]


def _swapped(here: Asked) -> str:
    """The address with its two sides changed about; none without sides."""
    sides = [p.name for p in here.table.parameters if p.kind == "side"]
    if len(sides) != 2:
        return ""
    one, two = sides
    values = {**here.values, one: here.values[two], two: here.values[one]}
    return Asked(here.table, here.phrase, values, here.only).link()


def clips() -> ResponseReturnValue:
    """The clips behind one number, by its key."""
    here = asked(named(request.args.get("table", TABLES[0].name)))
    opened = library().evidence.table(here.table.name, **here.parameters()).open(request.args.get("key", ""))
    return show_clips(opened, here.phrase, here.only, back=here.link())


def chart() -> ResponseReturnValue:
    """A picture of a table, with everything it shows in its description."""
    kind = request.args.get("kind", TABLES[0].charts[0])
    table = next((table for table in TABLES if kind in table.charts), None)
    if table is None:
        abort(404, "There is no such picture.")
    here = asked(table)
    by = here.values.get("by", ())
    picture = library().evidence.chart(kind, here.phrase, by, only=here.only)  # type: ignore[arg-type]
    answer = Response(picture, mimetype="image/svg+xml")
    answer.headers["Content-Security-Policy"] = CHART_POLICY
    return answer
<<<<<<< HEAD


@page.get("/agree/<int:fight_id>")
def agree(fight_id: int) -> ResponseReturnValue:
    return _agree(fight_id, {})


@page.get("/agree/<int:fight_id>/pairs")
def pairs(fight_id: int) -> ResponseReturnValue:
    """The clips behind a number of two logs beside each other: actions that the first log calls `one` and the
    second `two`."""
    found = _two(fight_id, request.args)
    what, one, two = (request.args.get(name, "") for name in ("what", "one", "two"))
    if what not in ("technique", "outcome"):
        abort(404, "Nothing is counted by that.")
    chosen = found.agreement.called(what, one or None, two or None)
    ids = list(dict.fromkeys(p.either.exchange_id for p in chosen))
    words = [f"{log}: {name}" for log, name in ((found.one, one), (found.two, two)) if name]
    here = Asked("", (), {})
    return _show(here, ids, [found.fight.title, *words], back=_agree_link(found))


@page.post("/agree/<int:fight_id>")
def decide(fight_id: int) -> ResponseReturnValue:
    """The agreed log as a file to keep; the logs stay as they are."""
    found = _two(fight_id, request.form)
    decisions = {
        key.removeprefix("take-"): value
        for key, value in request.form.items()
        if key.startswith("take-") and value in DECISIONS
    }
    form = log_forms.form_named("csv")
    try:
        text = library().evidence.agreed_log(found, decisions, form.name)  # type: ignore[arg-type]
    except InputError as wrong:
        return _agree(fight_id, decisions, problem=str(wrong).split("\n")[0]), 400
    answer = Response(text.encode("utf-8", "surrogateescape"), mimetype=form.media_type)
    answer.headers["Content-Disposition"] = f"attachment; filename=agreed-{fight_id}{form.suffix}"
    return answer


def _agree(fight_id: int, decided: Mapping[str, str], problem: str = "") -> str:
    found = _two(fight_id, request.values)

    def pairs(what: str, count: int, one: str | None, two: str | None) -> Number:
        """A count of actions that the first log calls `one` and the second `two` (None: anything)."""
        link = _agree_link(found, "evidence.pairs", what=what, one=one, two=two)
        return Number(str(count), link if count else "")

    return render_template(
        "evidence_agree.html",
        found=found,
        decided=decided,
        decisions=DECISIONS,
        problem=problem,
        pairs=pairs,
        other=_agree_link(found, where_both=None if request.values.get("where_both") == "on" else "on"),
    )


def _agree_link(found: Any, endpoint: str = "evidence.agree", **more: str | None) -> str:
    values: dict[str, Any] = {
        "fight_id": found.fight.id,
        "first": found.one,
        "second": found.two,
        "where_both": "on" if request.values.get("where_both") == "on" else None,
        **more,
    }
    return url_for(endpoint, **{k: v for k, v in values.items() if v is not None})


def _two(fight_id: int, given: Mapping[str, str]) -> Any:
    return library().evidence.two_logs(
        fight_id,
        given.get("first") or None,
        given.get("second") or None,
        where_both=given.get("where_both") == "on",
    )


def _row(here: Asked, row: Any, chosen: dict[str, str]) -> Row:
    numbers = [
        here.number(getattr(row, part), chosen, went=None if part == "tried" else part) for part in PARTS
    ]
    numbers.append(Number(percent(row.rate), here.clips(chosen, went="known") if row.known else ""))
    minute = "–" if row.per_minute is None else f"{row.per_minute:.2f}"
    numbers.append(Number(minute, here.clips(chosen) if row.tried else ""))
    by_fight = here.link("evidence.tally", by=["fight"], only=chosen)
    numbers.append(Number(str(row.fights), by_fight if row.fights else ""))
    return Row(row.values, tuple(numbers))


def _next_row(here: Asked, who: str, row: Any) -> dict[str, Any]:
    then = f"{who}:{row.what}"
    spread = "–" if row.low_us is None else f"{row.low_us / 1e6:.2f}–{row.high_us / 1e6:.2f} s"
    return {
        "what": row.what,
        "times": here.number(row.times, then=then),
        "share": Number(percent(row.share), here.clips(then=then)),
        "gap": "–" if row.median_us is None else f"{row.median_us / 1e6:.2f} s",
        "spread": spread,
        "landed": here.number(row.landed, then=then, part="landed"),
        "known": here.number(row.known, then=then, part="known"),
    }


def _answer_row(here: Asked, row: Any) -> dict[str, Any]:
    then = f"{row.stances}:{row.response}"
    numbers = {part: here.number(getattr(row, part), then=then, part=part) for part in row.behind.parts}
    rate = Number(percent(row.beaten_rate), numbers["beaten_known"].link)
    return {"what": row.response, "stances": row.stances, "rate": rate, **numbers}


def _caught_row(here: Asked, row: Any) -> dict[str, Any]:
    parts = ("against", "against_landed", "against_known", "next", "next_landed", "next_known")
    then = f"caught:{row.attack}"
    numbers = {part: here.number(getattr(row, part), then=then, part=part) for part in parts}
    return {"what": row.attack, **numbers}


def _all(lines: Sequence[Any]) -> tuple[str, str]:
    """The addresses of the clips that the lines' counts are out of, before and after."""
    sides = ([line.behind1 for line in lines], [line.behind2 for line in lines])
    first = [next((part[0].tries for part in side if part is not None), None) for side in sides]
    before, after = ("" if side is None else _ids(side.exchange_ids().tolist()) for side in first)
    return before, after


def _ids(numbers: Sequence[int]) -> str:
    """The address of these clips, or none."""
    return url_for("evidence.clips", ids=",".join(map(str, numbers[:_MOST_IDS]))) if numbers else ""
=======
>>>>>>> 97f084e (An evidence table is one object: form, columns with units, rows, keys of clips; commands, pages, JSON, CSV, API, its document and reports render it)

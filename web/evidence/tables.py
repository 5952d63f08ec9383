"""The evidence behind a claim: counts with their clips, what comes next, changes, two logs of one fight."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from flask import Blueprint, Response, abort, render_template, request, url_for
from flask.typing import ResponseReturnValue

from cliplib.core.errors import InputError
from cliplib.library.library import FightRow, log_forms

from ..site.here import library
from .asked import KEYS, Asked, Number, asked, percent

page = Blueprint("evidence", __name__, url_prefix="/counts")

PARTS = ("tried", "landed", "partial", "blocked", "missed", "unknown")
DECISIONS = ("first", "second", "both", "neither")
_MOST_CARDS = 60
_MOST_IDS = 500
CHART_POLICY = "default-src 'none'; style-src 'unsafe-inline'"


@dataclass(frozen=True)
class Row:
    names: tuple[str, ...]
    numbers: tuple[Number, ...]


@page.get("/")
def tally() -> ResponseReturnValue:
    here, problem, found, rows, total = asked(), "", None, [], None
    if here.phrase or here.by:
        try:
            found = library().evidence.tally(here.phrase, here.by, only=here.only)
        except InputError as wrong:
            problem = str(wrong)
    if found is not None:
        rows = [_row(here, row, dict(zip(here.by, row.values, strict=True))) for row in found.table.rows]
        total = _row(here, found.table.total, {})
    return render_template(
        "evidence_tally.html",
        here=here,
        keys=KEYS,
        columns=(*PARTS, "rate", "a minute", "fights"),
        found=found,
        rows=rows,
        total=total,
        problem=problem,
        chart=here.link("evidence.chart", kind="counts") if rows and here.by else "",
        rates=here.link("evidence.chart", kind="rates") if rows and here.by else "",
        two_logged=[f for f in library().fights() if len(f.info.logs) > 1] if found is None else [],
        loosened=here.loosened("evidence.tally"),
    )


@page.get("/next")
def following() -> ResponseReturnValue:
    here, problem, found, sides, answered = asked(), "", None, [], None
    if here.phrase:
        try:
            found = library().evidence.next(here.phrase, only=here.only)
            answered = library().evidence.answers(here.phrase, only=here.only)
        except InputError as wrong:
            problem = str(wrong)
    if found is not None:
        for who, title, side in (
            ("own", "The same fighter next", found.table.own),
            ("other", "The opponent next", found.table.other),
        ):
            sides.append((title, [_next_row(here, who, row) for row in side]))
    return render_template(
        "evidence_next.html",
        here=here,
        found=found,
        tries=here.number(len(found.table.tries)) if found is not None else None,
        sides=sides,
        problem=problem,
        answered=answered,
        answers=[_answer_row(here, row) for row in answered.result.rows] if answered is not None else [],
        chart=here.link("evidence.chart", kind="next")
        if found is not None and len(found.table.tries)
        else "",
        loosened=here.loosened("evidence.following"),
    )


@page.get("/caught")
def caught() -> ResponseReturnValue:
    """Which attacks a defence is caught by."""
    here, problem, found = asked(), "", None
    if here.phrase:
        try:
            found = library().evidence.caught(here.phrase, only=here.only)
        except InputError as wrong:
            problem = str(wrong)
    return render_template(
        "evidence_caught.html",
        here=here,
        found=found,
        tries=here.number(len(found.tries)) if found is not None else None,
        rows=[_caught_row(here, row) for row in found.rows] if found is not None else [],
        problem=problem,
        loosened=here.loosened("evidence.caught"),
    )


@page.get("/change")
def change() -> ResponseReturnValue:
    here, problem, found, choose = asked(), "", None, None
    fight, of = request.args.get("fight", ""), request.args.get("of", "rate")
    if here.phrase:
        try:
            if of not in ("rate", "frequency"):
                raise InputError(f"“{of}” is neither rate nor frequency.")
            if not fight:
                choose = _fights_with(here, of)
                fight = str(choose[0][0].id) if len(choose) == 1 else ""
        except InputError as wrong:
            problem = str(wrong)
    if here.phrase and fight and not problem:
        try:
            found = library().evidence.change(here.phrase, fight, of, only=here.only)  # type: ignore[arg-type]
        except InputError as wrong:
            problem = str(wrong)
    return render_template(
        "evidence_change.html",
        here=here,
        fights=library().fights(),
        choose=choose,
        fight=fight,
        of=of,
        found=found,
        problem=problem,
        compared=[
            (title, [(line, _ids(line.clips1), _ids(line.clips2)) for line in lines], _all(lines))
            for title, lines in (
                ("Done in that situation", found.result.instead),
                ("The opponent next", found.result.replies),
            )
            if lines
        ]
        if found is not None
        else [],
        before=_ids(found.result.before) if found is not None else "",
        after=_ids(found.result.after) if found is not None else "",
        loosened=here.loosened("evidence.change", fight=fight or None, of=of),
    )


def _fights_with(here: Asked, of: str) -> list[tuple[FightRow, Number]]:
    """(fight, tries with the address of what changed in it) of the fights that have any, the most first: a
    change is looked for within one fight."""
    table = library().evidence.tally(here.phrase, ("fight",), only=here.only).table
    tried = {row.values[0]: row.tried for row in table.rows}
    found = []
    for fight in library().fights():
        dated = f"{fight.title}, {fight.info.date.isoformat() if fight.info.date else 'undated'}"
        count = tried.get(dated, tried.get(fight.title, 0))  # tables add the date where titles are alike
        link = here.link("evidence.change", by=None, fight=fight.id, of=of)
        if count:
            found.append((count, fight, Number(str(count), link)))
    found.sort(key=lambda one: -one[0])
    return [(fight, number) for _, fight, number in found]


@page.get("/clips")
def clips() -> ResponseReturnValue:
    """The clips behind one number."""
    here = asked()
    went, then, given = request.args.get("went"), request.args.get("then", ""), request.args.get("ids")
    part = request.args.get("part", "times")
    if given is not None:
        numbers = [int(n) for n in given.split(",")[:_MOST_IDS] if n.isdecimal() and len(n) < 12]
        return _show(here, numbers, [])
    if then:
        tries = _followed(here, then, part)
        words = ["" if part == "times" else part.replace("_", " "), f"then {then.split(':', 1)[-1]}"]
        if then.startswith("caught:"):
            words = [f"{part.replace('_', ' ')}: {then.split(':', 1)[-1]}"]
    else:
        table = library().evidence.tally(here.phrase, (), only=here.only).table
        tries = table.behind().of(went or "tried")
        words = ["with a known outcome" if went == "known" else went or ""]
    return _show(here, tries.exchange_ids().tolist(), words, tries=len(tries))


def _show(
    here: Asked, numbers: Sequence[int], words: Sequence[str], *, tries: int | None = None, back: str = ""
) -> str:
    return render_template(
        "evidence_clips.html",
        here=here,
        words=[w for w in words if w],
        tries=tries,
        numbers=numbers,
        clips=library().clips(numbers[:_MOST_CARDS]),
        joined=",".join(map(str, numbers)),
        back=back or (here.link("evidence.tally") if here.phrase else ""),
    )


def _followed(here: Asked, then: str, part: str) -> Any:
    """Tries by what came next (own:cross, other:slip), by the answer (open:slip, then cross) or by what
    catches them (caught:jab)."""
    who, _, what = then.partition(":")
    evidence = library().evidence
    if who in ("own", "other"):
        table = evidence.next(here.phrase, only=here.only).table
        named = [(row.what, row.behind) for row in (table.own if who == "own" else table.other)]
    elif who in ("open", "closed", "unknown"):
        rows = evidence.answers(here.phrase, only=here.only).result.rows
        named = [(row.response, row.behind) for row in rows if row.stances == who]
    elif who == "caught":
        when, _, part = part.partition("_")
        catching = evidence.caught(here.phrase, only=here.only).rows
        named = [(row.attack, row.after if when == "next" else row.before) for row in catching]
        part = part or "times"
    else:
        abort(404, "Nothing is counted by that.")
    behind = dict(named).get(what)
    if behind is None:
        abort(404, "Nothing is counted by that.")
    return behind.of(part)


@page.get("/chart.svg")
def chart() -> ResponseReturnValue:
    """A picture of a table, with everything it shows in its description."""
    here, kind = asked(), request.args.get("kind", "counts")
    if kind not in ("counts", "rates", "next"):
        abort(404, "There is no such picture.")
    picture = library().evidence.chart(kind, here.phrase, here.by, only=here.only)  # type: ignore[arg-type]
    answer = Response(picture, mimetype="image/svg+xml")
    answer.headers["Content-Security-Policy"] = CHART_POLICY
    return answer


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

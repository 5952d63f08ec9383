"""The evidence behind a claim: counts with their clips, what comes next, changes, two logs of one fight."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from flask import Blueprint, Response, abort, render_template, request, url_for
from flask.typing import ResponseReturnValue

from cliplib.errors import InputError

from .here import library

page = Blueprint("evidence", __name__, url_prefix="/counts")

KEYS = ("fighter", "opponent", "stance match", "round", "fight", "technique", "target", "outcome", "place")
PARTS = ("tried", "landed", "partial", "blocked", "missed", "unknown")
DECISIONS = ("first", "second", "both", "neither")
_MOST_CARDS = 60
_MOST_IDS = 500
CHART_POLICY = "default-src 'none'; style-src 'unsafe-inline'"


@dataclass(frozen=True)
class Asked:
    """What an address asks for. `only`: values that the counted action must have."""

    phrase: str
    by: tuple[str, ...]
    only: dict[str, str]

    def link(self, endpoint: str, **more: object) -> str:
        """An address of the same question, with `only` and the rest put over it."""
        only = {**self.only, **more.pop("only", {})}  # type: ignore[dict-item]
        values: dict[str, Any] = {
            "q": self.phrase or None,
            "by": list(self.by) or None,
            "only": [f"{key}={value}" for key, value in only.items()] or None,
            **more,
        }
        return url_for(endpoint, **{k: v for k, v in values.items() if v is not None})


@dataclass(frozen=True)
class Number:
    """A number that opens its clips; no link for none."""

    text: str
    link: str = ""


@dataclass(frozen=True)
class Row:
    names: tuple[str, ...]
    numbers: tuple[Number, ...]
    rest: tuple[str, ...]


def asked() -> Asked:
    """The question in the address. InputError for what cannot be grouped or chosen by."""
    by = tuple(dict.fromkeys(key for key in request.args.getlist("by") if key))[:3]
    for key in by:
        if key not in KEYS:
            raise InputError(f"“{key}” is nothing to group by; there are {', '.join(KEYS)}")
    only = {}
    for item in request.args.getlist("only"):
        key, equals, value = item.partition("=")
        if not equals:
            raise InputError(f"“{item}” chooses nothing; write, for example, round=3")
        only[key] = value
    return Asked(request.args.get("q", "").strip()[:500], by, only)


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
        parts=PARTS,
        found=found,
        rows=rows,
        total=total,
        problem=problem,
        chart=here.link("evidence.chart", kind="counts") if rows and here.by else "",
        rates=here.link("evidence.chart", kind="rates") if rows and here.by else "",
        two_logged=[f for f in library().fights() if len(f.info.logs) > 1] if found is None else [],
        loosened=[(key, value, _without(here, key)) for key, value in here.only.items()],
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
        sides=sides,
        problem=problem,
        answered=answered,
        answers=[
            (row, here.link("evidence.clips", by=None, then=f"{row.stances}:{row.response}"))
            for row in answered.result.rows
        ]
        if answered is not None
        else [],
        chart=here.link("evidence.chart", kind="next")
        if found is not None and len(found.table.tries)
        else "",
    )


@page.get("/change")
def change() -> ResponseReturnValue:
    here, problem, found = asked(), "", None
    fight, of = request.args.get("fight", ""), request.args.get("of", "rate")
    if here.phrase and fight:
        try:
            if of not in ("rate", "frequency"):
                raise InputError(f"“{of}” is neither rate nor frequency.")
            found = library().evidence.change(here.phrase, fight, of, only=here.only)  # type: ignore[arg-type]
        except InputError as wrong:
            problem = str(wrong)
    return render_template(
        "evidence_change.html",
        here=here,
        fights=library().fights(),
        fight=fight,
        of=of,
        found=found,
        problem=problem,
        compared=[
            (title, [(line, _ids(line.clips1), _ids(line.clips2)) for line in lines])
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
    )


@page.get("/clips")
def clips() -> ResponseReturnValue:
    """The clips behind one number."""
    here, lib = asked(), library()
    went, then, given = request.args.get("went"), request.args.get("then", ""), request.args.get("ids")
    if given is not None:
        numbers = [int(n) for n in given.split(",")[:_MOST_IDS] if n.isdecimal() and len(n) < 12]
    elif then:
        numbers = _followed(here, then)
    else:
        numbers = lib.evidence.tally(here.phrase, (), only=here.only).table.clips(None, went)
    shown = lib.clips(numbers[:_MOST_CARDS])
    return render_template(
        "evidence_clips.html",
        here=here,
        went=went,
        then=then,
        numbers=numbers,
        clips=shown,
        joined=",".join(map(str, numbers)),
    )


def _followed(here: Asked, then: str) -> list[int]:
    """Clips by what came next (own:cross, other:slip) or by the answer (open:slip, then cross)."""
    who, _, what = then.partition(":")
    if who in ("own", "other"):
        table = library().evidence.next(here.phrase, only=here.only).table
        named = [(row.what, row.tries) for row in (table.own if who == "own" else table.other)]
    elif who in ("open", "closed", "unknown"):
        rows = library().evidence.answers(here.phrase, only=here.only).result.rows
        named = [(row.response, row.tries) for row in rows if row.stances == who]
    else:
        abort(404, "Nothing is counted by that.")
    return [int(i) for name, tries in named if name == what for i in tries.exchange_ids()]


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


@page.post("/agree/<int:fight_id>")
def decide(fight_id: int) -> ResponseReturnValue:
    """The agreed log as a file to keep; the logs stay as they are."""
    found = _two(fight_id, request.form)
    decisions = {
        key.removeprefix("take-"): value
        for key, value in request.form.items()
        if key.startswith("take-") and value in DECISIONS
    }
    try:
        text = library().evidence.agreed_log(found, decisions)  # type: ignore[arg-type]
    except InputError as wrong:
        return _agree(fight_id, decisions, problem=str(wrong).split("\n")[0]), 400
    answer = Response(text.encode("utf-8", "surrogateescape"), mimetype="text/csv")
    answer.headers["Content-Disposition"] = f"attachment; filename=agreed-{fight_id}.csv"
    return answer


def _agree(fight_id: int, decided: Mapping[str, str], problem: str = "") -> str:
    found = _two(fight_id, request.values)
    return render_template(
        "evidence_agree.html", found=found, decided=decided, decisions=DECISIONS, problem=problem
    )


def _two(fight_id: int, given: Mapping[str, str]) -> Any:
    return library().evidence.two_logs(
        fight_id,
        given.get("first") or None,
        given.get("second") or None,
        where_both=given.get("where_both") == "on",
    )


def _row(here: Asked, row: Any, chosen: dict[str, str]) -> Row:
    numbers = []
    for part in PARTS:
        count = getattr(row, part)
        link = (
            here.link("evidence.clips", by=None, only=chosen, went=None if part == "tried" else part)
            if count
            else ""
        )
        numbers.append(Number(str(count), link))
    rate = row.rate
    shown = "–" if rate is None else f"{100 * rate.value:.0f} % ({100 * rate.low:.0f}–{100 * rate.high:.0f})"
    minute = "–" if row.per_minute is None else f"{row.per_minute:.2f}"
    return Row(row.values, tuple(numbers), (shown, minute, str(row.fights)))


def _next_row(here: Asked, who: str, row: Any) -> dict[str, str]:
    share = row.share
    spread = "–" if row.low_us is None else f"{row.low_us / 1e6:.2f}–{row.high_us / 1e6:.2f} s"
    return {
        "what": row.what,
        "times": str(row.times),
        "link": here.link("evidence.clips", by=None, then=f"{who}:{row.what}"),
        "share": "–"
        if share is None
        else f"{100 * share.value:.0f} % ({100 * share.low:.0f}–{100 * share.high:.0f})",
        "gap": "–" if row.median_us is None else f"{row.median_us / 1e6:.2f} s",
        "spread": spread,
        "landed": f"{row.landed} of {row.known}" if row.known else "–",
    }


def _without(here: Asked, key: str) -> str:
    only = {k: v for k, v in here.only.items() if k != key}
    return Asked(here.phrase, here.by, only).link("evidence.tally")


def _ids(numbers: Sequence[int]) -> str:
    """The address of these clips, or none."""
    return url_for("evidence.clips", ids=",".join(map(str, numbers[:_MOST_IDS]))) if numbers else ""

"""Two fighters, fights, rounds or periods beside each other, each number with its clips."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, render_template, request
from flask.typing import ResponseReturnValue

from cliplib.core.errors import InputError

from ..site.here import library
from .asked import KEYS, Asked, Number, asked, chosen

page = Blueprint("compare", __name__, url_prefix="/counts/compare")

_MOST_ROUNDS = 15


@page.get("")
def show() -> ResponseReturnValue:
    here, problem, found, tables = asked(), "", None, []
    sides = [_side(name) for name in ("this", "that")]
    by = here.by[0] if here.by else None
    if here.phrase and any(sides):
        try:
            found = library().evidence.compare(here.phrase, sides[0], sides[1], by=by, only=here.only)
        except InputError as wrong:
            problem = str(wrong)
    elif here.phrase:
        problem = "Choose what is to be compared: two fighters, fights, rounds or periods."
    if found is not None:
        result = found.result
        own = [Asked(here.phrase, (), {**here.only, **side}) for side in sides]
        tables = [
            (f"Landed{f', also by {by}' if by else ''}", [_landed(own, by, line) for line in result.landed]),
            ("The same fighter next", [_next(own, "own", line) for line in result.own]),
            ("The opponent next", [_next(own, "other", line) for line in result.other]),
        ]
        tries = [side.number(n) for side, n in zip(own, (result.tries1, result.tries2), strict=True)]
    return render_template(
        "evidence_compare.html",
        here=here,
        by=by,
        keys=KEYS,
        sides=dict(zip(("this", "that"), sides, strict=True)),
        choices=_choices(),
        found=found,
        tries=tries if found is not None else [],
        tables=tables,
        problem=problem,
        loosened=here.loosened("compare.show", **_kept(sides)),
        kept=_kept(sides),
    )


def _side(name: str) -> dict[str, str]:
    """One side, of KEY=VALUE and of the two fields for dates."""
    dates = {key: request.args.get(f"{name}_{key}", "").strip() for key in ("from", "to")}
    return {**chosen(name), **{key: value for key, value in dates.items() if value}}


def _kept(sides: list[dict[str, str]]) -> dict[str, Any]:
    """The sides as an address has them."""
    return {
        name: [f"{key}={value}" for key, value in side.items()] or None
        for name, side in zip(("this", "that"), sides, strict=True)
    }


def _choices() -> list[tuple[str, list[tuple[str, str]]]]:
    """What a side can be: (key, [(value, words)])."""
    lib = library()
    fights = lib.fights()
    rounds = min(_MOST_ROUNDS, max((f.info.rounds or 12 for f in fights), default=12))
    return [
        ("fighter", [(row.name, row.name) for row in lib.fighters()]),
        (
            "fight",
            [
                (str(f.id), f"{f.title}{f', {f.info.date.isoformat()}' if f.info.date else ''}")
                for f in fights
            ],
        ),
        ("round", [(str(n), str(n)) for n in range(1, rounds + 1)]),
        ("stance match", [("open", "open"), ("closed", "closed")]),
    ]


def _line(line: Any, numbers: list[Number]) -> dict[str, Any]:
    d = line.difference
    said = (
        "–"
        if d is None
        else f"{100 * d.value:+.0f} ({100 * d.low:+.0f} to {100 * d.high:+.0f}) points".replace("-", "−")
    )
    return {
        "what": line.what,
        "numbers": numbers,
        "verdict": line.words.rpartition(": ")[2],
        "difference": said,
        "p": f"{line.p:.3f}",
        "q": f"{line.q:.3f}",
    }


def _landed(own: list[Asked], by: str | None, line: Any) -> dict[str, Any]:
    only = {} if by is None or line.what == "all" else {by: line.what}
    numbers = []
    for side, k, n in ((own[0], line.k1, line.n1), (own[1], line.k2, line.n2)):
        numbers += [side.number(k, only, went="landed"), side.number(n, only, went="known")]
    return _line(line, numbers)


def _next(own: list[Asked], who: str, line: Any) -> dict[str, Any]:
    numbers = []
    for side, k, n in ((own[0], line.k1, line.n1), (own[1], line.k2, line.n2)):
        numbers += [side.number(k, then=f"{who}:{line.what}"), side.number(n)]
    return _line(line, numbers)

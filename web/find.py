"""The first page: say what you look for, see how it was read, watch the clips, collect some into a reel."""

from __future__ import annotations

import datetime
from dataclasses import dataclass, replace
from urllib.parse import urlencode

from flask import Blueprint, jsonify, render_template, request, url_for
from flask.typing import ResponseReturnValue

from cliplib.errors import InputError
from cliplib.models import ClipRow, Found, Reading, Where

from .here import library

page = Blueprint("find", __name__)

PER_PAGE = 24
ORDERS = {"fit": "best fit", "date": "date", "round": "round", "fighter": "fighter"}

# Facets in the order shown: key in Found.facets and in the address, heading.
FACETS = (
    ("technique", "Action"),
    ("fighter", "Fighter"),
    ("outcome", "Outcome"),
    ("round", "Round"),
    ("stance", "Stance"),
)
FILTERS = (
    "technique",
    "fighter",
    "outcome",
    "round",
    "stance",
    "opponent",
    "opponent_stance",
    "fight",
    "place",
)


@dataclass(frozen=True)
class FacetValue:
    text: str
    count: int
    chosen: bool
    link: str
    share: int  # percent of the longest bar


@dataclass(frozen=True)
class FindPage:
    """What find.html shows."""

    phrase: str
    order: str
    filters: tuple[tuple[str, str, str], ...]  # (name, value, link without it)
    reading: Reading | None
    parts: tuple[tuple[str, str], ...]  # (English, link without it)
    found: Found | None
    facets: tuple[tuple[str, str, tuple[FacetValue, ...]], ...]
    problem: str
    page_no: int
    pages: int
    previous_link: str
    next_link: str
    orders: tuple[tuple[str, str, str, bool], ...]
    examples: tuple[tuple[str, str], ...]
    totals: dict[str, int]


@page.get("/")
def find() -> ResponseReturnValue:
    lib = library()
    phrase = request.args.get("q", "").strip()[:500]
    order = request.args.get("order", "fit")
    order = order if order in ORDERS else "fit"
    page_no = max(1, request.args.get("page", 1, type=int))
    filters = {name: request.args[name] for name in FILTERS if request.args.get(name)}
    found, reading, problem = None, None, ""
    if phrase or filters:
        try:
            found = lib.find(
                phrase,
                where=where_from(filters),
                order=order,
                offset=(page_no - 1) * PER_PAGE,
                limit=PER_PAGE,
            )
            reading = found.reading
        except InputError as wrong:
            problem = str(wrong)

    def link(**changes: str | int | None) -> str:
        kept: dict[str, str | int | None] = {"q": phrase, **filters}
        kept |= {"order": order if order != "fit" else None, **changes}
        query = urlencode({k: v for k, v in kept.items() if v})
        return url_for("find.find") + (f"?{query}" if query else "")

    pages = -(-found.total // PER_PAGE) if found else 0
    return render_template(
        "find.html",
        here=FindPage(
            phrase=phrase,
            order=order,
            filters=tuple((k, v, link(**{k: None})) for k, v in filters.items()),
            reading=reading,
            parts=tuple((text, link(q=without or None)) for _, text, without in reading.parts)
            if reading
            else (),
            found=found,
            facets=tuple(facet_rows(found, filters, link)) if found else (),
            problem=problem,
            page_no=page_no,
            pages=pages,
            previous_link=link(page=page_no - 1) if page_no > 1 else "",
            next_link=link(page=page_no + 1) if page_no < pages else "",
            orders=tuple((key, text, link(order=key), key == order) for key, text in ORDERS.items()),
            examples=tuple((p, url_for("find.find", q=p)) for p in EXAMPLES) if not found else (),
            totals=totals() if not found else {},
        ),
    )


EXAMPLES = (
    "counter to the body after a missed jab",
    "slips the jab and counters with a cross",
    "lead hook on the ropes",
    "double jab then a cross in the late rounds",
)


def totals() -> dict[str, int]:
    lib = library()
    return {"fights": len(lib.fights()), "fighters": len(lib.fighters())}


def where_from(filters: dict[str, str]) -> Where:
    """Filters of an address as search filters; InputError for a round that is no number."""
    where = Where(**{k: v for k, v in filters.items() if k != "round"})
    if text := filters.get("round"):
        if text != "last" and not text.isdecimal():
            raise InputError(f"“{text}” is not a round; write a number, or “last”.")
        where = replace(where, rounds=("last" if text == "last" else int(text),))
    return where


def facet_rows(found: Found, filters: dict[str, str], link):  # type: ignore[no-untyped-def]
    for key, heading in FACETS:
        counts = found.facets.get(key, {})
        if not counts:
            continue
        longest = max(counts.values())
        if key == "round":
            rows = sorted(
                counts.items(), key=lambda kv: (not kv[0].isdecimal(), int(kv[0]) if kv[0].isdecimal() else 0)
            )
        else:
            rows = sorted(counts.items(), key=lambda kv: (-kv[1], kv[0]))
        yield (
            key,
            heading,
            tuple(
                FacetValue(
                    text=f"round {value}" if key == "round" and value.isdecimal() else value,
                    count=count,
                    chosen=filters.get(key) == value,
                    link=link(**{key: None if filters.get(key) == value else value}),
                    share=max(4, round(100 * count / longest)),
                )
                for value, count in rows[:12]
            ),
        )


@page.get("/api/find")
def api_find() -> ResponseReturnValue:
    """`cliplib find --json` over HTTP: q, the filters, order, offset, limit (at most 200)."""
    from cliplib.library import found_json

    filters = {name: request.args[name] for name in FILTERS if request.args.get(name)}
    found = library().find(
        request.args.get("q", "")[:500],
        where=where_from(filters),
        order=request.args.get("order", "fit"),
        offset=max(0, request.args.get("offset", 0, type=int)),
        limit=min(200, max(0, request.args.get("limit", 24, type=int))),
    )
    return jsonify(found_json(found))


@page.get("/api/complete")
def api_complete() -> ResponseReturnValue:
    return jsonify(library().complete(request.args.get("q", "")[:200]))


def dated(clip: ClipRow) -> str:
    return clip.date.isoformat() if isinstance(clip.date, datetime.date) else ""

"""Showing film to people: one clip after the other of a search, a reel, a theme or what was picked."""

from __future__ import annotations

from dataclasses import dataclass

from flask import Blueprint, jsonify, render_template, request, url_for
from flask.typing import ResponseReturnValue

from cliplib import JSON, ClipRow, InputError, format_clock

from ..site.here import library
from ..site.wording import happened
from .lists import Listed, listed

page = Blueprint("show", __name__, url_prefix="/show")

AHEAD = 2
"""Clips on either side that a page comes with, so that their film is fetched before it is wanted."""


@dataclass(frozen=True)
class ShowPage:
    """What show.html shows. `rows`: the clips from number `first` on, as `told` has them."""

    listed: Listed
    at: int
    first: int
    total: int
    rows: tuple[JSON, ...]
    more: str  # address of other stretches of the list
    back: str


@page.get("/")
def show() -> ResponseReturnValue:
    whole = _list()
    at = _number("at")
    first = max(0, at - AHEAD)
    total, rows = whole.page(first, 2 * AHEAD + 1)
    if total and at >= total:
        at = total - 1
        first = max(0, at - AHEAD)
        _, rows = whole.page(first, 2 * AHEAD + 1)
    here = ShowPage(
        listed=whole,
        at=at,
        first=first,
        total=total,
        rows=tuple(told(row, whole, first + n) for n, row in enumerate(rows)),
        more=whole.link("show.stretch"),
        back=whole.back(at, next((row.id for n, row in enumerate(rows, first) if n == at), None)),
    )
    return render_template("show.html", here=here)


@page.get("/list.json")
def stretch() -> ResponseReturnValue:
    """A stretch of the list: `from`, and at most 24 clips. `total` may have changed since."""
    whole, first = _list(), _number("from")
    total, rows = whole.page(first, min(24, max(1, _number("n") or 2 * AHEAD + 1)))
    return jsonify(
        {"total": total, "first": first, "rows": [told(row, whole, first + n) for n, row in enumerate(rows)]}
    )


def told(clip: ClipRow, whole: Listed, at: int) -> JSON:
    """A clip as the pages that show film want it: addresses, where it is from, what happens and when."""
    when = f"round {clip.round}" if clip.round else ""
    left = f"{format_clock(clip.clock_us)} left" if clip.clock_us is not None and clip.round else ""
    return {
        "id": clip.id,
        "at": at,
        "video": url_for("media.clip_file", clip_id=clip.id) if clip.file else None,
        "poster": url_for("media.poster_file", clip_id=clip.id),
        "frames": url_for("clip.frames", clip_id=clip.id),
        "drawings": url_for("draw.drawings", clip_id=clip.id),
        "page": whole.link("clip.show", at, clip_id=clip.id),
        "back": whole.back(at, clip.id),
        "from": ", ".join(filter(None, (clip.fight, when, left))),
        "actions": [
            {
                "text": " ".join(filter(None, (str(a["who"]), str(a["words"]), str(a["outcome"])))),
                "matched": a["matched"],
                "at": None
                if a["time"] is None or clip.start_us is None
                else int(str(a["time"])) - clip.start_us,
            }
            for a in happened(clip)
        ],
    }


def _list() -> Listed:
    whole = listed(library(), request.args)
    if whole is None:
        raise InputError("Nothing is to be shown; search for something first, or pick some clips.")
    return whole


def _number(name: str) -> int:
    return min(max(0, request.args.get(name, 0, type=int)), 1_000_000)

"""Breakdowns over JSON: list, read, begin, keep, check, put things in, put points into order."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, abort, jsonify, url_for
from flask.typing import ResponseReturnValue

from cliplib import JSON, BreakdownFile, InputError

from ..site.here import library
from .shapes import body, sent

page = Blueprint("api_breakdowns", __name__, url_prefix="/api/breakdowns")


@page.get("")
def listed() -> ResponseReturnValue:
    return jsonify([_one(one) for one in library().making.breakdowns.all()])


@page.post("")
def begin() -> ResponseReturnValue:
    given = body(("title", str), ("phrase", str))
    breakdowns = library().making.breakdowns
    name = breakdowns.new(given.get("title", ""), given.get("phrase", ""))
    return jsonify({"name": name, "seen": breakdowns.one(name).seen}), 201


@page.get("/<name>")
def read(name: str) -> ResponseReturnValue:
    breakdowns = library().making.breakdowns
    one, outline = breakdowns.one(name), breakdowns.outline(name)
    points = [point.as_json() for point in outline.points]
    return jsonify({**_one(one), "text": breakdowns.text(name), "seen": one.seen, "shown": points})


@page.put("/<name>")
def keep(name: str) -> ResponseReturnValue:
    """Keep a text; 409 if somebody kept another one since `seen`."""
    given = body(("text", str), ("seen", str))
    for needed in ("text", "seen"):
        if needed not in given:
            raise InputError(f"“{needed}” is missing")
    breakdowns = library().making.breakdowns
    breakdowns.put(name, given["text"], seen=given["seen"], typed=True)
    return jsonify({"name": name, "seen": breakdowns.one(name).seen})


@page.get("/<name>/check")
def check(name: str) -> ResponseReturnValue:
    return jsonify(library().making.breakdowns.check(name).as_json())


@page.post("/<name>/insert")
def insert(name: str) -> ResponseReturnValue:
    """Put a link into a point: a count into what is said, anything else as a shot."""
    given = body(("point", str), ("target", str), ("text", str), ("treatment", str), ("seen", str))
    breakdowns = library().making.breakdowns
    key = breakdowns.point_named(name, given.get("point", ""))
    put = breakdowns.puts.written(given.get("target", ""), given.get("text", ""), given.get("treatment", ""))
    seen = breakdowns.insert(name, key, put, seen=given.get("seen"))
    return jsonify({"name": name, "seen": seen}), 201


@page.post("/<name>/order")
def order(name: str) -> ResponseReturnValue:
    """A text with its points in another order; nothing is kept."""
    data = sent()
    if not isinstance(data, dict) or not isinstance(data.get("text"), str):
        abort(400, "Send a JSON object with a text.")
    numbers: Any = data.get("order")
    if not isinstance(numbers, list) or not all(
        isinstance(n, int) and not isinstance(n, bool) for n in numbers
    ):
        raise InputError("“order” must be a list of numbers, from 0")
    breakdowns = library().making.breakdowns
    breakdowns.one(name)
    return jsonify({"text": breakdowns.in_order(data["text"], numbers)})


def _one(one: BreakdownFile) -> JSON:
    return {
        "name": one.name,
        "title": one.title,
        "points": len(one.points),
        "private": one.private,
        "film": url_for("breakdowns.film", name=one.name) if one.film else None,
        "older": one.older,
        "problem": one.problem or None,
    }

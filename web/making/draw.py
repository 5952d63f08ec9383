"""Drawing on a clip: the page, and what its script asks for. Shapes go in and out as JSON."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, abort, jsonify, render_template, request
from flask.typing import ResponseReturnValue

from cliplib import InputError

from ..api.shapes import sent
from ..site.here import library

page = Blueprint("draw", __name__, url_prefix="/clip")

TOOLS = (
    ("change", "Change"),
    ("line", "Line"),
    ("arrow", "Arrow"),
    ("circle", "Circle"),
    ("box", "Box"),
    ("angle", "Angle"),
    ("path", "Path"),
    ("text", "Text"),
)
COLOURS = (
    ("#ffd400", "yellow"),
    ("#ffffff", "white"),
    ("#ff7a59", "orange"),
    ("#5cc8ff", "light blue"),
    ("#7be07b", "green"),
    ("#101010", "black"),
)
WIDTHS = (("0.003", "thin"), ("0.006", "medium"), ("0.012", "thick"))
LASTS = (("2", "from this frame for 2 seconds"), ("frame", "on this frame only"), ("clip", "the whole clip"))


@page.get("/<int:clip_id>/draw")
def show(clip_id: int) -> ResponseReturnValue:
    clip = library().finding.clip(clip_id)
    if clip.file is None:
        raise InputError("This fight has no footage yet; there is no picture to draw on.")
    return render_template("draw.html", clip=clip, tools=TOOLS, colours=COLOURS, widths=WIDTHS, lasts=LASTS)


@page.get("/<int:clip_id>/drawings.json")
def drawings(clip_id: int) -> ResponseReturnValue:
    """`zero`: footage time, in microseconds, of the clip's first frame; of each drawing `from` and `until` in
    seconds, and `from_us` and `until_us`, of footage time."""
    lib = library()
    return jsonify(
        {
            "zero": lib.finding.frames(clip_id).times_us[0],
            "drawings": [_told(kept) for kept in lib.making.drawings.of(clip_id)],
        }
    )


@page.post("/<int:clip_id>/drawings")
def add(clip_id: int) -> ResponseReturnValue:
    return jsonify(_told(library().making.drawings.add(clip_id, _sent()))), 201


@page.post("/<int:clip_id>/drawings/<int:drawing_id>")
def change(clip_id: int, drawing_id: int) -> ResponseReturnValue:
    return jsonify(_told(library().making.drawings.change(clip_id, drawing_id, _sent())))


@page.post("/<int:clip_id>/drawings/<int:drawing_id>/remove")
def remove(clip_id: int, drawing_id: int) -> ResponseReturnValue:
    return jsonify(_told(library().making.drawings.remove(clip_id, drawing_id)))


@page.post("/<int:clip_id>/drawings/<int:drawing_id>/restore")
def restore(clip_id: int, drawing_id: int) -> ResponseReturnValue:
    return jsonify(_told(library().making.drawings.bring_back(clip_id, drawing_id)))


@page.get("/<int:clip_id>/drawings/share.json")
def share(clip_id: int) -> ResponseReturnValue:
    """How far two drawn lines lie apart from left to right, as a share of a third."""
    try:
        three = [int(request.args[name]) for name in ("first", "second", "of")]
    except ValueError:
        raise InputError("Choose three of the lines that are drawn here.") from None
    return jsonify({"share": library().making.drawings.share(clip_id, *three)})


def _sent() -> dict[str, Any]:
    values = sent()
    if not isinstance(values, dict):
        abort(400, "A drawing is sent as a JSON object.")
    return {key: value for key, value in values.items() if key not in ("from_us", "until_us")}


def _told(kept: Any) -> dict[str, Any]:
    drawing = kept.drawing
    full = {"colour": drawing.colour, "width": drawing.width, "text": drawing.text}
    return {**full, **kept.as_json(), "from_us": drawing.from_us, "until_us": drawing.until_us}

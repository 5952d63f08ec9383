"""Talking over the film of a point: the page that records, and plays takes back."""

from __future__ import annotations

from flask import Blueprint, Response, make_response, render_template

from ..site.here import library
from .draw import COLOURS

page = Blueprint("talk", __name__, url_prefix="/breakdowns")

SPEEDS = ("0.1", "0.25", "0.5", "0.75", "1")
TOOLS = (
    ("arrow", "Arrow"),
    ("line", "Line"),
    ("circle", "Circle"),
    ("box", "Box"),
    ("path", "Path"),
    ("zoom", "Zoom"),
)


@page.get("/<name>/points/<key>/talk")
def show(name: str, key: str) -> Response:
    breakdowns = library().making.breakdowns
    breakdowns.takes(name, key)  # 404 for a point that is none
    document = breakdowns.read(name)
    point = document.point(key)
    assert point is not None
    place = [one.key for one in document.points].index(key)
    sentences: list[list[tuple[int, str]]] = []
    count = 0
    for paragraph in point.script:
        row = [text for text, _ in paragraph.sentences()]
        sentences.append(list(enumerate(row, count)))
        count += len(row)
    answer = make_response(
        render_template(
            "talk.html",
            name=name,
            document=document,
            point=point,
            number=place + 1,
            sentences=sentences,
            earlier=document.points[place - 1] if place else None,
            later=document.points[place + 1] if place + 1 < len(document.points) else None,
            speeds=SPEEDS,
            tools=TOOLS,
            colours=COLOURS,
        )
    )
    # The one page that may ask for the microphone.
    answer.headers["Permissions-Policy"] = "camera=(), microphone=(self), geolocation=()"
    return answer

"""The part of the API's description that is about breakdowns."""

from __future__ import annotations

from .document_words import (
    MAYBE_TEXT,
    TEXT,
    WHOLE,
    YES_NO,
    Shape,
    many,
    maybe,
    operation,
    ref,
    thing,
)

_OBJECT: Shape = {"type": "object"}

SCHEMAS: dict[str, Shape] = {
    "BreakdownRow": thing(
        name=TEXT, title=TEXT, points=WHOLE, private=YES_NO, film=MAYBE_TEXT, older=YES_NO, problem=MAYBE_TEXT
    ),
    "Breakdown": thing(
        name=TEXT, title=TEXT, points=WHOLE, private=YES_NO, film=MAYBE_TEXT, older=YES_NO,
        problem=MAYBE_TEXT, text=TEXT, seen=TEXT, shown=many(ref("Point")),
    ),
    "Point": thing(
        key=TEXT, heading=TEXT, line=WHOLE, said=many(TEXT), counts=many(ref("Recount")),
        shots=many(
            thing(
                label=TEXT, target=TEXT, treatment=TEXT, line=WHOLE, clips=many(WHOLE), said=many(TEXT)
            )
        ),
        takes=many(TEXT),
    ),
    "Recount": thing(
        point=TEXT, line=WHOLE, target=TEXT, written=TEXT, now=MAYBE_TEXT, drift=YES_NO,
        interval=maybe(_OBJECT), clips=many(WHOLE), new=many(WHOLE), gone=many(WHOLE), problem=MAYBE_TEXT,
        said=TEXT,
    ),
    "BreakdownCheck": thing(
        name=TEXT, well=YES_NO, problems=many(TEXT), kept=many(TEXT), counts=many(ref("Recount")),
        comparisons=many(_OBJECT), shots=many(_OBJECT), takes=many(TEXT), updated=many(TEXT),
    ),
    "BreakdownKept": thing(name=TEXT, seen=TEXT),
    "BreakdownText": thing(text=TEXT),
    "NewBreakdown": thing(("phrase",), title=TEXT, phrase=TEXT),
    "BreakdownChange": thing(text=TEXT, seen=TEXT),
    "Insert": thing(
        ("text", "treatment", "seen"), point=TEXT, target=TEXT, text=TEXT, treatment=TEXT, seen=TEXT
    ),
    "Order": thing(text=TEXT, order=many({"type": "integer", "minimum": 0})),
}  # fmt: skip


def paths() -> dict[str, Shape]:
    name: Shape = {
        "name": "name",
        "in": "path",
        "required": True,
        "schema": {"type": "string", "minLength": 1},
    }
    return {
        "/api/breakdowns": {
            "get": operation("Every breakdown.", many(ref("BreakdownRow"))),
            "post": operation(
                "Begin one, perhaps with what a phrase finds.",
                ref("BreakdownKept"), body="NewBreakdown", status="201", changes=True,
            ),
        },
        "/api/breakdowns/{name}": {
            "get": operation("One, with its text and its points as they are shown.", ref("Breakdown"), name),
            "put": operation(
                "Keep a text. `seen` is of the text that was changed; 409 if another was kept since.",
                ref("BreakdownKept"), name, body="BreakdownChange", changes=True,
            ),
        },
        "/api/breakdowns/{name}/check": {
            "get": operation("Every count counted anew, every shot looked for.", ref("BreakdownCheck"), name)
        },
        "/api/breakdowns/{name}/insert": {
            "post": operation(
                "Put a link into a point, by its number, key or heading: a count into what is said, anything "
                "else as a shot. Without a text, a count is written as it is now.",
                ref("BreakdownKept"), name, body="Insert", status="201", changes=True,
            )
        },
        "/api/breakdowns/{name}/order": {
            "post": operation(
                "A text with its points in another order, by their numbers from 0; nothing is kept.",
                ref("BreakdownText"), name, body="Order", changes=True,
            )
        },
    }  # fmt: skip

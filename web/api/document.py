"""The OpenAPI 3.1 document of everything under /api, as data. Tests hold it against routes and answers."""

from __future__ import annotations

from cliplib import __version__

from . import document_breakdowns, document_evidence, document_talk
from .document_words import (
    COUNTS,
    MAYBE_NUMBER,
    MAYBE_TEXT,
    MAYBE_WHOLE,
    NUMBER,
    PLACE,
    TEXT,
    WHOLE,
    YES_NO,
    Shape,
    in_path,
    in_query,
    many,
    operation,
    ref,
    thing,
)

SCHEMAS: dict[str, Shape] = {
    "Problem": thing(error=TEXT, message=TEXT),
    "Step": thing(
        _open=True, by=WHOLE, technique=TEXT, within=MAYBE_NUMBER,
        **dict.fromkeys(
            ("fighter", "stance", "hand", "side", "target", "outcome", "role", "direction"), MAYBE_TEXT
        ),
    ),
    "Reading": thing(
        _open=True, phrase=TEXT, said=TEXT, steps=many(ref("Step")), where={"type": "object"},
        unread=many(TEXT),
    ),
    "Action": thing(
        ("inferred",), inferred=many(TEXT), time=MAYBE_NUMBER, technique=TEXT, roles=many(TEXT),
        **dict.fromkeys(("fighter", "hand", "side", "target", "outcome", "direction"), MAYBE_TEXT),
    ),
    "Clip": thing(
        ("view", "view_of"), view=YES_NO, view_of=MAYBE_WHOLE,
        id=WHOLE, fight=TEXT, round=MAYBE_WHOLE, start=MAYBE_NUMBER, end=MAYBE_NUMBER,
        start_frame=MAYBE_WHOLE, end_frame=MAYBE_WHOLE, actions=many(ref("Action")),
        matches=many(many(WHOLE)), video=MAYBE_TEXT, picture=MAYBE_TEXT,
    ),
    "Found": thing(
        reading=ref("Reading"), total=WHOLE, clips=many(ref("Clip")),
        facets={"type": "object", "additionalProperties": COUNTS},
    ),
    "Similar": thing(id=WHOLE, distance=NUMBER, explanation=TEXT),
    "Corner": thing(name=TEXT, stance=MAYBE_TEXT),
    "Fight": thing(
        ("clip_ids", "periods", "parts", "marks"),
        periods=many({"type": "object"}), parts=many({"type": "object"}), marks=many({"type": "object"}),
        id=WHOLE, title=TEXT, date=MAYBE_TEXT, event=MAYBE_TEXT, red=ref("Corner"),
        blue=ref("Corner"), rounds=MAYBE_WHOLE, winner=MAYBE_TEXT, method=MAYBE_TEXT, exchanges=WHOLE,
        clips=WHOLE, footage=YES_NO, logs=many(thing(file=TEXT, by=MAYBE_TEXT)), clip_ids=many(WHOLE),
    ),
    "Reel": thing(name=TEXT, title=TEXT, said=TEXT, clips=WHOLE, seconds=NUMBER, made=TEXT, video=TEXT),
    "Offer": thing(text=TEXT, number=TEXT),
    "Session": thing(role=TEXT, by=MAYBE_TEXT, form_key=TEXT),
    "Line": thing(
        id=WHOLE, frame=MAYBE_WHOLE, time=MAYBE_NUMBER, fighter=MAYBE_TEXT, action=TEXT, note=TEXT,
        more={"type": "object", "additionalProperties": TEXT}, problem=TEXT,
    ),
    "Lines": thing(lines=many(ref("Line")), waiting=WHOLE),
    "Next": thing(going_on=many(PLACE), opening=many(PLACE), until=MAYBE_NUMBER),
    "Saved": thing(line=ref("Line"), next=ref("Next")),
    "Checked": thing(
        complete=YES_NO, actions=many(thing(fighter=MAYBE_TEXT, said=TEXT)),
        unread=many(thing(text=TEXT, start=WHOLE, end=WHOLE, meant=many(TEXT))), because=MAYBE_TEXT,
        instead=many(TEXT),
    ),
    "Frames": thing(frames=WHOLE, time_base=PLACE, steps=many(PLACE)),
    "Film": thing(
        seconds=NUMBER, looked=MAYBE_TEXT, other=YES_NO, notes=many(TEXT), rounds=many(many(NUMBER)),
        parts=many({"type": "object"}), proposals=many({"type": "object"}), decided=WHOLE,
        quiet={"type": ["object", "null"]},
    ),
    "Decision": thing(
        ("by", "first", "last"), by=TEXT, decision={"enum": ["accept", "refuse", "undo"]},
        first={"type": "integer", "minimum": 0}, last={"type": "integer", "minimum": 0},
    ),
    "Decider": thing(("by",), by=TEXT),
    "Waiting": thing(waiting=WHOLE),
    "Upload": thing(key=TEXT, offset=WHOLE, size=WHOLE),
    "NewUpload": thing(size={"type": "integer", "minimum": 1}),
    "NewLine": thing(
        ("by", "action", "fighter", "note"), by=TEXT, frame={"type": "integer", "minimum": 0}, action=TEXT,
        fighter=TEXT, note=TEXT,
    ),
    "LineChange": thing(
        ("by", "frame", "action", "fighter", "note"), by=TEXT, frame={"type": "integer", "minimum": 0},
        action=TEXT, fighter=TEXT, note=TEXT,
    ),
}  # fmt: skip


def document() -> Shape:
    evidence_paths, evidence_shapes = document_evidence.parts()
    talk_paths, talk_shapes = document_talk.parts()
    fight, line, clip = in_path("fight_id"), in_path("line_id"), in_path("clip_id")
    proposal = in_path("proposal_id")
    upload: Shape = {
        "name": "key",
        "in": "path",
        "required": True,
        "schema": {"type": "string", "minLength": 1},
    }
    q = in_query("q", "A phrase, as one says it in the gym.")
    by = in_query("by", "Whose log. Where the library is shared: whoever signed in, and may be left out.")
    filters = [
        in_query(name, f"Only with this {name.replace('_', ' ')}; see the counts under facets.")
        for name in (
            "technique", "fighter", "outcome", "stance", "opponent", "opponent_stance", "fight", "place",
        )
    ]  # fmt: skip
    filters += [
        in_query(side, f"Only {side} the period of that name.") for side in ("before", "during", "after")
    ]
    filters.append(in_query("views", "What lies in replays, else left out.", {"enum": ["too", "only"]}))
    paths: dict[str, Shape] = {
        "/api/openapi.json": {"get": operation("This document.", {"type": "object"})},
        "/api/session": {"get": operation("Who one is here, and the key for changes.", ref("Session"))},
        "/api/find": {
            "get": operation(
                "The exchanges that a phrase describes, with counts of all of them.",
                ref("Found"),
                q,
                *filters,
                in_query("round", "A number, or “last”."),
                in_query("order", "Their order.", {"enum": ["fit", "date", "round", "fighter"]}),
                in_query("offset", "How many to pass over.", {"type": "integer", "minimum": 0}),
                in_query("limit", "How many to list.", {"type": "integer", "minimum": 0, "maximum": 200}),
            )
        },
        "/api/complete": {"get": operation("Phrases that begin as this does.", many(TEXT), q)},
        "/api/explain": {"get": operation("How a phrase is read.", ref("Reading"), q)},
        "/api/clips/{clip_id}": {"get": operation("One clip.", ref("Clip"), clip, q)},
        "/api/clips/{clip_id}/similar": {
            "get": operation(
                "Exchanges with a like course of actions, the nearest first.",
                many(ref("Similar")),
                clip,
                in_query("limit", "How many.", {"type": "integer", "minimum": 0, "maximum": 100}),
            )
        },
        "/api/fights": {"get": operation("Every fight.", many(ref("Fight")))},
        "/api/fights/{fight_id}": {"get": operation("One fight.", ref("Fight"), fight)},
        "/api/reels": {"get": operation("The reels that are kept.", many(ref("Reel")))},
        "/api/offers": {"get": operation("What can be picked when logging.", many(ref("Offer")))},
        "/api/fights/{fight_id}/frames": {
            "get": operation("When each frame of the footage is shown.", ref("Frames"), fight)
        },
        "/api/fights/{fight_id}/lines": {
            "get": operation("The lines of somebody's own log.", ref("Lines"), fight, by),
            "post": operation(
                "Log what happens at a frame. Answered when it is on the disk.",
                ref("Saved"), fight, body="NewLine", status="201", changes=True,
            ),
        },
        "/api/fights/{fight_id}/lines/{line_id}": {
            "patch": operation("Change a line.", ref("Saved"), fight, line, body="LineChange", changes=True),
            "delete": operation("Remove a line.", None, fight, line, by, status="204", changes=True),
        },
        "/api/fights/{fight_id}/check": {
            "get": operation(
                "How a line would be read.", ref("Checked"), fight,
                in_query("text", "The line."), in_query("fighter", "The full name of who it is about."),
            )
        },
        "/api/fights/{fight_id}/next": {
            "get": operation(
                "What usually comes next: places of the fighter (red 0, blue 1) and in /api/offers.",
                ref("Next"), fight, by,
                in_query("frame", "Where in the footage.", {"type": "integer", "minimum": 0}),
            )
        },
        "/api/uploads": {
            "post": operation(
                "Expect footage of some size.", ref("Upload"), body="NewUpload", status="201", changes=True
            )
        },
        "/api/uploads/{key}": {
            "get": operation("How much of it is here.", ref("Upload"), upload),
            "patch": {
                **operation(
                    "The next piece, at most 1 MiB; 409 if it does not begin where the last one ended.",
                    ref("Upload"),
                    upload,
                    {
                        "name": "Upload-Offset", "in": "header", "required": True,
                        "schema": {"type": "integer", "minimum": 0, "maximum": 10**14},
                    },
                    changes=True,
                ),
                "requestBody": {
                    "required": True,
                    "content": {
                        "application/octet-stream": {"schema": {"type": "string", "format": "binary"}}
                    },
                },
            },
            "delete": operation("Forget it.", None, upload, status="204", changes=True),
        },
        "/api/fights/{fight_id}/film": {
            "get": operation("The film's parts, and what is proposed of it.", ref("Film"), fight)
        },
        "/api/fights/{fight_id}/proposals/{proposal_id}": {
            "post": operation(
                "Decide what is proposed: accept, also as other frames, refuse, or undo.",
                ref("Film"), fight, proposal, body="Decision", changes=True,
            )
        },
        "/api/fights/{fight_id}/proposals/both": {
            "post": operation(
                "Accept all that both sources say.", ref("Film"), fight, body="Decider", changes=True
            )
        },
        "/api/fights/{fight_id}/cut": {
            "post": operation("Cut what waits.", ref("Waiting"), fight, status="202", changes=True)
        },
    }  # fmt: skip
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "cliplib",
            "version": __version__,
            "description": "A clip library for boxing film study. Times are seconds of footage time, frames "
            "count from 0 in presentation order, spans are half-open. Unknown is null.",
        },
        "paths": paths | evidence_paths | talk_paths | document_breakdowns.paths(),
        "components": {
            "schemas": SCHEMAS | evidence_shapes | talk_shapes | document_breakdowns.SCHEMAS,
            "securitySchemes": {
                "form_key": {"type": "apiKey", "in": "header", "name": "X-Form-Key"},
            },
        },
    }

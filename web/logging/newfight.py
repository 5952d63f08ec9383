"""A new fight: who, when, and footage that is here or is sent in pieces."""

from __future__ import annotations

from dataclasses import fields

from flask import Blueprint, abort, jsonify, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from cliplib import JSON, InputError, NewFight, Upload

from ..api.shapes import body
from ..site.here import library

page = Blueprint("new", __name__)


@page.get("/fights/new")
def show() -> ResponseReturnValue:
    blank = NewFight("", "", "", round_seconds="180", rest_seconds="60")
    return render_template(
        "new.html", new=blank, problem="", candidates=library().logging.new_fights.candidates()
    )


@page.post("/fights/new")
def make() -> ResponseReturnValue:
    new = NewFight(**{f.name: request.form.get(f.name, "").strip()[:300] for f in fields(NewFight)})
    lib = library()
    try:
        fight_id = lib.logging.new_fights.make(
            new, footage=request.form.get("footage", ""), upload=request.form.get("upload", "")
        )
    except InputError as problem:
        kept = lib.logging.new_fights.candidates()
        return render_template("new.html", new=new, problem=str(problem), candidates=kept), 400
    return redirect(url_for("log.show", fight_id=fight_id), 303)


@page.post("/api/uploads")
def begin() -> ResponseReturnValue:
    said = body(("size", int))
    if "size" not in said:
        raise InputError("Say how many bytes the file has.")
    return jsonify(_state(library().logging.new_fights.begin(said["size"]))), 201


@page.get("/api/uploads/<key>")
def state(key: str) -> ResponseReturnValue:
    """How much is here, to go on after a break."""
    return jsonify(_state(library().logging.new_fights.upload(key)))


@page.patch("/api/uploads/<key>")
def append(key: str) -> ResponseReturnValue:
    """The next piece, at most 1 MiB, as it is; `Upload-Offset` says where it begins."""
    offset = request.headers.get("Upload-Offset", "")
    if not (offset.isascii() and offset.isdecimal() and len(offset) < 16):
        abort(400, "The header Upload-Offset must say where the piece begins.")
    return jsonify(_state(library().logging.new_fights.append(key, int(offset), request.get_data())))


@page.delete("/api/uploads/<key>")
def drop(key: str) -> ResponseReturnValue:
    library().logging.new_fights.drop(key)
    return "", 204


def _state(upload: Upload) -> JSON:
    return {"key": upload.key, "offset": upload.offset, "size": upload.size}

"""Takes over JSON: a point's shots, recording piece by piece, and what was recorded.

Everything here needs the role for logging, reading too: a take is a draft, and may name anybody.
"""

from __future__ import annotations

import re
from pathlib import Path

from flask import Blueprint, Response, abort, jsonify, request, url_for
from flask.typing import ResponseReturnValue

from cliplib import JSON, ClipLibError, InputError, NotFoundError

from ..site.here import library
from ..site.ranges import Answer, files_as_one
from .shapes import body, whole

page = Blueprint("api_talk", __name__, url_prefix="/api/breakdowns/<name>/points/<key>")

_SOUND = re.compile(r"audio/[a-z0-9.+-]{1,40}")
_SAME = {"audio/m4a": "audio/mp4", "audio/mp3": "audio/mpeg", "audio/opus": "audio/ogg"}


@page.get("/shots")
def shots(name: str, key: str) -> ResponseReturnValue:
    """What can be talked over now, in order."""
    return jsonify(_shots(name, key))


@page.get("/takes")
def takes(name: str, key: str) -> ResponseReturnValue:
    return jsonify([one.as_json() for one in library().making.breakdowns.takes(name, key).all()])


@page.post("/takes")
def begin(name: str, key: str) -> ResponseReturnValue:
    """A take to record into; or, with `upload`, the sound file that was sent under that key as a take."""
    said = body(("upload", str), ("file", str))
    breakdowns = library().making.breakdowns
    if "upload" not in said:
        return jsonify({"take": breakdowns.begin_take(name, key)}), 201
    title = Path(said.get("file", "")).name[:200]
    uploads = library().logging.new_fights
    path = uploads.uploaded(said["upload"])
    try:
        take = breakdowns.takes(name, key).bring(path, name=title)
    except ClipLibError as problem:
        raise type(problem)(str(problem).replace(str(path), title or "the file")) from problem
    uploads.drop(said["upload"])
    return jsonify({"take": take}), 201


@page.get("/takes/<take>")
def one(name: str, key: str, take: str) -> ResponseReturnValue:
    """A take: its shots, and what is used of which recording, in microseconds of the take."""
    told = library().making.breakdowns.takes(name, key).take(take)
    recordings = [
        {
            "begins": one.begins, "length": one.length, "sound_begins": one.sound_begins,
            "kind": one.kind, "pieces": len(one.pieces), "ended": one.ended,
        }
        for one in told.recordings
    ]  # fmt: skip
    return jsonify(
        {
            "take": told.name,
            "length": told.us,
            "sound_file": told.given,
            "shots": _shots(name, key, take),
            "recordings": recordings,
            "used": [list(one) for one in told.used()],
            "notes": list(told.notes),
        }
    )


@page.delete("/takes/<take>")
def remove(name: str, key: str, take: str) -> ResponseReturnValue:
    library().making.breakdowns.takes(name, key).remove(take)
    return "", 204


@page.post("/takes/<take>/choose")
def choose(name: str, key: str, take: str) -> ResponseReturnValue:
    library().making.breakdowns.takes(name, key).choose(take)
    return "", 204


# --- recording: what was answered is on the disk ------------------------------------------------------------


@page.post("/takes/<take>/recordings")
def record(name: str, key: str, take: str) -> ResponseReturnValue:
    """Begin a recording at a moment of the take; it takes the place of what was there from then on."""
    said = body(("at", int), ("kind", str), ("sound_begins", int))
    at, sound_begins = said.get("at", 0), said.get("sound_begins", 0)
    if not 0 <= sound_begins <= 60_000_000:
        raise InputError("“sound_begins” must be microseconds of the recording's first minute")
    takes = library().making.breakdowns.takes(name, key)
    return jsonify({"recording": takes.record(take, at, said.get("kind", ""), sound_begins)}), 201


@page.get("/takes/<take>/recordings/<int:recording>/sound")
def sound(name: str, key: str, take: str, recording: int) -> Response:
    """All pieces of a recording's sound as one file, whole or in parts (Range)."""
    told = library().making.breakdowns.takes(name, key).take(take)
    if not (recording < len(told.recordings) and told.recordings[recording].pieces):
        raise NotFoundError(f"recording {recording} of take {take} has no sound")
    found = told.recordings[recording]
    kind = found.kind.partition(";")[0].strip().lower()
    kind = _SAME.get(kind, kind) if _SOUND.fullmatch(kind) else "application/octet-stream"
    try:
        return files_as_one(found.sound, [piece.bytes for piece in found.pieces], kind)
    except OSError:
        raise NotFoundError("a piece of that sound is not there any more") from None


@page.post("/takes/<take>/recordings/<int:recording>/sound")
def put_sound(name: str, key: str, take: str, recording: int) -> ResponseReturnValue:
    """The next piece of sound, at most 1 MiB, as it is. One that is there already is passed over."""
    piece, clock = whole("piece", 0, most=10**8), whole("clock", 0, most=10**12)
    data = request.get_data()
    if not data:
        abort(400, "A piece of sound has at least one byte.")
    takes = library().making.breakdowns.takes(name, key)
    return jsonify({"stored": takes.put_sound(take, recording, piece, clock, data)})


@page.get("/takes/<take>/recordings/<int:recording>/picture")
def picture(name: str, key: str, take: str, recording: int) -> Response:
    """What was on the picture, a line of JSON each."""
    lines = library().making.breakdowns.takes(name, key).lines(take, recording)
    return Answer("".join(line + "\n" for line in lines), mimetype="application/jsonl")


@page.post("/takes/<take>/recordings/<int:recording>/picture")
def put_picture(name: str, key: str, take: str, recording: int) -> ResponseReturnValue:
    """Lines of picture data, of which the first is number `first`. Those that are there are passed over."""
    said = body(("first", int), ("lines", list))
    first = said.get("first", 0)
    if first < 0:
        raise InputError("“first” must be a whole number from 0")
    takes = library().making.breakdowns.takes(name, key)
    return jsonify({"stored": takes.put_picture(take, recording, first, said.get("lines", []))})


@page.post("/takes/<take>/recordings/<int:recording>/end")
def end(name: str, key: str, take: str, recording: int) -> ResponseReturnValue:
    """It ended, after so many microseconds by its own clock."""
    said = body(("length", int))
    if "length" not in said:
        raise InputError("Say how long the recording was: “length”, in microseconds.")
    library().making.breakdowns.takes(name, key).end(take, recording, said["length"])
    return "", 204


ONLY_FOR_LOGS = frozenset(f"api_talk.{view.__name__}" for view in (shots, takes, one, sound, picture))


def _shots(name: str, key: str, take: str = "") -> list[JSON]:
    """With the addresses of what a player needs."""
    told = []
    for shot in library().making.breakdowns.shots(name, key, take):
        said = shot.as_json()
        for pane in said["panes"]:
            clip = pane["clip"]
            pane["video"] = url_for("media.clip_file", clip_id=clip)
            pane["frames"] = url_for("clip.frames", clip_id=clip)
            pane["poster"] = url_for("media.poster_file", clip_id=clip)
        still = url_for("breakdowns.chart", of=shot.still) if shot.still else None
        told.append({**said, "still": still})
    return told

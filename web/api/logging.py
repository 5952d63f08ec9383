"""Logging over JSON: lines of one's own log, how they are read, what usually comes next."""

from __future__ import annotations

import numpy as np
from flask import Blueprint, jsonify, request
from flask.typing import ResponseReturnValue

from cliplib import JSON, InputError, LogError, LogLine, Offers, to_seconds

from ..site.here import cuts, library
from ..site.signin import who
from .shapes import body

page = Blueprint("api_log", __name__, url_prefix="/api/fights/<int:fight_id>")


@page.get("/frames")
def frames(fight_id: int) -> ResponseReturnValue:
    """When each frame of the footage is shown, as runs of equal steps: [ticks, how often]."""
    timeline = library().logging.live.timeline(fight_id)
    steps = np.diff(np.append(timeline.pts, timeline.end))
    starts = np.flatnonzero(np.diff(steps, prepend=steps[:1] - 1))
    sizes = np.diff(np.append(starts, len(steps)))
    return jsonify(
        {
            "frames": len(timeline),
            "time_base": [timeline.time_base.numerator, timeline.time_base.denominator],
            "steps": [[int(steps[at]), int(size)] for at, size in zip(starts, sizes, strict=True)],
        }
    )


@page.get("/lines")
def lines(fight_id: int) -> ResponseReturnValue:
    log = library().logging.live
    return jsonify(
        {
            "lines": [_line(line) for line in log.lines(fight_id, who(request.args.get("by", "")))],
            "waiting": log.waiting(fight_id),
        }
    )


@page.post("/lines")
def add(fight_id: int) -> ResponseReturnValue:
    """The answer comes when the line is on the disk."""
    said = body(("by", str), ("frame", int), ("action", str), ("fighter", str), ("note", str))
    by = who(said.get("by", ""))
    if "frame" not in said or ("action" not in said and "note" not in said):
        raise InputError("A line needs its frame, and its action or a note.")
    try:
        line = library().logging.live.add(
            fight_id,
            by,
            said["frame"],
            said.get("action", ""),
            fighter=said.get("fighter", ""),
            note=said.get("note", ""),
        )
    except LogError as refused:
        raise _in_words("Not logged", refused, fight_id, said["frame"]) from refused
    cuts().later(fight_id)
    return jsonify({"line": _line(line), "next": _offers(fight_id, by, line.frame or 0)}), 201


@page.patch("/lines/<int:line_id>")
def change(fight_id: int, line_id: int) -> ResponseReturnValue:
    said = body(("by", str), ("frame", int), ("action", str), ("fighter", str), ("note", str))
    by = who(said.pop("by", ""))
    try:
        line = library().logging.live.change(fight_id, by, line_id, **said)
    except LogError as refused:
        raise _in_words("Not changed", refused, fight_id, said.get("frame")) from refused
    cuts().later(fight_id)
    return jsonify({"line": _line(line), "next": _offers(fight_id, by, line.frame or 0)})


@page.delete("/lines/<int:line_id>")
def remove(fight_id: int, line_id: int) -> ResponseReturnValue:
    library().logging.live.remove(fight_id, who(request.args.get("by", "")), line_id)
    cuts().later(fight_id)
    return "", 204


@page.get("/check")
def check(fight_id: int) -> ResponseReturnValue:
    """How a line would be read; offsets count characters of the text (Unicode code points)."""
    text = request.args.get("text", "")
    checked = library().logging.live.check(fight_id, text, request.args.get("fighter", ""))
    return jsonify(
        {
            "complete": checked.complete,
            "actions": [{"fighter": fighter, "said": said} for fighter, said in checked.actions],
            "unread": [
                {"text": u.text, "start": u.start, "end": u.end, "meant": list(u.meant)}
                for u in checked.unread
            ],
            "because": checked.because or None,
            "instead": list(checked.instead),
        }
    )


@page.get("/next")
def coming(fight_id: int) -> ResponseReturnValue:
    frame = request.args.get("frame", "0")
    if not (frame.isascii() and frame.isdecimal() and len(frame) < 10):
        raise InputError(f"“{frame[:20]}” is not a frame; write its number")
    return jsonify(_offers(fight_id, who(request.args.get("by", "")), int(frame)))


@page.post("/cut")
def cut(fight_id: int) -> ResponseReturnValue:
    """Cut what is waiting, now instead of after a pause; `lines` tells how many still wait."""
    waiting = library().logging.live.waiting(fight_id)
    if waiting:
        cuts().now(fight_id)
    return jsonify({"waiting": waiting}), 202


def _in_words(what: str, refused: LogError, fight_id: int, frame: int | None) -> InputError:
    """Why a line was not taken and what to do, for somebody who sees the film and no file."""
    why = "; ".join(
        f"{p.message} (did you mean “{p.meant}”?)" if p.meant else p.message for p in refused.problems
    )
    info = library().finding.fight(fight_id).info
    if frame is not None and info.bells is not None:
        us = library().logging.live.timeline(fight_id).us_of(frame)
        if info.bells.from_footage(us) is None:
            return InputError(
                f"{what}: {why}. Move the film into a round; “Round” above the strip jumps to a bell. "
                "Is the bell itself wrong? Correct it in the fight's fight.toml and ingest the fight again."
            )
    return InputError(f"{what}: {why}.")


def _line(line: LogLine) -> JSON:
    return {
        "id": line.id,
        "frame": line.frame,
        "time": None if line.time_us is None else to_seconds(line.time_us),
        "fighter": line.fighter or None,
        "action": line.action,
        "note": line.note,
        "more": dict(line.more or {}),
        "problem": line.problem,
    }


def _offers(fight_id: int, by: str, frame: int) -> JSON:
    timeline = library().logging.live.timeline(fight_id)
    us = timeline.us_of(min(frame, len(timeline) - 1))
    offers: Offers = library().logging.next_lines.after(fight_id, by, us)
    return {
        "going_on": [list(one) for one in offers.going_on],
        "opening": [list(one) for one in offers.opening],
        "until": None if offers.until_us is None else to_seconds(offers.until_us),
    }

"""What the JSON over HTTP has differently from the commands': addresses instead of the server's files."""

from __future__ import annotations

from typing import Any

from flask import abort, request, url_for

from cliplib import JSON, InputError


def served_clip(clip: JSON) -> JSON:
    """A clip with the addresses of its video and picture; not where the server keeps them."""
    plain = {name: value for name, value in clip.items() if name not in ("file", "poster")}
    plain["video"] = url_for("media.clip_file", clip_id=clip["id"]) if clip["file"] else None
    plain["picture"] = url_for("media.poster_file", clip_id=clip["id"]) if clip["poster"] else None
    return plain


def served_found(found: JSON) -> JSON:
    """A page of results; see `served_clip`."""
    return {**found, "clips": [served_clip(clip) for clip in found["clips"]]}


def whole(name: str, usual: int, *, most: int) -> int:
    """A whole number of the address, at most `most`; InputError for anything else."""
    text = request.args.get(name, "")
    if not text:
        return usual
    if not (text.isascii() and text.isdecimal() and len(text) <= len(str(most)) and int(text) <= most):
        raise InputError(f"“{name}” must be a whole number from 0 to {most}")
    return int(text)


def sent() -> Any:
    """The JSON that was sent, None for what is none, or is nested deeper than anything of ours."""
    try:
        return request.get_json(silent=True)
    except RecursionError:
        return None


def body(*known: tuple[str, type]) -> dict[str, Any]:
    """The JSON object that was sent, each value of the type it must have; 400 for anything else."""
    data = sent()
    if not isinstance(data, dict):
        abort(400, "Send a JSON object.")
    kinds = dict(known)
    for name, value in data.items():
        if name not in kinds:
            raise InputError(f"“{name[:40]}” is not asked for; there are {', '.join(kinds)}")
        if not isinstance(value, kinds[name]) or isinstance(value, bool):
            what = {int: "a whole number", str: "text"}.get(kinds[name], "a list")
            raise InputError(f"“{name}” must be {what}")
        if isinstance(value, int) and abs(value) > 1 << 40:
            raise InputError(f"“{name}” is out of reach")
    return data

"""What the JSON over HTTP has differently from the commands': addresses instead of the server's files."""

from __future__ import annotations

from flask import request, url_for

from cliplib.errors import InputError
from cliplib.models import JSON


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
    if not (text.isascii() and text.isdecimal() and len(text) < 10 and int(text) <= most):
        raise InputError(f"“{name}” must be a whole number from 0 to {most}")
    return int(text)

"""Clips and posters over HTTP. A request names a number, never a file."""

from __future__ import annotations

from pathlib import Path

from flask import Blueprint, Response, send_file

from cliplib import NotFoundError

from .here import library

page = Blueprint("media", __name__)


@page.get("/clips/<int:clip_id>.mp4")
def clip_file(clip_id: int) -> Response:
    return _send(library().finding.clip(clip_id).file, "video/mp4", "has not been cut yet")


@page.get("/clips/<int:clip_id>.jpg")
def poster_file(clip_id: int) -> Response:
    return _send(library().finding.clip(clip_id).poster, "image/jpeg", "has no poster yet")


def _send(path: Path | None, kind: str, lacking: str) -> Response:
    if path is None or not path.exists():
        raise NotFoundError(f"This clip {lacking}.")
    answer = send_file(path, mimetype=kind, conditional=True, max_age=3600)
    answer.headers["Cache-Control"] = "private, no-cache"  # revalidated by ETag: a recut shows at once
    return answer

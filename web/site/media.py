"""Clips and posters over HTTP. A request names a number, never a file."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from flask import Blueprint, Response, send_file

from cliplib.core.errors import NotFoundError

from .here import library

page = Blueprint("media", __name__)

LONGEST_PART = 1 << 20
"""Bytes of one partial answer. A player asks for the rest when it wants it; an open-ended answer instead
keeps a server thread waiting while the player is paused, and a dozen paused players stop the server."""

_RANGE = re.compile(r"bytes=(\d+)-(\d*)")

WSGI = Callable[[dict[str, Any], Any], Iterable[bytes]]


def cap_ranges(app: WSGI) -> WSGI:
    """Shorten every byte range asked for to `LONGEST_PART` (RFC 9110 lets a server send less than asked)."""

    def capped(environ: dict[str, Any], start: Any) -> Iterable[bytes]:
        asked = _RANGE.fullmatch(environ.get("HTTP_RANGE", ""))
        if asked and len(asked[1]) < 16 and len(asked[2]) < 16:
            first = int(asked[1])
            last = min(int(asked[2] or first + LONGEST_PART), first + LONGEST_PART - 1)
            environ["HTTP_RANGE"] = f"bytes={first}-{max(first, last)}"
        return app(environ, start)

    return capped


@page.get("/clips/<int:clip_id>.mp4")
def clip_file(clip_id: int) -> Response:
    return _send(library().clip(clip_id).file, "video/mp4", "has not been cut yet")


@page.get("/clips/<int:clip_id>.jpg")
def poster_file(clip_id: int) -> Response:
    return _send(library().clip(clip_id).poster, "image/jpeg", "has no poster yet")


def _send(path: Path | None, kind: str, lacking: str) -> Response:
    if path is None or not path.exists():
        raise NotFoundError(f"This clip {lacking}.")
    answer = send_file(path, mimetype=kind, conditional=True, max_age=3600)
    answer.headers["Cache-Control"] = "private, no-cache"  # revalidated by ETag: a recut shows at once
    return answer

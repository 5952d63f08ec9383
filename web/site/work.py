"""Long work that a page began: watch it, cancel it, and go on to what came of it."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator

from flask import Blueprint, Response, abort, redirect, render_template, stream_with_context, url_for
from flask.typing import ResponseReturnValue

from .here import jobs

page = Blueprint("work", __name__, url_prefix="/work")

_WATCHERS = threading.BoundedSemaphore(3)
"""Who may keep a thread of the server while work goes on. Others are told how it stands and ask again."""


@page.get("/<key>")
def watch(key: str) -> ResponseReturnValue:
    job = jobs().get(key) or abort(404, "This work is no longer known here; look under Reels.")
    if job.state == "done":
        return redirect(job.result)
    return render_template("making.html", job=job)


@page.get("/<key>/events")
def events(key: str) -> Response:
    """Progress as server-sent events (WHATWG HTML, section 9.2)."""
    job = jobs().get(key) or abort(404)

    def stream() -> Iterator[str]:
        if not _WATCHERS.acquire(blocking=False):
            yield f"retry: 1000\ndata: {json.dumps(job.snapshot())}\n\n"
            return
        try:
            for now in job.watch():
                yield ": still here\n\n" if now is None else f"data: {json.dumps(now)}\n\n"
        finally:
            _WATCHERS.release()

    return Response(
        stream_with_context(stream()),
        mimetype="text/event-stream",
        headers={"Cache-Control": "no-store", "X-Accel-Buffering": "no"},
    )


@page.post("/<key>/cancel")
def cancel(key: str) -> ResponseReturnValue:
    job = jobs().get(key) or abort(404)
    job.cancel.set()
    return redirect(url_for("work.watch", key=key), 303)

"""Long work that a page began: watch it, cancel it, and go on to what came of it."""

from __future__ import annotations

import json
from collections.abc import Iterator

from flask import Blueprint, Response, abort, redirect, render_template, stream_with_context, url_for
from flask.typing import ResponseReturnValue

from .here import jobs

page = Blueprint("work", __name__, url_prefix="/work")


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
        for now in job.watch():
            yield ": still here\n\n" if now is None else f"data: {json.dumps(now)}\n\n"

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

"""Reels: build one from ticked clips or from a whole search, watch it being made, play it, download it."""

from __future__ import annotations

import json
from collections.abc import Iterator

from flask import Blueprint, Response, abort, redirect, render_template, request, send_file, url_for
from flask.typing import ResponseReturnValue

from cliplib.errors import InputError
from cliplib.progress import Progress

from .here import jobs, library

page = Blueprint("reels", __name__, url_prefix="/reels")

LONGEST = 200
"""Clips in one reel from the pages; the command line has no such limit."""


@page.get("/")
def index() -> ResponseReturnValue:
    return render_template("reels.html", reels=library().reels())


@page.post("/")
def build() -> ResponseReturnValue:
    lib = library()
    title = request.form.get("title", "").strip()[:200]
    clips = [int(c) for c in request.form.get("clips", "").split(",") if c.isdecimal()]
    phrase = request.form.get("phrase", "").strip()[:500]
    if len(clips) > LONGEST:
        raise InputError(f"{len(clips)} clips are more than fit into one reel here ({LONGEST}); tick fewer.")
    if not clips and not phrase:
        raise InputError("Tick some clips first, or search for something and make a reel of all of it.")
    source: str | list[int] = clips or phrase

    def work(progress: Progress) -> str:
        return lib.make_reel(source, title=title or phrase or "Picked clips", progress=progress)

    job = jobs().start(title or phrase or "Picked clips", work)
    return redirect(url_for("reels.watch", key=job.key), 303)


@page.get("/making/<key>")
def watch(key: str) -> ResponseReturnValue:
    job = jobs().get(key) or abort(404, "This reel is no longer being made; look under Reels.")
    if job.state == "done":
        return redirect(url_for("reels.show", name=job.result))
    return render_template("making.html", job=job)


@page.get("/making/<key>/events")
def events(key: str) -> Response:
    """Progress as server-sent events (WHATWG HTML, section 9.2)."""
    job = jobs().get(key) or abort(404)

    def stream() -> Iterator[str]:
        for now in job.watch():
            if now is None:
                yield ": still here\n\n"
                continue
            if now["state"] == "done":
                now = {**now, "result": url_for("reels.show", name=now["result"])}
            yield f"data: {json.dumps(now)}\n\n"

    from flask import stream_with_context

    return Response(
        stream_with_context(stream()),
        mimetype="text/event-stream",
        headers={"Cache-Control": "no-store", "X-Accel-Buffering": "no"},
    )


@page.post("/making/<key>/cancel")
def cancel(key: str) -> ResponseReturnValue:
    job = jobs().get(key) or abort(404)
    job.cancel.set()
    return redirect(url_for("reels.watch", key=key), 303)


@page.get("/<name>/")
def show(name: str) -> ResponseReturnValue:
    return render_template("reel.html", reel=library().made_reel(name))


@page.get("/<name>/reel.mp4")
def play(name: str) -> Response:
    reel = library().made_reel(name)
    answer = send_file(
        reel.file,
        mimetype="video/mp4",
        conditional=True,
        as_attachment="download" in request.args,
        download_name=f"{reel.name}.mp4",
    )
    answer.headers["Cache-Control"] = "private, no-cache"
    return answer

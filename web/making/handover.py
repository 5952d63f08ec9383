"""Handing reels on: captions, chapters, shot list, printed sheet, editors' timelines, a bundle."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from flask import Blueprint, Response, redirect, render_template, request, send_file, url_for
from flask.typing import ResponseReturnValue

from cliplib import InputError, NotFoundError, Progress

from ..site.here import jobs, library

page = Blueprint("handover", __name__, url_prefix="/handover")

ABOUT = {
    "timeline": ("Timeline", "OpenTimelineIO, for an editing suite"),
    "edl": ("Edit list", "EDL (CMX 3600), for any editing suite"),
    "captions": ("Captions", "WebVTT"),
    "chapters": ("Chapters", "WebVTT"),
    "shots": ("Shot list", "CSV, a row for each clip"),
    "sheet": ("Shot sheet", "PDF to print, with key frames and counts"),
    "bundle": ("Everything", "ZIP: the reel, each clip, all of these, a manifest"),
}
OF = ("reel", "theme")


@page.get("/<of>/<name>/")
def show(of: str, name: str) -> ResponseReturnValue:
    """What can be had of a reel; `made` in the address is what is ready."""
    title = _title(of, name)
    made = request.args.get("made", "")
    return render_template("handover.html", of=of, name=name, title=title, about=ABOUT, made=made)


@page.post("/<of>/<name>/<kind>")
def make(of: str, name: str, kind: str) -> ResponseReturnValue:
    """Write one of them, which may take a while, then offer it."""
    title, write = _title(of, name), _writer(of)
    if kind not in ABOUT:
        raise NotFoundError(f"There is no hand-over called “{kind}”.")
    target = url_for("handover.show", of=of, name=name, made=kind)

    def work(progress: Progress) -> str:
        write(name, kind, progress)
        return target

    job = jobs().start(f"{ABOUT[kind][0]} of “{title}”", work)
    return redirect(url_for("work.watch", key=job.key), 303)


@page.get("/<of>/<name>/<kind>")
def download(of: str, name: str, kind: str) -> Response:
    _title(of, name)
    path = library().making.handover.ready(of, name, kind)
    return send_file(path, as_attachment=True, download_name=path.name.removeprefix(f"{of}-"))


def _title(of: str, name: str) -> str:
    if of == "reel":
        return library().making.made_reel(name).title
    if of == "theme":
        return library().making.themes.one(name).title
    raise NotFoundError("Only a reel or a theme can be handed over.")


def _writer(of: str) -> Callable[[str, str, Progress], Path]:
    handing = library().making.handover
    if of == "reel":
        return handing.of_reel
    if of == "theme":
        return handing.of_theme
    raise InputError("Only a reel or a theme can be handed over.")

"""Reels: from a whole search, from picked clips, or arranged one by one; made, played, made again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from flask import Blueprint, Response, redirect, render_template, request, send_file, url_for
from flask.typing import ResponseReturnValue

from cliplib import ClipChange, ClipRow, InputError, Progress, ReelSettings, Where

from ..finding.lists import LONGEST, filters_of, numbers_of, where_from
from ..site.here import jobs, library

page = Blueprint("reels", __name__, url_prefix="/reels")

PRESETS = ("standard", "tablet", "phone", "archive")


@dataclass(frozen=True)
class Row:
    """A clip on the arranging page: `first`, `last`: frames of the footage, half-open."""

    clip: ClipRow
    first: int
    last: int
    frame_us: int  # about how long one frame is shown
    caption: tuple[str, str]


@dataclass(frozen=True)
class ArrangePage:
    """What arrange.html shows. `again`: the reel that is to be made anew, or empty."""

    title: str
    rows: tuple[Row, ...]
    matching: str
    settings: ReelSettings
    again: str
    left_out: int  # picked, but without footage or gone


@page.get("/")
def index() -> ResponseReturnValue:
    return render_template("reels.html", reels=library().making.reels())


@page.post("/")
def build() -> ResponseReturnValue:
    lib, form = library(), request.form
    phrase = form.get("phrase", "").strip()[:500]
    title = form.get("title", "").strip()[:200] or phrase or "Picked clips"
    filters = filters_of(form)
    where = where_from(lib, filters)
    clips = list(numbers_of(",".join((form.get("clips", ""), *form.getlist("clip")))))
    if not clips and not phrase and not filters:
        raise InputError("Pick some clips first, or search for something and make a reel of all of it.")
    again = form.get("again") or None
    if again:
        lib.making.made_reel(again)  # says so at once if it is gone
    if not clips:
        found = lib.finding.find(phrase, where=where, order="fit", limit=LONGEST)
        if found.total > LONGEST:
            clips = [clip.id for clip in found.clips if clip.file]
    settings = _settings(title) if "arranged" in form else ReelSettings(title=title)
    changes = tuple(_change(clip) for clip in clips) if "arranged" in form else ()

    def work(progress: Progress) -> str:
        return lib.making.make_reel(
            clips or phrase,
            title=title,
            where=Where() if clips else where,
            changes=changes,
            matching=phrase if clips else "",
            settings=settings,
            progress=progress,
            again=again,
        )

    return _begin(title, work)


def _begin(title: str, work: Callable[[Progress], str]) -> ResponseReturnValue:
    home = url_for("reels.index")
    job = jobs().start(title, lambda progress: f"{home}{work(progress)}/")
    return redirect(url_for("work.watch", key=job.key), 303)


def _settings(title: str) -> ReelSettings:
    preset = request.form.get("preset", "standard")
    return ReelSettings(
        title=title,
        subtitle=request.form.get("subtitle", "").strip()[:200],
        preset=preset if preset in PRESETS else "standard",
        captions="captions" in request.form,
        cards="cards" in request.form,
    )


def _change(clip: int) -> ClipChange:
    def frame(name: str) -> int | None:
        text = request.form.get(f"{name}-{clip}", "")
        return int(text) if text.isdecimal() and len(text) < 10 else None

    first, last = frame("first"), frame("last")
    if first is not None and last is not None:
        last += 1  # people name the last frame that is shown
        if last <= first:
            raise InputError(f"Clip {clip} would end before it begins; set its last frame after its first.")
    lines = tuple(request.form.get(f"{name}-{clip}", "").strip()[:200] for name in ("line1", "line2"))
    return ClipChange(clip, first, last, caption=tuple(line for line in lines if line) or None)


@page.get("/arrange")
def arrange() -> ResponseReturnValue:
    """Order, trim and caption picked clips before the reel is made."""
    matching = request.args.get("phrase", "").strip()[:500]
    clips = list(numbers_of(request.args.get("clips", "")))
    title = request.args.get("title", "").strip()[:200] or matching or "Picked clips"
    return _arrange(title, clips, matching, (), ReelSettings(title=title), "")


@page.get("/<name>/arrange")
def rearrange(name: str) -> ResponseReturnValue:
    """The same for a reel that is there already; a reel of a search becomes one of its clips now."""
    lib = library()
    reel = lib.making.made_reel(name)
    made_of = reel.ingredients()
    clips, matching = made_of["source"], made_of["matching"]
    if isinstance(clips, str):
        matching = clips
        found = lib.finding.find(clips, where=made_of["where"], order="date", limit=LONGEST)
        clips = [clip.id for clip in found.clips if clip.file]
    return _arrange(reel.title, clips, matching, made_of["changes"], made_of["settings"], name)


def _arrange(
    title: str,
    clips: list[int],
    matching: str,
    changes: tuple[ClipChange, ...],
    settings: ReelSettings,
    again: str,
) -> ResponseReturnValue:
    changed = {change.id: change for change in changes}
    rows = []
    for clip in library().finding.clips(clips):
        if clip.start_frame is None or clip.end_frame is None:
            continue
        change = changed.get(clip.id, ClipChange(clip.id))
        span = (clip.end_us or 0) - (clip.start_us or 0)
        caption = (*(change.caption or ()), "", "")
        rows.append(
            Row(
                clip,
                clip.start_frame if change.first is None else change.first,
                clip.end_frame if change.last is None else change.last,
                span // max(1, clip.end_frame - clip.start_frame),
                (caption[0], caption[1]),
            )
        )
    here = ArrangePage(title, tuple(rows), matching, settings, again, len(clips) - len(rows))
    return render_template("arrange.html", here=here, presets=PRESETS)


@page.get("/<name>/")
def show(name: str) -> ResponseReturnValue:
    lib = library()
    reel = lib.making.made_reel(name)
    clips = lib.finding.clips(reel.shows)
    recipe = reel.recipe or {}
    return render_template(
        "reel.html",
        reel=reel,
        clips=clips,
        gone=len(set(reel.shows)) - len({clip.id for clip in clips}),
        phrase=recipe.get("phrase") or recipe.get("matching") or "",
    )


@page.post("/<name>/again")
def again(name: str) -> ResponseReturnValue:
    lib = library()
    reel = lib.making.made_reel(name)
    reel.ingredients()  # says so at once if they are not known
    return _begin(reel.title, lambda progress: lib.making.remake_reel(name, progress))


@page.post("/<name>/remove")
def remove(name: str) -> ResponseReturnValue:
    library().making.remove_reel(name)
    return redirect(url_for("reels.index"), 303)


@page.get("/<name>/reel.mp4")
def play(name: str) -> Response:
    reel = library().making.made_reel(name)
    answer = send_file(
        reel.file,
        mimetype="video/mp4",
        conditional=True,
        as_attachment="download" in request.args,
        download_name=f"{reel.name}.mp4",
    )
    answer.headers["Cache-Control"] = "private, no-cache"
    return answer

"""One clip: watch it frame by frame, see what happens when, set its in and out, hand it on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from flask import Blueprint, Response, jsonify, redirect, render_template, request, send_file, url_for
from flask.typing import ResponseReturnValue

from cliplib import ClipRow, InputError, Library, Line, NotFoundError, Progress, format_time

from ..site.here import jobs, library
from .lists import Listed, listed

page = Blueprint("clip", __name__, url_prefix="/clip")

SPEEDS = ("0.1", "0.25", "0.5", "0.75", "1", "1.5", "2")
ALIKE = 6


@dataclass(frozen=True)
class ClipPage:
    """What clip.html shows. `recut`, `reworded`: what was corrected in the library itself. `filmed`: whether
    there is footage of the fight. `earlier`, `later`: the clips around it in its fight. `listed`: the list it
    was opened from, `at`: its place there of `total`, with the clips `before` and `after` it."""

    clip: ClipRow
    phrase: str
    fighters: tuple[str, str]
    filmed: bool
    earlier: int | None
    later: int | None
    listed: Listed | None
    at: int | None
    total: int
    before: ClipRow | None
    after: ClipRow | None
    alike: tuple[tuple[ClipRow, str], ...]
    angles: tuple[ClipRow, ...]
    recut: bool
    reworded: bool
    lines: tuple[Line, ...]
    problem: str


@page.get("/<int:clip_id>")
def show(clip_id: int) -> ResponseReturnValue:
    return _page(clip_id)


def _page(clip_id: int, lines: tuple[Line, ...] | None = None, problem: str = "") -> ResponseReturnValue:
    lib = library()
    whole = _list(lib)
    phrase = whole.phrase if whole else ""
    clip = lib.finding.clip(clip_id, phrase)
    at = whole.place(clip_id, max(0, request.args.get("at", 0, type=int))) if whole else None
    total, around = whole.page(max(0, at - 1), 3 if at else 2) if whole and at is not None else (0, [])
    here_at = next((n for n, row in enumerate(around) if row.id == clip_id), 0)
    alike = lib.finding.similar(clip_id, ALIKE)
    why = {one.exchange_id: one.explanation for one in alike}
    earlier, later = lib.finding.neighbours(clip_id)
    recut, reworded = lib.logging.corrections.of(clip_id)
    fight = lib.finding.fight(clip.fight_id)
    here = ClipPage(
        clip=clip,
        phrase=phrase,
        fighters=fight.info.fighters,
        filmed=fight.footage is not None,
        earlier=earlier,
        later=later,
        listed=whole,
        at=at,
        total=total,
        before=around[here_at - 1] if here_at else None,
        after=around[here_at + 1] if here_at + 1 < len(around) else None,
        alike=tuple((row, why[row.id]) for row in lib.finding.clips([one.exchange_id for one in alike])),
        angles=tuple(lib.finding.angles(clip_id)),
        recut=recut,
        reworded=reworded,
        lines=lib.logging.corrections.lines(clip_id) if lines is None else lines,
        problem=problem,
    )
    return render_template("clip.html", here=here, clip=clip, speeds=SPEEDS), 400 if problem else 200


def _list(lib: Library) -> Listed | None:
    """The list that the address speaks of; a clip is shown all the same where that is gone."""
    try:
        return listed(lib, request.args)
    except InputError:
        return None


@page.get("/<int:clip_id>/frames.json")
def frames(clip_id: int) -> ResponseReturnValue:
    """The clip's frames by the footage's timestamps: what the player counts, seeks and shows the clock by.

    `first`: number of the first frame; `zero`: its footage time in microseconds; `times`: microseconds of
    clip time at which each frame is first shown, and the end; `footage`, `exact`: footage time as text, short
    and whole; `clocks`: the round clock as text, or null outside rounds.
    """
    told = library().finding.frames(clip_id)
    zero = told.times_us[0]
    data: dict[str, Any] = {
        "first": told.first,
        "zero": zero,
        "footage_frames": told.footage_frames,
        "times": [us - zero for us in told.times_us],
        "footage": [format_time(us, 2) for us in told.times_us[:-1]],
        "exact": [format_time(us) for us in told.times_us[:-1]],
        "clocks": [None if c is None else f"round {c[0]}, {format_time(c[1], 2)} left" for c in told.clocks],
    }
    return jsonify(data)


@page.get("/<int:clip_id>/frame/<int:frame>.jpg")
def still(clip_id: int, frame: int) -> Response:
    """Any frame of the clip's footage, for setting in and out."""
    lib = library()
    path = lib.making.still(lib.finding.clip(clip_id).fight_id, frame)
    answer = send_file(path, mimetype="image/jpeg", conditional=True)
    answer.headers["Cache-Control"] = "private, no-cache"
    return answer


def _back(clip_id: int) -> ResponseReturnValue:
    """To the clip as it was opened, in its list."""
    kept = urlencode(request.args)
    return redirect(url_for("clip.show", clip_id=clip_id) + (f"?{kept}" if kept else ""), 303)


@page.post("/<int:clip_id>/cut")
def cut(clip_id: int) -> ResponseReturnValue:
    """Set in and out by frame, and cut at once. `last` is the last frame that is shown."""
    lib = library()
    if "as-logged" in request.form:
        lib.logging.corrections.cut_as_logged(clip_id)
        return _back(clip_id)
    try:
        first, last = (int(request.form[name]) for name in ("first", "last"))
    except ValueError:
        raise InputError("A frame is a whole number; set the first and the last frame again.") from None
    lib.logging.corrections.recut(clip_id, first, last + 1)
    return _back(clip_id)


@page.post("/<int:clip_id>/actions")
def actions(clip_id: int) -> ResponseReturnValue:
    """Put other actions in the place of the logged ones, a line each, read as a log is."""
    lib = library()
    if "as-logged" in request.form:
        lib.logging.corrections.as_logged(clip_id)
        return _back(clip_id)
    columns = [request.form.getlist(name)[:100] for name in ("time", "fighter", "action", "note")]
    rows = (tuple(text.strip()[:500] for text in row) for row in zip(*columns, strict=False))
    lines = tuple(Line(*row) for row in rows if row[2])
    try:
        lib.logging.corrections.reword(clip_id, lines)
    except NotFoundError:
        raise
    except InputError as wrong:
        return _page(clip_id, lines, str(wrong))
    return _back(clip_id)


@page.post("/<int:clip_id>/portable")
def export(clip_id: int) -> ResponseReturnValue:
    """Make the portable copy, which may take seconds, then offer it."""
    lib = library()
    clip = lib.finding.clip(clip_id)
    target = url_for("clip.portable", clip_id=clip_id)

    def work(progress: Progress) -> str:
        lib.making.portable(clip_id, progress)
        return target

    job = jobs().start(f"Copy of clip {clip_id} to hand on: {clip.fight}", work)
    return redirect(url_for("work.watch", key=job.key), 303)


@page.get("/<int:clip_id>/portable")
def portable(clip_id: int) -> ResponseReturnValue:
    return render_template("portable.html", clip=library().finding.clip(clip_id))


@page.get("/<int:clip_id>/portable.mp4")
def portable_file(clip_id: int) -> Response:
    return send_file(
        library().making.portable(clip_id),
        mimetype="video/mp4",
        conditional=True,
        as_attachment=True,
        download_name=f"clip-{clip_id}.mp4",
    )

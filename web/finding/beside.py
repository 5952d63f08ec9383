"""Two clips beside each other, in step: an example and a try, before and after, two cameras."""

from __future__ import annotations

from dataclasses import dataclass

from flask import Blueprint, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from cliplib import JSON, ClipChange, ClipRow, InputError, Progress, ReelSettings

from ..site.here import jobs, library
from .lists import Listed, listed, numbers_of
from .show import told

page = Blueprint("beside", __name__, url_prefix="/beside")

SIDES = ("first", "second")
MOST_FRAMES = 10_000


@dataclass(frozen=True)
class BesidePage:
    """What beside.html shows. `clips`: the two, empty before they are chosen; `told`: the same for its
    script, each with the actions at which they can be in step, and `step`, the one they are. `offset`:
    frames by which the second is shown later. `mirror`: which are mirrored."""

    clips: tuple[ClipRow, ...]
    told: tuple[JSON, ...]
    phrase: str
    offset: int
    mirror: frozenset[str]
    problem: str


@page.get("/")
def show() -> ResponseReturnValue:
    numbers, problem, clips = numbers_of(request.args.get("of", "")), "", []
    whole = listed(library(), request.args) if numbers else None
    if whole is not None:
        clips = whole.page(0, 2)[1]
        if len(numbers) != 2 or len(clips) != 2:
            problem, clips = "Two different clips can be shown beside each other; pick two.", []
        elif gone := [clip.id for clip in clips if clip.file is None]:
            problem, clips = f"There is no film of clip {gone[0]}; pick another.", []
    here = BesidePage(
        clips=tuple(clips),
        told=tuple(_side(clip, whole, n) for n, clip in enumerate(clips)) if whole else (),
        phrase=whole.phrase if whole else "",
        offset=offset_of(request.args.get("offset", "0")),
        mirror=frozenset(side for side in SIDES if side in request.args.getlist("mirror")),
        problem=problem,
    )
    return render_template("beside.html", here=here), 400 if problem else 200


def _side(clip: ClipRow, whole: Listed, at: int) -> JSON:
    """In step at the last matched action, as `cliplib beside` has it; without one at the last of all."""
    one = told(clip, whole, at)
    timed = [n for n, action in enumerate(one["actions"]) if action["at"] is not None and action["at"] >= 0]
    matched = [n for n in timed if one["actions"][n]["matched"]]
    return {**one, "step": (matched or timed or [-1])[-1]}


@page.post("/")
def make() -> ResponseReturnValue:
    """A video of the two, among the reels."""
    lib, form = library(), request.form
    first, second = (numbers_of(form.get(side, ""))[:1] for side in SIDES)
    if not first or not second or first == second:
        raise InputError("Choose two different clips.")
    clips = [lib.finding.clip(number) for number in (*first, *second)]
    title = form.get("title", "").strip()[:200] or " beside ".join(dict.fromkeys(c.fight for c in clips))
    phrase = form.get("phrase", "").strip()[:500]
    change = ClipChange(first[0], beside=second[0], offset=offset_of(form.get("offset", "0")))

    def work(progress: Progress) -> str:
        name = lib.making.make_reel(
            list(first),
            title=title,
            changes=(change,),
            matching=phrase,
            settings=ReelSettings(title=title, cards=False),
            progress=progress,
        )
        return f"{url_home}{name}/"

    url_home = url_for("reels.index")
    return redirect(url_for("work.watch", key=jobs().start(title, work).key), 303)


def offset_of(text: str) -> int:
    """Frames by which the second clip is shown later, as an address or a form says it."""
    try:
        return max(-MOST_FRAMES, min(MOST_FRAMES, int(text)))
    except ValueError:
        raise InputError("An offset is a whole number of frames.") from None

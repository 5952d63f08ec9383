"""Taking a fight out for good: what goes along, logs to save first, and then the work itself."""

from __future__ import annotations

from flask import Blueprint, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from cliplib.progress import Progress

from .here import jobs, library

page = Blueprint("forget", __name__, url_prefix="/fights/<int:fight_id>/forget")


@page.get("")
def show(fight_id: int) -> ResponseReturnValue:
    """What would go. Nothing is changed by looking."""
    lib = library()
    return render_template(
        "forget.html", fight=lib.fight(fight_id), going=lib.what_goes(fight_id), problem=""
    )


@page.post("")
def forget(fight_id: int) -> ResponseReturnValue:
    lib = library()
    fight = lib.fight(fight_id)
    if request.form.get("sure") != str(fight_id):
        going = lib.what_goes(fight_id)
        problem = "Nothing was taken out. Tick the box first, if you mean it."
        return render_template("forget.html", fight=fight, going=going, problem=problem), 400

    back = url_for("fight.index")  # the work runs outside of a request

    def work(progress: Progress) -> str:
        lib.forget(fight_id, progress)
        return back

    job = jobs().start(f"Taking “{fight.title}” out", work)
    return redirect(url_for("work.watch", key=job.key), 303)

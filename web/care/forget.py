"""Taking a fight out for good: what goes along, logs to save first, the work itself, and what is left."""

from __future__ import annotations

import secrets
from collections import OrderedDict
from typing import cast

from flask import Blueprint, abort, current_app, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from cliplib import Forgotten, Progress

from ..site.here import jobs, library

page = Blueprint("forget", __name__, url_prefix="/fights")

_TOLD = 20
"""How many times what is left to do can be read again, of those taken out last."""


@page.get("/<int:fight_id>/forget")
def show(fight_id: int) -> ResponseReturnValue:
    """What would go. Nothing is changed by looking."""
    lib = library()
    return render_template(
        "forget.html", fight=lib.finding.fight(fight_id), going=lib.care.what_goes([fight_id]), problem=""
    )


@page.post("/<int:fight_id>/forget")
def forget(fight_id: int) -> ResponseReturnValue:
    lib = library()
    fight = lib.finding.fight(fight_id)
    if request.form.get("sure") != str(fight_id):
        going = lib.care.what_goes([fight_id])
        problem = "Nothing was taken out. Tick the box first, if you mean it."
        return render_template("forget.html", fight=fight, going=going, problem=problem), 400

    key = secrets.token_urlsafe(9)
    after = url_for("forget.told", key=key)  # the work runs outside of a request
    told = _told()

    def work(progress: Progress) -> str:
        told[key] = lib.care.forget([fight_id], progress)
        while len(told) > _TOLD:
            told.popitem(last=False)
        return after

    job = jobs().start(f"Taking “{fight.title}” out", work)
    return redirect(url_for("work.watch", key=job.key), 303)


@page.get("/forgotten/<key>")
def told(key: str) -> ResponseReturnValue:
    """What is left to do by hand, after a fight was taken out."""
    done = _told().get(key) or abort(404, "What was taken out then is no longer known here.")
    return render_template("forgotten.html", done=done)


def _told() -> OrderedDict[str, Forgotten]:
    return cast("OrderedDict[str, Forgotten]", current_app.extensions.setdefault("forgotten", OrderedDict()))

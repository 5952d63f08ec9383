"""One clip: the player, what happens in it, and how to hand it on."""

from __future__ import annotations

from flask import Blueprint, render_template
from flask.typing import ResponseReturnValue

from .here import library

page = Blueprint("clip", __name__)


@page.get("/clip/<int:clip_id>")
def show(clip_id: int) -> ResponseReturnValue:
    return render_template("clip.html", clip=library().clip(clip_id))

"""Fights: a list, and each as a picture of its rounds with every exchange in place."""

from __future__ import annotations

from dataclasses import dataclass

from flask import Blueprint, Response, render_template, request
from flask.typing import ResponseReturnValue

from cliplib.errors import InputError
from cliplib.library import FightView, Lane
from cliplib.models import ClipRow

from .here import library

page = Blueprint("fight", __name__, url_prefix="/fights")

FORMS = {"csv": "text/csv", "vtt": "text/vtt", "jsonl": "application/jsonl"}


@dataclass(frozen=True)
class Spot:
    """An exchange in its lane, or an action in it: where it begins and how wide it is, in percent."""

    x: float
    width: float


@page.get("/")
def index() -> ResponseReturnValue:
    return render_template("fights.html", fights=library().fights())


@page.get("/<int:fight_id>")
def show(fight_id: int) -> ResponseReturnValue:
    view = library().fight_view(fight_id)
    rounds = [lane.round for lane in view.lanes if lane.clips or lane.round is not None]
    return render_template(
        "fight.html", view=view, rounds=rounds, spot=spot, moment=moment, people=_people(view)
    )


@page.get("/<int:fight_id>/log.<form>")
def log(fight_id: int, form: str) -> Response:
    """The fight's log, corrections and all, to keep or to ingest elsewhere."""
    if form not in FORMS:
        raise InputError(f"A log is written as {', '.join(FORMS)}, not as “{form}”.")
    text = library().export_log(fight_id, form, log=request.args.get("log"))  # type: ignore[arg-type]
    answer = Response(text.encode("utf-8", "surrogateescape"), mimetype=FORMS[form])
    answer.headers["Content-Disposition"] = f"attachment; filename=fight-{fight_id}.{form}"
    return answer


def _people(view: FightView) -> tuple[tuple[str, str], ...]:
    """(full name, corner), red first."""
    return (view.fight.info.red.name, "red"), (view.fight.info.blue.name, "blue")


def moment(us: int, lane: Lane) -> float:
    """A footage time as percent of a round."""
    assert lane.start_us is not None
    assert lane.end_us is not None
    share = 100 * (us - lane.start_us) / max(1, lane.end_us - lane.start_us)
    return round(min(100.0, max(0.0, share)), 2)


def spot(clip: ClipRow, lane: Lane) -> Spot | None:
    """Where an exchange lies in its round: its actions, not the clip's lead-in."""
    times = [a.time_us for a in clip.actions if a.time_us is not None]
    if not times or lane.start_us is None:
        return None
    ends = [a.until_us or (a.time_us or 0) + 600_000 for a in clip.actions if a.time_us is not None]
    x = moment(min(times), lane)
    return Spot(x, max(0.8, round(moment(max(ends), lane) - x, 2)))

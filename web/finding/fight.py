"""Fights: a list, and each as a picture of its rounds with every exchange in place."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from flask import Blueprint, Response, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from cliplib import ClipRow, FightRow, FightView, Lane, log_forms

from ..site.here import library

page = Blueprint("fight", __name__, url_prefix="/fights")


PER_PAGE = 50
LISTED = 80
"""Exchanges of a fight up to which each round's list stands under its lane; else where it is asked for."""


@dataclass(frozen=True)
class FightsPage:
    """What fights.html shows. `years`: (year or “none”, how many fights), the latest first; `total`: the
    library's fights; `found`: those that fit what was asked for."""

    asked: str
    year: str
    years: tuple[tuple[str, int], ...]
    fights: tuple[FightRow, ...]
    found: int
    total: int
    page_no: int
    pages: int
    previous_link: str
    next_link: str


@dataclass(frozen=True)
class Spot:
    """An exchange in its lane, or an action in it: where it begins and how wide it is, in percent."""

    x: float
    width: float


@page.get("/")
def index() -> ResponseReturnValue:
    """The fights, the latest first; `q`: words of their titles, names and events, `year`: of their date."""
    asked = " ".join(request.args.get("q", "").split())[:200]
    year = request.args.get("year", "")[:10]
    everything = library().finding.fights()
    years = Counter(_year(fight) for fight in everything)
    words = asked.casefold().split()
    found = [
        fight
        for fight in sorted(everything, key=_date, reverse=True)
        if (not year or _year(fight) == year) and all(word in _words(fight) for word in words)
    ]
    pages = -(-len(found) // PER_PAGE)
    page_no = min(max(1, request.args.get("page", 1, type=int)), max(1, pages))

    def link(number: int) -> str:
        return url_for("fight.index", q=asked or None, year=year or None, page=number if number > 1 else None)

    here = FightsPage(
        asked=asked,
        year=year,
        years=tuple(sorted(years.items(), key=lambda item: (item[0] != NO_DATE, item[0]), reverse=True)),
        fights=tuple(found[(page_no - 1) * PER_PAGE : page_no * PER_PAGE]),
        found=len(found),
        total=len(everything),
        page_no=page_no,
        pages=pages,
        previous_link=link(page_no - 1) if page_no > 1 else "",
        next_link=link(page_no + 1) if page_no < pages else "",
    )
    return render_template("fights.html", here=here)


NO_DATE = "none"


def _date(fight: FightRow) -> str:
    return fight.info.date.isoformat() if fight.info.date else ""


def _year(fight: FightRow) -> str:
    return str(fight.info.date.year) if fight.info.date else NO_DATE


def _words(fight: FightRow) -> str:
    info = fight.info
    return " ".join((fight.title, *info.fighters, info.event)).casefold()


@page.get("/<int:fight_id>")
def show(fight_id: int) -> ResponseReturnValue:
    """`round`: whose exchanges are listed, where a fight has too many to list all: numbers, “none”, “all”."""
    view = library().finding.fight_view(fight_id)
    rounds = [lane.round for lane in view.lanes if lane.clips or lane.round is not None]
    short = sum(len(lane.clips) for lane in view.lanes) <= LISTED
    wanted = request.args.getlist("round")
    listed = {r for r in rounds if short or "all" in wanted or _name(r) in wanted}
    return render_template(
        "fight.html",
        view=view,
        rounds=rounds,
        listed=listed,
        short=short,
        round_name=_name,
        spot=spot,
        moment=moment,
        people=_people(view),
        logs=len(library().evidence.logs_with_something(fight_id)),
    )


def _name(number: int | None) -> str:
    """A round in an address."""
    return "none" if number is None else str(number)


@page.get("/<int:fight_id>/<any(red, blue):corner>/<technique>/<number>")
def did(fight_id: int, corner: str, technique: str, number: str) -> ResponseReturnValue:
    """On to the exchanges behind a number of the fight's tables: what somebody did in a round."""
    info = library().finding.fight(fight_id).info
    name = info.red.name if corner == "red" else info.blue.name
    there = "unknown" if number == "none" else number
    return redirect(
        url_for("find.find", q=f"{technique} by {name}", fight=info.title, round=there, technique=technique)
    )


@page.get("/<int:fight_id>/log.<form>")
def log(fight_id: int, form: str) -> Response:
    """The fight's log, corrections and all, to keep or to ingest elsewhere."""
    written = log_forms.form_named(form)
    text = library().logging.export_log(fight_id, form, log=request.args.get("log"))
    answer = Response(text.encode("utf-8", "surrogateescape"), mimetype=written.media_type)
    answer.headers["Content-Disposition"] = f"attachment; filename=fight-{fight_id}{written.suffix}"
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

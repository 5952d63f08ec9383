"""Logging a fight by keyboard while it plays."""

from __future__ import annotations

from dataclasses import dataclass

from flask import Blueprint, Response, redirect, render_template, request, send_file, session, url_for
from flask.typing import ResponseReturnValue

from cliplib import FightRow, FootageError, InputError, NotFoundError, Offer, Progress, log_forms, to_seconds

from ..site.here import cuts, jobs, library
from ..site.signin import by as signed_by
from ..site.signin import signed_in, who

page = Blueprint("log", __name__, url_prefix="/fights/<int:fight_id>")


@dataclass(frozen=True)
class LogPage:
    """What log.html shows. `ready`: the footage can be played here; `why_not`: or what stands in the way.
    `fixed`: the name comes from signing in."""

    fight: FightRow
    by: str
    fixed: bool
    ready: bool
    why_not: str
    rounds: tuple[tuple[int, float], ...]
    offers: tuple[Offer, ...]
    patterns: tuple[tuple[str, str], ...]
    log_file: str
    others: tuple[tuple[str, int], ...]
    imported: int | None
    looked: bool


@page.get("/log")
def show(fight_id: int) -> ResponseReturnValue:
    lib = library()
    fight = lib.finding.fight(fight_id)
    by = signed_by()
    ready, why_not = False, ""
    try:
        ready = lib.logging.live.footage(fight_id) is not None
    except FootageError as problem:
        why_not = str(problem)
    here = LogPage(
        fight=fight,
        by=by,
        fixed=signed_in() is not None,
        ready=ready,
        why_not=why_not,
        rounds=tuple((n, to_seconds(us)) for n, us in enumerate(fight.info.round_starts_us, 1)),
        offers=lib.logging.next_lines.offers() if by and ready else (),
        patterns=lib.logging.next_lines.patterns(fight_id) if by and ready else (),
        log_file=lib.logging.live.log_name(by) if by else "",
        others=tuple((log.by, len(log.lines)) for log in lib.logging.live.logs(fight_id) if log.by != by),
        imported=request.args.get("imported", type=int),
        looked=lib.logging.watching.of(fight_id).looked is not None,
    )
    return render_template("log.html", here=here)


@page.post("/log/name")
def name(fight_id: int) -> ResponseReturnValue:
    """Say who logs, for this session."""
    if signed_in() is None:
        session["by"] = who(request.form.get("by", ""))
    return redirect(url_for("log.show", fight_id=fight_id), 303)


@page.post("/log/ready")
def make_ready(fight_id: int) -> ResponseReturnValue:
    """Make the copy of the footage that browsers can play frame for frame."""
    lib = library()
    lib.finding.fight(fight_id)
    back = url_for("log.show", fight_id=fight_id)

    def work(progress: Progress) -> str:
        lib.logging.live.make_ready(fight_id, progress)
        return back

    job = jobs().start("Getting the footage ready", work)
    return redirect(url_for("work.watch", key=job.key), 303)


@page.post("/log/bell")
def ring(fight_id: int) -> ResponseReturnValue:
    """The first bell rings at the frame that is shown."""
    lib = library()
    frame, timeline = request.form.get("frame", type=int), lib.logging.live.timeline(fight_id)
    if frame is None or not 0 <= frame < len(timeline):
        raise InputError("Show the frame at which the first bell rings, then press again.")
    lib.logging.stretches.ring(fight_id, timeline.us_of(frame))
    cuts().later(fight_id)
    return redirect(url_for("log.show", fight_id=fight_id), 303)


@page.post("/log/watch")
def watch(fight_id: int) -> ResponseReturnValue:
    """Have the film looked at; what is found is proposed on the page for logging."""
    lib = library()
    fight = lib.finding.fight(fight_id)
    back = url_for("log.show", fight_id=fight_id)
    if fight.info.round_us is None or fight.info.rest_us is None:
        raise InputError(
            "Write round_seconds and rest_seconds into the fight's fight.toml first: bells are told by them."
        )

    def work(progress: Progress) -> str:
        lib.logging.watching.watch(fight_id, progress)
        return back

    job = jobs().start(f"Looking at the film of “{fight.title}”", work)
    return redirect(url_for("work.watch", key=job.key), 303)


@page.post("/log/import")
def take_in(fight_id: int) -> ResponseReturnValue:
    """A log file as one's own log."""
    sent = request.files.get("file")
    if sent is None or not sent.filename:
        raise InputError(f"Choose a log file first: {', '.join(log_forms.suffixes())}.")
    form = sent.filename.rpartition(".")[2].casefold()
    text = log_forms.text_of(sent.read())
    by = who(request.form.get("by", ""))
    count = library().logging.live.import_log(fight_id, by, text, form, instead="instead" in request.form)
    cuts().later(fight_id)
    return redirect(url_for("log.show", fight_id=fight_id, imported=count), 303)


@page.get("/footage.mp4")
def footage(fight_id: int) -> Response:
    """The whole fight, as browsers can play it."""
    path = library().logging.live.footage(fight_id)
    if path is None:
        raise NotFoundError("This footage has to be made ready first, on the page where it is logged.")
    answer = send_file(path, mimetype="video/mp4", conditional=True, max_age=3600)
    answer.headers["Cache-Control"] = "private, no-cache"
    return answer

"""Breakdowns: listed, begun, read, written, built; and one way to put things into them from any page."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlencode

from flask import (
    Blueprint,
    Response,
    redirect,
    render_template,
    request,
    send_file,
    session,
    url_for,
)
from flask.typing import ResponseReturnValue

from cliplib import BreakdownFile, BusyError, InputError, NotFoundError, Progress, Put, evidence_tables

from ..evidence.asked import asked
from ..evidence.tables import CHART_POLICY
from ..finding.beside import offset_of
from ..finding.lists import filters_of, numbers_of, where_from
from ..site.here import jobs, library

page = Blueprint("breakdowns", __name__, url_prefix="/breakdowns")

LONGEST_FORM = 1 << 20
"""Bytes of a text on the page; a longer one is changed with a text editor."""
CARDS = 3
"""Clips shown of each answer that beat something elsewhere."""

FILES = {
    "film.mp4": "the film",
    "description.txt": "description with chapters and counts",
    "captions.vtt": "captions",
    "script.pdf": "script to read from",
    "timeline.otio": "timeline (OpenTimelineIO)",
    "timeline.edl": "timeline (EDL)",
    "sources.csv": "sources: whose film, from where to where",
    "sources.txt": "the same to read",
    "folder.zip": "a folder that plays in any browser without the library",
}


@dataclass(frozen=True)
class Download:
    name: str
    about: str
    size: int


# --- the list ---------------------------------------------------------------------------------------------


@page.get("/")
def index() -> ResponseReturnValue:
    return _index()


def _index(title: str = "", phrase: str = "", problem: str = "") -> ResponseReturnValue:
    found = library().making.breakdowns.all()
    page = render_template("breakdowns.html", breakdowns=found, title=title, phrase=phrase, problem=problem)
    return page, 400 if problem else 200


@page.post("/")
def begin() -> ResponseReturnValue:
    title = request.form.get("title", "").strip()[:200]
    phrase = request.form.get("phrase", "").strip()[:500]
    try:
        name = library().making.breakdowns.new(title, phrase)
    except InputError as wrong:
        return _index(title, phrase, str(wrong))
    return redirect(url_for("breakdowns.edit", name=name), 303)


# --- one --------------------------------------------------------------------------------------------------


@page.get("/<name>/")
def show(name: str) -> ResponseReturnValue:
    breakdowns = library().making.breakdowns
    one = breakdowns.one(name)
    return render_template(
        "breakdown.html",
        one=one,
        seen=breakdowns.outline(name),
        files=list(_files(one)),
        editing=False,
        made=request.args.get("made", ""),
    )


def _files(one: BreakdownFile) -> Iterator[Download]:
    for path in (*([one.film] if one.film else []), *one.beside):
        name = path.relative_to(one.text.parent).as_posix()
        yield Download(name, FILES.get(name, "a voice"), path.stat().st_size)


@page.get("/<name>/files/<path:file>")
def download(name: str, file: str) -> Response:
    """A file that was built; none but those that the breakdown lists."""
    one = library().making.breakdowns.one(name)
    there = [*([one.film] if one.film else []), *one.beside]
    path = next((p for p in there if p.relative_to(one.text.parent).as_posix() == file), None)
    if path is None:
        raise NotFoundError("This was not built, or is gone; build the breakdown anew.")
    return _send(path, None if "look" in request.args else f"{name}-{path.name}")


@page.get("/<name>/film.mp4")
def film(name: str) -> Response:
    made = library().making.breakdowns.one(name).film
    if made is None:
        raise NotFoundError("This breakdown has not been built yet.")
    return _send(made)


def _send(path: Path, download_as: str | None = None) -> Response:
    answer = send_file(path, conditional=True, as_attachment=bool(download_as), download_name=download_as)
    answer.headers["Cache-Control"] = "private, no-cache"
    return answer


@page.get("/chart.svg")
def chart() -> Response:
    """What a picture link shows."""
    picture = library().making.breakdowns.chart(request.args.get("of", "")[:2000])
    answer = Response(picture, mimetype="image/svg+xml")
    answer.headers["Content-Security-Policy"] = CHART_POLICY
    return answer


@page.post("/<name>/build")
def build(name: str) -> ResponseReturnValue:
    breakdowns = library().making.breakdowns
    return _made(name, breakdowns.build, url_for("breakdowns.show", name=name))


@page.post("/<name>/pack")
def pack(name: str) -> ResponseReturnValue:
    """Write the folder that plays without the library, with the film as the text has it now."""
    breakdowns = library().making.breakdowns
    return _made(name, breakdowns.pack, url_for("breakdowns.show", name=name, made="folder"))


def _made(name: str, make: Callable[[str, Progress], object], target: str) -> ResponseReturnValue:
    """Begin it, and show how far it is; `target` is looked at when it is done."""
    title = library().making.breakdowns.one(name).title

    def work(progress: Progress) -> str:
        make(name, progress)
        return target

    return redirect(url_for("work.watch", key=jobs().start(title, work).key), 303)


@page.post("/<name>/remove")
def remove(name: str) -> ResponseReturnValue:
    library().making.breakdowns.remove(name)
    return redirect(url_for("breakdowns.index"), 303)


# --- writing ----------------------------------------------------------------------------------------------


@page.get("/<name>/edit")
def edit(name: str) -> ResponseReturnValue:
    breakdowns = library().making.breakdowns
    return _editor(name, breakdowns.text(name), breakdowns.one(name).seen)


def _editor(name: str, text: str, token: str, theirs: str | None = None) -> ResponseReturnValue:
    """`theirs`: what somebody else kept meanwhile."""
    breakdowns = library().making.breakdowns
    seen = breakdowns.outline(name, text)
    if text != seen.text or "\0" in text:
        problem = "This text is not all UTF-8, so that it cannot be written here without changing it."
    elif len(text.encode()) > LONGEST_FORM // 2:
        problem = "This text is too long to be written here."
    else:
        problem = ""
    page = render_template(
        "breakdown_edit.html",
        one=breakdowns.one(name),
        text=seen.text,
        token=token,
        theirs=theirs,
        problem=problem and f"{problem} Change {name}/breakdown.md with a text editor.",
        seen=seen,
        editing=True,
        told=session.pop("told", ""),
    )
    return page, 200 if theirs is None else 409


def _text() -> str:
    """The text of a form, with lines as they end in Unix."""
    request.max_form_memory_size = LONGEST_FORM
    return request.form.get("text", "").replace("\r\n", "\n").replace("\r", "\n")


@page.post("/<name>/edit")
def keep(name: str) -> ResponseReturnValue:
    breakdowns, text = library().making.breakdowns, _text()
    try:
        breakdowns.put(name, text, seen=request.form.get("seen", ""), typed=True)
    except BusyError:
        return _editor(name, text, breakdowns.one(name).seen, theirs=breakdowns.text(name))
    return redirect(url_for("breakdowns.edit", name=name), 303)


@page.post("/<name>/points")
def points(name: str) -> ResponseReturnValue:
    """The points of a text that is not kept yet, as they would be shown."""
    breakdowns = library().making.breakdowns
    one, outline = breakdowns.one(name), breakdowns.outline(name, _text())
    return "".join(
        render_template(part, one=one, seen=outline, editing=True)
        for part in ("_checked.html", "_points.html")
    )


@page.post("/<name>/update")
def update(name: str) -> ResponseReturnValue:
    """Write the counts of today into the text."""
    library().making.breakdowns.check(name, update=True)
    return redirect(url_for("breakdowns.edit", name=name), 303)


# --- putting things in ------------------------------------------------------------------------------------


@page.get("/into")
def into() -> ResponseReturnValue:
    """Choose what of something is put into which point. The address says what it is: `clip` or `clips`, or
    `first` and `second` with an `offset`, numbers; `table` and `key` with what was asked, a number of an
    evidence table; `picture`, a chart; else `q` and filters, a find."""
    offers = _offers()
    return render_template(
        "breakdown_into.html",
        offers=offers,
        breakdowns=library().making.breakdowns.all(),
        asked=urlencode([pair for pair in request.args.items(multi=True) if pair[0] != "form_key"]),
        last=tuple(session.get("into", ())),
        back=request.referrer or url_for("find.find"),
    )


def _offers() -> Sequence[Put]:
    puts, args = library().making.breakdowns.puts, request.args
    if numbers := _numbers():
        return puts.clips(numbers, offset=offset_of(args.get("offset", "") or "0"))
    if "table" in args:
        here = asked(evidence_tables.named(args["table"]))
        return puts.number(
            here.table.name, here.phrase, here.values, here.only, _spelt(here.filters), args.get("key", "")
        )
    phrase = args.get("q", "").strip()[:500]
    if kind := args.get("picture"):
        here = asked(evidence_tables.drawn_by(kind))
        return puts.picture(kind, here.phrase, here.values.get("by", ()), here.only, _spelt(here.filters))
    filters = filters_of(args)
    where_from(library(), filters)  # says at once what makes no sense
    return puts.find(phrase, _spelt(filters))


def _spelt(filters: Mapping[str, str]) -> list[tuple[str, str]]:
    """Filters of an address as the links of a breakdown spell them."""
    return [("rounds" if name == "round" else name, value) for name, value in filters.items()]


def _numbers() -> tuple[int, ...]:
    args = request.args
    named = (args.get(name, "") for name in ("clips", "first", "second"))
    return numbers_of(",".join((*args.getlist("clip"), *named)))


@page.post("/into")
def put_in() -> ResponseReturnValue:
    breakdowns, form = library().making.breakdowns, request.form
    offers = _offers()
    chosen = form.get("what", "0")
    put = (
        offers[int(chosen)] if chosen.isdecimal() and len(chosen) < 3 and int(chosen) < len(offers) else None
    )
    if put is None:
        raise InputError("Choose what is put in.")
    name, _, key = form.get("where", "").partition("/")
    if not name:  # a new one; its first point
        name = breakdowns.new(form.get("title", "").strip()[:200])
        key = breakdowns.point_named(name, "1")
    breakdowns.insert(name, key, put)
    session["into"] = [name, key]
    heading = next((p.heading for p in breakdowns.read(name).points if p.key == key), "")
    session["told"] = f"It stands at the end of “{heading}” now."
    return redirect(url_for("breakdowns.edit", name=name, _anchor=f"p-{key}"), 303)


@page.get("/<name>/points/<key>/elsewhere")
def elsewhere(name: str, key: str) -> ResponseReturnValue:
    """Somebody who solved it: what beat a point's phrase in other fights, with clips to take in."""
    breakdowns = library().making.breakdowns
    point = breakdowns.read(name).point(key)
    if point is None:
        raise NotFoundError("This breakdown has no such point any more.")
    phrase, found, problem = request.args.get("q", "").strip()[:500], None, ""
    try:
        found = breakdowns.elsewhere(name, key, phrase)
    except InputError as wrong:
        problem = str(wrong)
    clips = {row.id: row for row in library().finding.clips(
        [n for one in (found.rows if found else ()) for n in one.clips[:CARDS]]
    )}  # fmt: skip
    return render_template(
        "breakdown_elsewhere.html",
        one=breakdowns.one(name),
        point=point,
        phrase=phrase or (found.phrase if found else ""),
        found=found,
        problem=problem,
        cards=CARDS,
        clips=clips,
        told=session.pop("told", ""),
    )


@page.post("/<name>/points/<key>/take")
def take_in(name: str, key: str) -> ResponseReturnValue:
    """Put one clip into a point, and stay."""
    breakdowns = library().making.breakdowns
    numbers = numbers_of(request.form.get("clip", ""))
    if len(numbers) != 1:
        raise InputError("Take one clip at a time; pick it anew.")
    (put,) = breakdowns.puts.clips(numbers)
    number = numbers[0]
    breakdowns.insert(name, key, put)
    session["told"] = f"Clip {number} is at the end of this point now."
    asked_for = request.form.get("q", "")[:500]
    return redirect(url_for("breakdowns.elsewhere", name=name, key=key, q=asked_for or None), 303)

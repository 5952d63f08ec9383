"""Themes: saved phrases whose reels follow the library. List, write, check, make, hand on."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from flask import Blueprint, Response, redirect, render_template, request, send_file, url_for
from flask.typing import ResponseReturnValue

from cliplib import InputError, NotFoundError, Progress, ThemeFile, text_of_fields

from ..site.here import jobs, library

page = Blueprint("themes", __name__, url_prefix="/themes")


@dataclass(frozen=True)
class Field:
    """One key of a theme file on the form. `kind`: text | number | flag | choice | shares | shots. `usual`:
    what holds when the file is silent; such a value is not written."""

    key: str
    label: str
    kind: str = "text"
    usual: Any = ""
    choices: tuple[tuple[str, str], ...] = ()
    hint: str = ""


@dataclass(frozen=True)
class Section:
    """A table of a theme file. `optional`: it is there or not, by a tick."""

    table: str
    title: str
    fields: tuple[Field, ...]
    optional: bool = False
    hint: str = ""


SECTIONS = (
    Section(
        "",
        "What it shows",
        (
            Field("phrase", "Phrase", hint="as in a search: counter to the body after a missed jab"),
            Field("title", "Title"),
            Field("subtitle", "Line under the title"),
            Field(
                "order",
                "Order",
                "choice",
                "date",
                (
                    ("date", "by date"),
                    ("round", "by round"),
                    ("fight", "fight by fight"),
                    ("alternate", "fighters in turn"),
                    ("fit", "best match first"),
                ),
            ),
            Field(
                "chapters",
                "A card before each",
                "choice",
                "none",
                (
                    ("none", "no cards between"),
                    ("fight", "fight"),
                    ("round", "round"),
                    ("fighter", "fighter"),
                ),
            ),
            Field("strict", "Refuse the phrase when a word of it is not understood", "flag", False),
        ),
    ),
    Section(
        "limits",
        "At most",
        (
            Field("clips", "Clips at most", "number"),
            Field("seconds", "Seconds of film", "number", hint="replays not counted"),
            Field("per_fight", "Clips of one fight", "number"),
            Field("overlap", "Two clips may show the same film", "flag", False),
        ),
    ),
    Section(
        "clip",
        "In and out",
        (
            Field("lead_in", "Seconds before the first action", "number", hint="empty: as the clip is cut"),
            Field("follow_through", "Seconds after the last", "number", hint="empty: as the clip is cut"),
        ),
    ),
    Section(
        "slow",
        "Show it again slowly",
        (
            Field("speed", "Share of the real speed", "number", 0.5),
            Field("before", "From seconds before the matched action", "number", 0.5),
            Field("after", "Until seconds after it", "number", 0.9),
            Field("times", "Times", "number", 1),
            Field(
                "sound",
                "Sound",
                "choice",
                "muted",
                (("muted", "muted"), ("stretched", "slowed, same pitch")),
            ),
        ),
        optional=True,
    ),
    Section(
        "freeze",
        "Stop on the matched action",
        (
            Field("seconds", "For seconds", "number", 1.5),
            Field("offset", "Seconds after it starts", "number", 0.0),
        ),
        optional=True,
    ),
    Section(
        "zoom",
        "Move in",
        (
            Field(
                "region",
                "Left, top, width, height",
                "shares",
                hint="shares of the picture: 0.2, 0.1, 0.5, 0.5",
            ),
            Field("after", "Begin after seconds", "number", 0.0),
            Field("move", "Take seconds", "number", 0.6),
            Field(
                "shots",
                "When",
                "shots",
                "",
                (
                    ("", "always"),
                    ("slow,freeze", "slowly and frozen"),
                    ("slow", "slowly only"),
                    ("freeze", "frozen only"),
                ),
            ),
        ),
        optional=True,
    ),
    Section(
        "picture",
        "Picture",
        (
            Field(
                "preset",
                "Made for",
                "choice",
                "standard",
                (
                    ("standard", "a computer"),
                    ("tablet", "a tablet"),
                    ("phone", "a phone, upright"),
                    ("archive", "keeping, largest and best"),
                ),
            ),
            Field(
                "mirror",
                "Show mirrored",
                "choice",
                "none",
                (
                    ("none", "nobody"),
                    ("southpaw", "southpaws’ examples"),
                    ("orthodox", "orthodox fighters’ examples"),
                    ("all", "all"),
                ),
            ),
            Field("joins", "Joins", "choice", "cut", (("cut", "straight cut"), ("fade", "fade"))),
            Field("captions", "Captions", "flag", True),
            Field("notes", "Notes in captions", "flag", False),
            Field("numbers", "Number the examples", "flag", False),
            Field("cards", "Title and end card", "flag", True),
            Field("size", "Size", hint="empty: as filmed; else 1280x720"),
            Field("rate", "Frames a second", hint="empty: as filmed; else 25 or 30000/1001"),
        ),
    ),
)
FIRST = tuple(
    (section, field)
    for section in SECTIONS
    for field in section.fields
    if (section.table, field.key) in (("", "phrase"), ("", "title"), ("", "order"), ("limits", "clips"))
)
"""What stands open on the form, with the tick for slow replays; the rest is folded."""

NEW: dict[str, Any] = {"limits": {"clips": 20}, "slow": {}, "freeze": {}}
"""What a new theme's form begins with."""


@dataclass(frozen=True)
class ThemePage:
    """What theme.html shows. `name` empty: a new one. `values`: the form's, by `table.key`. `text`: its file,
    empty for the form. `said`, `clips`: what it would show now, None while there is something wrong."""

    name: str
    theme: ThemeFile | None
    values: Mapping[str, Any]
    text: str
    problem: str = ""
    said: str = ""
    clips: int | None = None


@page.get("/")
def index() -> ResponseReturnValue:
    return render_template("themes.html", themes=library().making.themes.all())


@page.get("/new")
def new() -> ResponseReturnValue:
    phrase = request.args.get("q", "").strip()[:500]
    return _page("", _values(NEW | ({"phrase": phrase} if phrase else {})), "")


@page.post("/new")
def create() -> ResponseReturnValue:
    return _save("")


@page.get("/<name>/")
def show(name: str) -> ResponseReturnValue:
    themes = library().making.themes
    text = themes.text(name)
    kept = themes.one(name)
    return _page(name, _values(tomllib.loads(text)) if kept.theme else {}, text, kept.problem)


@page.post("/<name>/")
def change(name: str) -> ResponseReturnValue:
    library().making.themes.text(name)
    return _save(name)


def _save(name: str) -> ResponseReturnValue:
    themes, form = library().making.themes, request.form
    if "text" in form:
        text, values = form["text"].replace("\r\n", "\n"), {}
    else:
        before = themes.one(name).theme if name else None
        fields = _fields()
        values = _values(fields)
        text = text_of_fields(fields, before)
    try:
        if "check" not in form:
            return redirect(url_for("themes.show", name=themes.put(text, name or None)), 303)
        themes.check(text, f"{name or 'theme'}.toml")
    except NotFoundError:
        raise
    except InputError as wrong:
        return _page(name, values, text, str(wrong)), 400
    return _page(name, values or _values(tomllib.loads(text)), text)


def _page(name: str, values: Mapping[str, Any], text: str, problem: str = "") -> str:
    themes = library().making.themes
    said, clips = "", None
    if text and not problem:
        said, clips = themes.shows(themes.check(text))
    kept = themes.one(name) if name else None
    here = ThemePage(name, kept, values, text, problem, said, clips)
    return render_template(
        "theme.html",
        here=here,
        sections=SECTIONS,
        first=FIRST,
        kinds=library().making.handover.kinds,
        as_text="text" in request.form,
    )


def _values(told: Mapping[str, Any]) -> dict[str, Any]:
    """A theme's values as the form's fields show them, by `table.key`; a table that is there as `table`."""
    values: dict[str, Any] = {}
    for section in SECTIONS:
        table = told.get(section.table) if section.table else told
        values[section.table] = table is not None and table is not False
        table = table if isinstance(table, Mapping) else {}
        for field in section.fields:
            value = table.get(field.key, field.usual)
            if isinstance(value, list):
                value = (", " if field.kind == "shares" else ",").join(map(str, value))
            values[f"{section.table}.{field.key}"] = value
    return values


def _fields() -> dict[str, Any]:
    """What the form holds as a theme file would; what is as usual is left out, the phrase never."""
    fields: dict[str, Any] = {}
    for section in SECTIONS:
        if section.optional and section.table not in request.form:
            continue
        table: dict[str, Any] = {} if section.table else fields
        for field in section.fields:
            value = _value(field, request.form.get(f"{section.table}.{field.key}", "").strip()[:1000])
            if field.key == "phrase" or (value != field.usual and value not in ("", [])):
                table[field.key] = value
        if section.table and (table or section.optional):
            fields[section.table] = table
    return fields


def _value(field: Field, text: str) -> Any:
    """As TOML would have it; what is no number stays text, and the theme's reader says so."""
    if field.kind == "flag":
        return text == "1"
    if field.kind == "number":
        return _number(text)
    if field.kind == "shares":
        return [_number(word) for word in text.replace(",", " ").split()]
    if field.kind == "shots":
        return text.split(",") if text else ""
    return text


def _number(text: str) -> Any:
    for kind in (int, float):
        try:
            return kind(text)
        except ValueError:
            continue
    return text


@page.post("/<name>/build")
def build(name: str) -> ResponseReturnValue:
    lib = library()
    title = lib.making.themes.one(name).title
    lib.making.themes.read(name)  # says so at once if it cannot be read
    target = url_for("themes.show", name=name)

    def work(progress: Progress) -> str:
        lib.making.themes.build(name, progress)
        return target

    return redirect(url_for("work.watch", key=jobs().start(title, work).key), 303)


@page.post("/build")
def build_all() -> ResponseReturnValue:
    lib = library()
    target = url_for("themes.index")

    def work(progress: Progress) -> str:
        bad = [one.said() for one in lib.making.themes.build_all(progress=progress) if one.report is None]
        if bad:
            raise InputError("The others are up to date. " + "\n".join(bad))
        return target

    return redirect(url_for("work.watch", key=jobs().start("The reels of all themes", work).key), 303)


@page.post("/<name>/remove")
def remove(name: str) -> ResponseReturnValue:
    library().making.themes.remove(name)
    return redirect(url_for("themes.index"), 303)


@page.get("/<name>/reel.mp4")
def play(name: str) -> Response:
    film = library().making.themes.one(name).reel
    if film is None:
        raise NotFoundError("This theme's reel has not been made yet.")
    answer = send_file(
        film,
        mimetype="video/mp4",
        conditional=True,
        as_attachment="download" in request.args,
        download_name=f"{name}.mp4",
    )
    answer.headers["Cache-Control"] = "private, no-cache"
    return answer

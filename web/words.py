"""How times and results are written on pages."""

from __future__ import annotations

from flask import Flask

from cliplib.models import ClipRow
from cliplib.timebase import format_time

from .here import library

OUTCOMES = ("landed", "partial", "blocked", "missed", "knockdown", "hurt")


def clock(us: int | None, places: int = 0) -> str:
    return "" if us is None else format_time(us, places)


def surname(name: str | None) -> str:
    return name.split()[-1] if name else "?"


def happened(clip: ClipRow) -> list[dict[str, object]]:
    """Rows for the list under a clip: who, what, outcome, whether it was matched."""
    lib = library()
    matched = {i for match in clip.matches for i in match}
    people = {a.fighter for a in clip.actions if a.fighter}
    short = {name: surname(name) for name in people}
    if len(set(short.values())) < len(short):  # namesakes
        short = {name: name for name in people}
    return [
        {
            "who": short.get(a.fighter or "", "?"),
            "name": a.fighter,
            "words": lib.say(a),
            "outcome": a.outcome or "",
            "expected": lib.vocabulary.is_punch(a.technique),
            "inferred": "outcome" in a.inferred,
            "matched": i in matched,
            "time": a.time_us,
            "note": a.note,
        }
        for i, a in enumerate(clip.actions)
    ]


def notes(clip: ClipRow) -> list[str]:
    """The exchange's note and those of its actions, each once."""
    texts = [clip.note, *(a.note for a in clip.actions)]
    return list(dict.fromkeys(text for text in texts if text))


def install(app: Flask) -> None:
    app.jinja_env.filters.update(clock=clock, happened=happened, surname=surname, notes=notes)

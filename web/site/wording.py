"""How times and results are written on pages."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from flask import Flask

from cliplib import ClipRow, format_clock, format_time, log_forms

from .here import library

OUTCOMES = ("landed", "partial", "blocked", "missed", "knockdown", "hurt")


def clock(us: int | None, places: int = 0) -> str:
    return "" if us is None else format_time(us, places)


def ringside(us: int | None) -> str:
    """What is left on a round clock, as that clock shows it."""
    return "" if us is None else format_clock(us)


def opens(clip: ClipRow) -> int | None:
    """What the round clock has left where the clip opens, as the film's own clock shows it then: its first
    action comes a little later. A clip may open before the bell; then the whole round is left."""
    first = next((a.time_us for a in clip.actions if a.time_us is not None), None)
    if clip.clock_us is None or clip.start_us is None or first is None or first < 0:
        return clip.clock_us
    return clip.clock_us + max(0, first - clip.start_us)


def many(count: int, one: str, several: str = "") -> str:
    """“1 exchange”, “2 exchanges”. `several`: where it is not `one` and an s."""
    return f"{count} {one if count == 1 else several or one + 's'}"


def surname(name: str | None) -> str:
    return name.split()[-1] if name else "?"


MOST = 7
"""Actions of one exchange that a card shows; the clip's own page shows all of them."""


def happened(clip: ClipRow, most: int | None = None) -> list[dict[str, object]]:
    """Rows for the list under a clip: who, what, outcome, whether it was matched.

    `most`: so many of them at most, those that were matched and what is around them. A place is said where it
    changes.
    """
    lib = library()
    matched = {i for match in clip.matches for i in match}
    short = short_names(a.fighter for a in clip.actions)
    first, last = window(len(clip.actions), matched, most)
    rows: list[dict[str, object]] = []
    place = None
    for i, a in enumerate(clip.actions[first:last], first):
        rows.append(
            {
                "who": short.get(a.fighter or "", "?"),
                "name": a.fighter,
                "words": lib.finding.say(replace(a, place=None) if a.place == place else a),
                "outcome": a.outcome or "",
                "expected": lib.vocabulary.is_punch(a.technique),
                "inferred": "outcome" in a.inferred,
                "matched": i in matched,
                "time": a.time_us,
            }
        )
        place = a.place
    return rows


def window(count: int, matched: set[int], most: int | None) -> tuple[int, int]:
    """[first, last) of the actions to show: one before the first match, and on from there."""
    if most is None or count <= most:
        return 0, count
    first = min(max(0, min(matched, default=0) - 1), count - most)
    return first, first + most


def left_out(clip: ClipRow) -> tuple[int, int]:
    """Actions before and after those that a card shows."""
    first, last = window(len(clip.actions), {i for match in clip.matches for i in match}, MOST)
    return first, len(clip.actions) - last


def short_names(names: Iterable[str | None]) -> dict[str, str]:
    """Last names, unless two people share one."""
    people = {name for name in names if name}
    short = {name: surname(name) for name in people}
    return short if len(set(short.values())) == len(short) else {name: name for name in people}


def notes(clip: ClipRow) -> list[str]:
    """The exchange's note and those of its actions, each once."""
    texts = [clip.note, *(a.note for a in clip.actions)]
    return list(dict.fromkeys(text for text in texts if text))


def install(app: Flask) -> None:
    app.jinja_env.filters.update(
        clock=clock,
        ringside=ringside,
        happened=happened,
        left_out=left_out,
        surname=surname,
        notes=notes,
        many=many,
        opens=opens,
    )
    # Asked for each time, so that a form that is added is on the pages, too.
    app.jinja_env.globals.update(MOST=MOST, log_forms=lambda: log_forms.FORMS.values())

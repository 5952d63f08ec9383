"""How times and results are written on pages."""

from __future__ import annotations

from flask import Flask

from cliplib.models import Action, ClipRow
from cliplib.timebase import format_time

OUTCOMES = ("landed", "partial", "blocked", "missed", "knockdown", "hurt")


def clock(us: int | None) -> str:
    return "" if us is None else format_time(us, 0)


def action_words(action: Action) -> str:
    """`lead hook to the body`; the outcome is shown by a mark beside it."""
    words = []
    if "counter" in action.roles:
        words.append("counter")
    if action.hand and "hand" not in action.inferred:
        words.append(action.hand)
    elif action.side:
        words.append(action.side)
    words.append(action.technique)
    if action.direction:
        words.append(action.direction)
    if action.target:
        words.append(f"to the {action.target}")
    return " ".join(words)


def surname(name: str | None) -> str:
    return name.split()[-1] if name else "?"


def happened(clip: ClipRow) -> list[dict[str, object]]:
    """Rows for the list under a clip: who, what, outcome, whether it was matched."""
    matched = {i for match in clip.matches for i in match}
    return [
        {
            "who": surname(a.fighter),
            "name": a.fighter,
            "words": action_words(a),
            "outcome": a.outcome or "",
            "inferred": "outcome" in a.inferred,
            "matched": i in matched,
            "time": a.time_us,
        }
        for i, a in enumerate(clip.actions)
    ]


def install(app: Flask) -> None:
    app.jinja_env.filters.update(clock=clock, happened=happened, surname=surname)

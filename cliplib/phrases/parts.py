"""A reading in removable pieces, each with the phrase that is left without it."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from typing import Any

from cliplib.core.models import Step, Where
from cliplib.phrases.build import is_any
from cliplib.phrases.saying import describe, say, say_dates, say_rounds, say_within
from cliplib.vocabulary import Vocabulary

_MOST_STEPS = 12
_PARTS = ("fighter", "stance", "hand", "side", "target", "outcome", "role", "direction", "within_us")


def parts_of(
    steps: tuple[Step, ...], where: Where, vocabulary: Vocabulary
) -> tuple[tuple[str, str, str], ...]:
    """(id, English, the phrase without it) for every step, every value of a step and every filter; of a
    pattern longer than anybody would edit piece by piece, only for the filters.
    """
    return tuple(_parts(steps, where, vocabulary))


def _parts(steps: tuple[Step, ...], where: Where, vocabulary: Vocabulary) -> Iterable[tuple[str, str, str]]:
    for index, step in enumerate(steps if len(steps) <= _MOST_STEPS else ()):
        rest = renumbered((*steps[:index], *steps[index + 1 :]))
        label = "anything" if is_any(step, vocabulary) else describe(step, vocabulary)
        yield f"step{index + 1}", ("no " if step.absent else "") + label, say(rest, where, vocabulary)
        for name in _PARTS:
            value = getattr(step, name)
            if value is None:
                continue
            fewer = _without(steps, index, name)
            english = say_within(value) if name == "within_us" else str(value)
            yield f"step{index + 1}.{name.removesuffix('_us')}", english, say(fewer, where, vocabulary)
    pieces: tuple[tuple[str, str | None], ...] = (
        ("fighter", where.fighter), ("stance", where.stance),
        ("opponent", where.opponent), ("opponent_stance", where.opponent_stance),
        ("stance_match", where.stance_match and f"{where.stance_match} stance"),
        ("place", where.place), ("range", where.range and f"{where.range} range"),
        ("rounds", say_rounds(where.rounds)), ("fight", where.fight),
        ("dates", where.dates and say_dates(*where.dates)),
    )  # fmt: skip
    for name, piece in pieces:
        if piece:
            empty: dict[str, Any] = {name: () if name == "rounds" else None}
            yield name, piece, say(steps, dataclasses.replace(where, **empty), vocabulary)


def _without(steps: tuple[Step, ...], index: int, name: str) -> tuple[Step, ...]:
    """A fighter or a stance goes from all steps of that person, since it holds for all of them."""
    by = steps[index].by
    empty: dict[str, Any] = {name: None}
    out = []
    for at, step in enumerate(steps):
        if at == index or (name in ("fighter", "stance") and step.by == by):
            step = dataclasses.replace(step, **empty)
            others = dict.fromkeys(dataclasses.replace(a, **empty) for a in step.alternatives)
            plain = dataclasses.replace(step, alternatives=())
            step = dataclasses.replace(step, alternatives=tuple(a for a in others if a != plain))
        out.append(step)
    return tuple(out)


def renumbered(steps: tuple[Step, ...]) -> tuple[Step, ...]:
    """Persons numbered by appearance, after a step has gone."""
    if not steps or next((s.by for s in steps if not s.absent), steps[0].by) == 1:
        return steps
    return tuple(
        dataclasses.replace(
            s, by=3 - s.by, alternatives=tuple(dataclasses.replace(a, by=3 - s.by) for a in s.alternatives)
        )
        for s in steps
    )

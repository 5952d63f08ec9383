"""Which of the two fighters a log means."""

from __future__ import annotations

from cliplib.core.models import FightInfo
from cliplib.logs.source import Cell, Refused, nearest
from cliplib.phrases.tokens import fold


def resolve(cell: Cell, fight: FightInfo) -> str:
    """The full name for any part of it that only one of the two has, or for the corner (red, blue).

    Raises Refused if nobody or both could be meant.
    """
    said = fold(cell.text)
    for name in fight.fighters:
        if fold(name) == said:
            return name
    words = said.split()
    found = [name for name in fight.fighters if all(word in fold(name).split() for word in words)]
    if len(found) == 1:
        return found[0]
    if len(found) > 1:
        raise Refused(
            cell.problem(f"“{cell.text}” could be {found[0]} or {found[1]}; write more of the name")
        )
    if said in ("red", "blue"):
        return fight.red.name if said == "red" else fight.blue.name
    near = nearest(cell.text, [part for name in fight.fighters for part in (name, *name.split())])
    raise Refused(
        cell.problem(
            f"“{cell.text[:60]}” is not in this fight between {fight.red.name} and {fight.blue.name}", near
        )
    )

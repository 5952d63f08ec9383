"""Fights and fighters by what people call them."""

from __future__ import annotations

from collections.abc import Sequence

from cliplib.catalogue_rows import FightRow
from cliplib.errors import NotFoundError


def fight_named(which: str, fights: Sequence[FightRow]) -> FightRow:
    """The fight whose title is `which`, or the only one whose title holds it; NotFoundError otherwise."""
    wanted = which.casefold()
    found = [f for f in fights if f.title.casefold() == wanted]
    found = found or [f for f in fights if wanted in f.title.casefold()]
    if len(found) == 1:
        return found[0]
    if not found:
        raise NotFoundError(f"there is no fight “{which}” in this library; “fights” lists them")
    named = ", ".join(f"{f.id} ({f.title}{f', {f.info.date}' if f.info.date else ''})" for f in found[:8])
    raise NotFoundError(f"“{which}” may be any of {len(found)} fights: {named}; give the number")


def fighter_named(text: str, names: Sequence[str]) -> str:
    """The one name that is `text` or holds it; NotFoundError if none or several do."""
    wanted = " ".join(text.split()).casefold()
    found = [name for name in names if name.casefold() == wanted]
    found = found or [name for name in names if wanted in name.casefold()]
    if len(found) == 1:
        return found[0]
    if not found:
        raise NotFoundError(f"nobody called “{text}” has a fight in this library; see “fights”")
    raise NotFoundError(f"“{text}” may be {', '.join(found[:8])}; give more of the name")

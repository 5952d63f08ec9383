"""Fights and fighters by what people call them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from cliplib.catalogue.rows import FightRow
from cliplib.core.errors import InputError, NotFoundError
from cliplib.core.models import Where
from cliplib.vocabulary import Vocabulary

UNKNOWN = "unknown"
VIEWS = ("too", "only")
_LIKE_ENOUGH = 0.6
_OF_A_WORD = 0.95  # a word alone that fits counts for a little less than the whole
_AS_GOOD = 0.15
_MOST = 3


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
        hint = meant(text, names) or "; see “fights”"
        raise NotFoundError(f"nobody called “{text}” has a fight in this library{hint}")
    raise NotFoundError(f"“{text}” may be {', '.join(found[:8])}; give more of the name")


def checked(
    where: Where,
    fighters: Sequence[str],
    titles: Sequence[str],
    periods: Sequence[str],
    vocabulary: Vocabulary,
) -> Where:
    """`where` with names as the library has them; InputError for a value that nothing can have, with the ones
    that are nearest to it. A filter that holds no such thing would find nothing, and not say why."""
    kinds = {
        "technique": vocabulary.names,
        "outcome": vocabulary.outcomes,
        "place": vocabulary.places,
        "range": vocabulary.ranges,
        "stance": vocabulary.stances,
        "opponent_stance": vocabulary.stances,
    }
    if where.views not in (None, *VIEWS):
        raise InputError(f"“{where.views}” is no way to take views; write too, or only")
    changes: dict[str, Any] = {}
    for name, known in kinds.items():
        value = getattr(where, name)
        if value is None:
            continue
        plain = " ".join(value.split()).casefold()
        if plain not in (*known, UNKNOWN):
            few = f"; there are {', '.join(known)}" if len(known) < 10 else ""
            raise InputError(f"“{value}” is no {name.replace('_', '’s ')}{meant(value, known) or few}")
        changes[name] = plain
    try:
        for name in ("fighter", "opponent"):
            if (value := getattr(where, name)) is not None:
                changes[name] = fighter_named(value, fighters)
    except NotFoundError as problem:
        raise InputError(str(problem)) from problem
    if where.fight is not None:
        changes["fight"] = _title(where.fight, titles)
    for name in ("before", "during", "after"):
        if (value := getattr(where, name)) is not None:
            changes[name] = period_named(value, periods)
    return replace(where, **changes)


def period_named(text: str, periods: Sequence[str]) -> str:
    """The period of that name, as the library has it; InputError if there is none."""
    wanted = " ".join(text.split()).casefold()
    found = next((name for name in periods if name.casefold() == wanted), None)
    if found is None:
        few = f"; there are {', '.join(periods)}" if 0 < len(periods) < 10 else ""
        none = few or "; periods are named in a fight's fight.toml"
        raise InputError(f"no fight has a period “{text}”{meant(text, periods) or none}")
    return found


def _title(text: str, titles: Sequence[str]) -> str:
    if text in titles:
        return text
    wanted = " ".join(text.split()).casefold()
    found = [title for title in titles if title.casefold() == wanted]
    found = found or [title for title in titles if wanted in title.casefold()]
    if len(found) == 1:
        return found[0]
    if found:
        raise InputError(f"“{text}” may be {', '.join(found[:8])}; give more of the title")
    raise InputError(f"there is no fight “{text}” in this library{meant(text, titles) or '; see “fights”'}")


def meant(text: str, known: Sequence[str]) -> str:
    """“; did you mean …?” with what is nearest among `known`, as a whole or by one of its words; or empty."""
    from rapidfuzz.distance import OSA

    words = text.casefold().split()
    wanted = [(" ".join(words), 1.0), *((word, _OF_A_WORD) for word in words if len(words) > 1)]
    scored = []
    for name in known:
        plain = name.casefold()
        parts = [(plain, 1.0), *((part, _OF_A_WORD) for part in plain.split())]
        score = max(p * q * OSA.normalized_similarity(a, b) for a, p in wanted for b, q in parts)
        if score >= _LIKE_ENOUGH:
            scored.append((-score, name))
    scored.sort()
    nearest = [name for score, name in scored[:_MOST] if score <= scored[0][0] + _AS_GOOD]
    return f"; did you mean {' or '.join(f'“{name}”' for name in nearest)}?" if nearest else ""

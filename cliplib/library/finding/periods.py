"""Names of periods in a phrase: “jab, then step out during one hand”, “his counters before “one hand””.

The stretch that names a period is taken out before the phrase is read, and put back into what is said. A
period's name may be anybody's words, so it is found by its place: after *during*, *in*, *before* or *after*,
in quotation marks, between commas, or alone. Where the name alone reads as trade language (“clinch”), only
the marks, or the word *period* beside it, make it a name.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from cliplib.core.models import Reading, Where

_SIDES = {"before": "before", "up to": "before", "until": "before", "after": "after", "since": "after"}
_INTRODUCED = r"during|throughout|within|in|before|up to|until|after|since"


@dataclass(frozen=True, slots=True)
class _Said:
    start: int
    end: int
    side: str
    name: str


def read_with_periods(phrase: str, periods: Sequence[str], read: Callable[[str], Reading]) -> Reading:
    """The phrase read by `read`, with the filters that names of `periods` stand for."""
    said = _said(phrase, periods, read)
    if not said:
        return read(phrase)
    rest = phrase
    for one in said:  # blanks in its place, so that what is not understood stays where it was
        rest = rest[: one.start] + " " * (one.end - one.start) + rest[one.end :]
    reading = read(rest)
    where = replace(reading.where, **{one.side: one.name for one in said})  # type: ignore[arg-type]
    clauses = [_clause(where, side) for side in ("before", "during", "after") if getattr(where, side)]
    parts = [(key, text, _joined(without, *clauses)) for key, text, without in reading.parts]
    parts += [
        (
            side,
            _clause(where, side),
            _joined(" ".join(rest.split()), *(c for c in clauses if c != _clause(where, side))),
        )
        for side in ("before", "during", "after")
        if getattr(where, side)
    ]
    return replace(
        reading, phrase=phrase, said=_joined(reading.said, *clauses), where=where, parts=tuple(parts)
    )


def completed(prefix: str, periods: Sequence[str]) -> list[str]:
    """`prefix` with the names of periods that its last words may be the beginning of."""
    match = re.search(rf"(?<!\w)(?:{_INTRODUCED})\s+(?:the\s+)?[“\"]?(\w[^“”\"]*|)$", prefix, re.IGNORECASE)
    if match is None:
        return []
    begun = " ".join(match[1].split()).casefold()
    return [f"{prefix[: match.start(1)]}{name}" for name in periods if name.casefold().startswith(begun)]


def _clause(where: Where, side: str) -> str:
    return f"{side} “{getattr(where, side)}”"


def _joined(first: str, *clauses: str) -> str:
    return " ".join(part for part in (first.strip(" ,"), *clauses) if part)


def _said(phrase: str, periods: Sequence[str], read: Callable[[str], Reading]) -> list[_Said]:
    """The stretches of a phrase that name a period, at most one for each side."""
    found: dict[str, _Said] = {}
    for name in sorted(periods, key=len, reverse=True):
        words = r"\s+".join(map(re.escape, name.split()))
        if not re.search(words, phrase, re.IGNORECASE):
            continue  # reading a name to see whether it is trade language takes far longer
        marked = (
            rf"[“\"‘']{words}[”\"’'](?:\s+period)?|(?:the\s+)?period\s+{words}|(?:the\s+)?{words}\s+period"
        )
        plain = rf"|(?:the\s+)?{words}" if _plain(name, read) else ""
        alone = rf"|(?:^|(?<=,)\s*){words}(?=\s*(?:,|$))" if plain else ""
        pattern = rf",?\s*(?<!\w)(?:(?P<how>{_INTRODUCED})\s+(?:{marked}{plain})|(?:{marked}){alone})(?!\w)"
        for match in re.finditer(pattern, phrase, re.IGNORECASE):
            side = _SIDES.get(" ".join((match["how"] or "").casefold().split()), "during")
            inside = any(one.start < match.end() and match.start() < one.end for one in found.values())
            if not inside and side not in found:
                found[side] = _Said(match.start(), match.end(), side, name)
    return sorted(found.values(), key=lambda one: one.start)


def _plain(name: str, read: Callable[[str], Reading]) -> bool:
    """Whether a name cannot be taken for trade language."""
    return bool(read(name).unread)

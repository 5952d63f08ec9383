"""A list of clips that somebody goes through: what an address says of it, its rows, and the way back to it.

A search (`q`, filters, order), picked clips (`of=3,1,2`), a reel (`reel`) or a theme (`theme`). Every page
that goes from clip to clip asks here, so that the next one is the next of the list, wherever it was opened.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any
from urllib.parse import urlencode

from flask import url_for

from cliplib import ClipRow, InputError, Library, Where

ORDERS = {"fit": "best fit", "date": "date", "round": "round", "fighter": "fighter"}
FILTERS = (
    "technique",
    "fighter",
    "outcome",
    "round",
    "stance",
    "opponent",
    "opponent_stance",
    "fight",
    "place",
    "before",
    "during",
    "after",
    "views",
)
PER_PAGE = 12
"""Two screens of a tablet. With twice as many some pages take more than 0.3 s until they answer to keys."""
LONGEST = 200
"""Clips that an address may name one by one."""
_NEAR = 200
"""How far around its old place a clip is looked for in a result that changed meanwhile."""


@dataclass(frozen=True)
class Listed:
    """`title`: what the list is called. `args`: what addresses say of it. `numbers`: its clips, unless it is
    a search by `phrase`."""

    library: Library
    title: str
    phrase: str
    args: Mapping[str, str]
    numbers: tuple[int, ...] | None = None
    where: Where = field(default_factory=Where)
    filters: Mapping[str, str] = field(default_factory=dict)
    """As the library spells them."""

    @property
    def order(self) -> str:
        return self.args.get("order", "fit")

    def page(self, offset: int, limit: int) -> tuple[int, list[ClipRow]]:
        """(clips of the whole list, those of one stretch of it with what the phrase matches)."""
        if self.numbers is None:
            found = self.library.finding.find(
                self.phrase,
                where=self.where,
                order=self.order,
                offset=offset,
                limit=limit,
                second_opinions=self.args.get("logs") == "all",
                noted=False,
            )
            return found.total, list(found.clips)
        finding = self.library.finding
        rows = finding.clips(self.numbers[offset : offset + limit])
        return len(self.numbers), finding.matched(rows, self.phrase) if self.phrase else rows

    def place(self, clip_id: int, near: int) -> int | None:
        """Where a clip stands in the list; None if it is not there (any more)."""
        if self.numbers is not None:
            return self.numbers.index(clip_id) if clip_id in self.numbers else None
        for first, limit in ((near, 1), (max(0, near - _NEAR), 2 * _NEAR)):
            _, rows = self.page(first, limit)
            at = next((n for n, row in enumerate(rows) if row.id == clip_id), None)
            if at is not None:
                return first + at
        return None

    def link(self, endpoint: str, at: int | None = None, **more: Any) -> str:
        """An address with the list in it. `at`: the place of a clip."""
        said = {**self.args, **({"at": str(at)} if at is not None else {})}
        return url_for(endpoint, **more) + (f"?{urlencode(said)}" if said else "")

    def back(self, at: int | None, clip_id: int | None) -> str:
        """Where the list is shown, at the clip."""
        there = f"#t{clip_id}" if clip_id is not None else ""
        if "reel" in self.args:
            return url_for("reels.show", name=self.args["reel"])
        if "theme" in self.args:
            return url_for("themes.show", name=self.args["theme"])
        if self.numbers is not None:
            return url_for("find.find", q=self.phrase or None)
        number = (at or 0) // PER_PAGE + 1
        return self.link("find.find") + (f"&page={number}" if number > 1 else "") + there


def filters_of(values: Mapping[str, str]) -> dict[str, str]:
    """The filters in an address or a form."""
    return {name: text[:200] for name in FILTERS if (text := values.get(name, "").strip())}


def where_from(library: Library, filters: Mapping[str, str]) -> Where:
    """Filters of an address as search filters; InputError for a value that nothing in the library has."""
    plain: dict[str, Any] = {k: v for k, v in filters.items() if k != "round"}
    where = Where(**plain)
    if text := filters.get("round"):
        number = text.isdecimal() and len(text) < 4
        if not number and text not in ("last", "unknown"):
            raise InputError(f"“{text}” is not a round; write a number, “last” or “unknown”.")
        where = replace(where, rounds=(int(text) if number else text,))
    return library.finding.checked(where)


def numbers_of(text: str) -> tuple[int, ...]:
    """Clips named one by one, each once; InputError for anything else."""
    words = [word for word in text.split(",") if word]
    if not all(word.isdecimal() and len(word) < 12 for word in words):
        raise InputError("A clip's number is a number; pick the clips anew.")
    if len(words) > LONGEST:
        raise InputError(f"{len(words)} clips are too many at once here, {LONGEST} at most; pick fewer.")
    return tuple(dict.fromkeys(int(word) for word in words))


def listed(library: Library, values: Mapping[str, str]) -> Listed | None:
    """The list that an address speaks of; None if it says nothing of one."""
    phrase = values.get("q", "").strip()[:500]
    said = {"q": phrase} if phrase else {}
    if name := values.get("reel", ""):
        reel = library.making.made_reel(name)
        made = reel.recipe or {}
        phrase = made.get("phrase") or made.get("matching") or ""
        return Listed(library, reel.title, phrase, {"reel": name}, tuple(dict.fromkeys(reel.shows)))
    if name := values.get("theme", ""):
        themes = library.making.themes
        phrase, clips = themes.read(name).phrase, tuple(dict.fromkeys(themes.clips(name)))
        return Listed(library, themes.one(name).title, phrase, {"theme": name}, clips)
    if numbers := numbers_of(values.get("of", "")):
        title = values.get("title", "").strip()[:200] or phrase or "Picked clips"
        return Listed(library, title, phrase, {**said, "of": ",".join(map(str, numbers))}, numbers)
    filters = filters_of(values)
    if not phrase and not filters:
        return None
    where = where_from(library, filters)
    filters = {key: getattr(where, key, None) or text for key, text in filters.items()}
    order = values.get("order", "fit")
    kept = {"order": order} if order in ORDERS and order != "fit" else {}
    logs = {"logs": "all"} if values.get("logs") == "all" else {}
    title = ", ".join((*((phrase,) if phrase else ()), *filters.values()))
    return Listed(library, title, phrase, {**said, **filters, **kept, **logs}, where=where, filters=filters)

"""What the links of a breakdown say: counts, clips, finds, two clips at once, charts. Pure.

count:PHRASE?rounds=1-2&of=missed       a number in the script
count:PHRASE?table=answers&key=KEY      the number with that key in an evidence table
clip:12                                 a shot; its title is the treatment, in words
find:PHRASE?fighter=Adeyemi&limit=3     shots that follow the library
beside:7,31                             two clips at once
picture:next?phrase=PHRASE              a chart, as a still
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Literal
from urllib.parse import parse_qsl, unquote

from rapidfuzz import process

from cliplib.core.timebase import from_seconds
from cliplib.reels.parts import Freeze, Slow, Zoom

KINDS = ("count", "clip", "find", "beside", "picture")
PICTURES = ("counts", "rates", "next")
"""Charts that a picture link can name: how often by outcome, how much of it landed, what comes next."""

FILTERS = (
    "fighter", "opponent", "stance", "opponent_stance", "stance_match", "rounds", "fight", "place", "range",
    "outcome", "technique", "from", "to", "before", "during", "after", "views",
)  # fmt: skip
CATEGORIES = ("landed", "partial", "blocked", "missed", "unknown")
ONLY = "only."
"""Before a key of the evidence tables: `only.round=3` counts tries whose own action is of round 3."""
ASK = "ask."
"""Before a parameter of an evidence table: `ask.this=round=1`; may be repeated."""

_MOST_FOUND = 50


@dataclass(frozen=True, slots=True)
class Asked:
    """A phrase with what narrows it. `filters`: of `find`; `only`: of the counted action itself; both in the
    order in which they were written. `of`: which outcome is counted; "" is landed, or all there are. `table`,
    `key`, `ask`: which number of which evidence table, and what else that table is asked."""

    phrase: str
    filters: tuple[tuple[str, str], ...] = ()
    only: tuple[tuple[str, str], ...] = ()
    of: str = ""
    limit: int = 0
    by: tuple[str, ...] = ()
    table: str = ""
    key: str = ""
    ask: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Words:
    """A shot's treatment as its link's title says it. None is as the breakdown has it; False is none of it.
    `first`, `last`: frames of the footage, half-open. `offset`: frames by which the second of two clips is
    shown later. `hold_us`: how long a chart stays."""

    slow: Slow | Literal[False] | None = None
    freeze: Freeze | Literal[False] | None = None
    zoom: Zoom | Literal[False] | None = None
    mirror: str | None = None  # none | both | first | second
    first: int | None = None
    last: int | None = None
    offset: int = 0
    hold_us: int | None = None


def kind_of(target: str) -> str:
    """One of KINDS, or "" for a link that means nothing here."""
    scheme, colon, _ = target.partition(":")
    return scheme if colon and scheme in KINDS else ""


_EXTRA = {
    "count": ("of", ONLY, "table", "key", ASK),
    "find": ("limit",),
    "picture": ("phrase", "by", ONLY),
}
"""What a kind of link can say beside FILTERS; ending in a dot: what begins so."""


def asked(target: str) -> Asked:
    """What a count, find or picture link asks for. Raises ValueError with a sentence for a person."""
    kind, _, rest = target.partition(":")
    phrase, _, query = rest.partition("?")
    phrase = unquote(phrase).strip()
    found = Asked(phrase)
    for key, value in parse_qsl(query, keep_blank_values=True):
        found = _saying(found, kind, key, value)
    if kind == "picture":
        _one_of("picture", phrase, PICTURES)
    if not found.phrase:
        raise ValueError(f"the {kind} link says no phrase; write {kind}:jab, or <{kind}:slip and counter>")
    if bool(found.table) != bool(found.key) or (found.ask and not found.table):
        raise ValueError("a number of an evidence table needs both table=NAME and key=KEY")
    if found.table and found.of:
        raise ValueError("“of” says nothing beside “table”: the key says which number is meant")
    return found


def _saying(found: Asked, kind: str, key: str, value: str) -> Asked:
    """What one KEY=VALUE adds. Raises ValueError."""
    first, dot, name = key.partition(".")
    extra = _EXTRA.get(kind, ())
    if key in FILTERS:
        return replace(found, filters=(*found.filters, (key, value)))
    if first + dot not in extra:
        known = (*FILTERS, *(f"{one}KEY" if one.endswith(".") else one for one in extra))
        near = process.extractOne(key, known, score_cutoff=60)
        hint = f"; did you mean “{near[0]}”?" if near else f"; there are {', '.join(known)}"
        raise ValueError(f"“{key}” is nothing that a {kind} link can say{hint}")
    if dot == ".":
        pairs = {ONLY: found.only, ASK: found.ask}[first + dot]
        return replace(found, **{first: (*pairs, (name, value))})  # type: ignore[arg-type]
    if key == "of":
        return replace(found, of=_one_of("of", value, CATEGORIES))
    if key == "limit":
        return replace(found, limit=_whole("limit", value, 1, _MOST_FOUND))
    if key == "by":
        return replace(found, by=(*found.by, value))
    return replace(found, **{key: value.strip()})  # type: ignore[arg-type]


def picture_kind(target: str) -> str:
    return target.partition(":")[2].partition("?")[0].strip()


def clips_in(target: str) -> tuple[int, ...]:
    """The clips that a clip or beside link names. Raises ValueError."""
    kind, _, rest = target.partition(":")
    words = rest.replace(",", " ").split()
    wanted = 2 if kind == "beside" else 1
    if len(words) != wanted or not all(re.fullmatch(r"\d{1,12}", word, re.ASCII) for word in words):
        like = "beside:7,31" if wanted == 2 else "clip:12"
        raise ValueError(f"“{target}” does not name {wanted} clip{'s' * (wanted > 1)}; write {like}")
    return tuple(int(word) for word in words)


# --- a treatment in words ---------------------------------------------------------------------------------

_WORDS = ("slow", "freeze", "zoom", "mirror", "frames", "times", "offset", "hold", "no slow", "no freeze",
          "no zoom", "no mirror")  # fmt: skip


def treatment(title: str) -> Words:
    """`slow 0.5, freeze 1.5, mirror` as data. Raises ValueError with a sentence for a person."""
    said = Words()
    for piece in filter(None, (" ".join(part.split()) for part in title.split(","))):
        said = _with(said, piece.casefold())
    return said


def _with(said: Words, piece: str) -> Words:  # noqa: C901 - a branch for each word that can stand there
    word, _, rest = piece.partition(" ")
    if piece == "no slow":
        return replace(said, slow=False)
    if piece == "no freeze":
        return replace(said, freeze=False)
    if piece == "no zoom":
        return replace(said, zoom=False)
    if piece in ("no mirror", "not mirrored"):
        return replace(said, mirror="none")
    if word in ("mirror", "mirrored"):
        return replace(said, mirror=_one_of("mirror", rest or "both", ("both", "first", "second")))
    if word == "slow":
        speed = Fraction(str(_number(piece, rest, 0.05, 1) if rest else 0.5)).limit_denominator(100)
        before = said.slow if isinstance(said.slow, Slow) else Slow()
        return replace(said, slow=replace(before, speed=speed))
    if word == "times":
        before = said.slow if isinstance(said.slow, Slow) else Slow()
        return replace(said, slow=replace(before, times=_whole("times", rest, 1, 10)))
    if word == "freeze":
        return replace(said, freeze=Freeze(hold_us=from_seconds(_number(piece, rest, 0.04, 60))) if rest else
                       Freeze())  # fmt: skip
    if word == "hold":
        return replace(said, hold_us=from_seconds(_number(piece, rest, 0.2, 600)))
    if word == "zoom":
        numbers = [_number(piece, one, 0, 1) for one in rest.split()]
        if len(numbers) != 4 or not numbers[2] or not numbers[3]:
            raise ValueError(f"“{piece}” is no zoom; write zoom x y width height, shares of the picture")
        return replace(said, zoom=Zoom((numbers[0], numbers[1], numbers[2], numbers[3])))
    if word == "frames":
        match = re.fullmatch(r"(\d{1,9}) ?(?:-|–|to) ?(\d{1,9})", rest, re.ASCII)
        if match is None or int(match[2]) <= int(match[1]):
            raise ValueError(f"“{piece}” is no stretch of film; write frames 310-420, the second not with it")
        return replace(said, first=int(match[1]), last=int(match[2]))
    if word == "offset":
        return replace(said, offset=int(_number(piece, rest.removesuffix(" frames"), -10_000, 10_000)))
    near = process.extractOne(piece, _WORDS, score_cutoff=55)
    hint = f"; did you mean “{near[0]}”?" if near else f"; there are {', '.join(_WORDS)}"
    raise ValueError(f"“{piece}” is no treatment{hint}")


def _one_of(what: str, value: str, words: tuple[str, ...]) -> str:
    if value not in words:
        near = process.extractOne(value, words, score_cutoff=60)
        hint = f"; did you mean “{near[0]}”?" if near else ""
        raise ValueError(f"“{value}” is no {what}; there are {', '.join(words)}{hint}")
    return value


def _whole(what: str, value: str, low: int, high: int) -> int:
    if not re.fullmatch(r"\d{1,9}", value, re.ASCII) or not low <= int(value) <= high:
        raise ValueError(f"{what} must be a whole number from {low} to {high}, not “{value}”")
    return int(value)


def _number(piece: str, value: str, low: float, high: float) -> float:
    try:
        number = float(value)
    except ValueError:
        number = float("nan")
    if not low <= number <= high:
        raise ValueError(f"“{piece}” needs a number from {low:g} to {high:g}")
    return number

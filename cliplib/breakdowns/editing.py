"""Changes to a document that are asked for by pressing something: a shot or a sentence put into a point, the
points in another order. Pure; whatever is not asked for stays byte for byte.

The changed text is read again. Where it would not read as wished (an open code block swallows what comes
behind it, say) InputError is raised and nothing is changed.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence

from cliplib.breakdowns import document as documents
from cliplib.breakdowns.document import Block, Breakdown, Point
from cliplib.core.errors import InputError, NotFoundError

_TARGET = re.compile(r"[%?<>\\;\x00-\x1f\x7f]")
_VALUE = re.compile(r"[%?<>\\;&+#\x00-\x1f\x7f]")
_BARE = re.compile(r"[a-z]+:[\w,.-]+")
_LINK = re.compile(r"\]\(")
_MARKS = re.compile(r"([\\`*_\[\]<>&#|~!])")
_ENDS = re.compile(r"\r\n|\n|\r")


# --- what is put in ---------------------------------------------------------------------------------------


def target_of(kind: str, phrase: str, said: Iterable[tuple[str, str]] = ()) -> str:
    """A link's target that `links.asked` reads back to this phrase and these values."""
    query = "&".join(f"{name}={_VALUE.sub(_percent, value)}" for name, value in said)
    what = _TARGET.sub(_percent, " ".join(phrase.split()))
    return f"{kind}:{what}" + (f"?{query}" if query else "")


def plain(text: str) -> str:
    """A text as CommonMark that shows just this text, on one line."""
    return _MARKS.sub(r"\\\1", " ".join(text.split()))


def link_to(text: str, target: str, title: str = "") -> str:
    """A link as it is written. `title`: a shot's treatment, in words."""
    treatment = ' "{}"'.format(re.sub(r'(["\\])', r"\\\1", " ".join(title.split()))) if title else ""
    where = target if _BARE.fullmatch(target) else f"<{target}>"
    return f"[{plain(text)}]({where}{treatment})"


def _percent(match: re.Match[str]) -> str:
    return "".join(f"%{byte:02X}" for byte in match[0].encode())


# --- changes ----------------------------------------------------------------------------------------------


def with_shot(document: Breakdown, key: str, link: str) -> str:
    """The text with one more shot at the end of a point's list. NotFoundError for no such point."""
    point = _point(document, key)
    blocks = _blocks_of(document, point)
    lists = [block for block in blocks if block.kind == "bullet_list_open"]
    if lists:
        marker = lists[-1].markup or "-"
        return _checked(document, _put(document.text, lists[-1].last, [f"{marker} {link}"]), point, link)
    after = _put(document.text, _said_until(blocks, point), ["", f"- {link}"], alone=True)
    return _checked(document, after, point, link)


def with_sentence(document: Breakdown, key: str, sentence: str) -> str:
    """The text with a paragraph behind what is said in a point. NotFoundError for no such point."""
    point = _point(document, key)
    until = _said_until(_blocks_of(document, point), point)
    return _checked(document, _put(document.text, until, ["", sentence], alone=True), point, sentence)


def in_order(document: Breakdown, order: Sequence[int]) -> str:
    """The text with its points in another order, by their numbers from 0."""
    points = document.points
    if sorted(order) != list(range(len(points))):
        raise InputError(f"the new order must name each of the {len(points)} points once, from 0")
    if list(order) == list(range(len(points))):
        return document.text
    starts = _starts(document.text)
    end = _line_end(document.text)
    pieces = [document.text[starts[p.lines[0]] : _at(document.text, starts, p.lines[1])] for p in points]
    moved = [pieces[number] for number in order]
    for place, piece in enumerate(moved[:-1]):
        lines = _ENDS.split(piece)
        if lines[-1].strip():  # the last line of the file, without an end
            moved[place] = piece + end + end
        elif len(lines) < 2 or lines[-2].strip():
            moved[place] = piece + end
    changed = document.text[: starts[points[0].lines[0]]] + "".join(moved)
    after = documents.read(changed)
    if [_sense(p) for p in after.points] != [_sense(points[number]) for number in order]:
        raise InputError("the points would not read the same in that order; move the text by hand")
    return changed


def _sense(point: Point) -> tuple[object, ...]:
    return (
        point.heading,
        tuple(p.text for p in point.script),
        tuple((shot.target, shot.text, shot.title) for shot in point.shots),
        tuple(settings.text for settings in point.settings),
    )


def with_ends_of(text: str, before: str) -> str:
    """`text`, whose lines end as browsers have them, with the line ends that `before` has. Lines that did not
    change keep their own; others get what most lines have."""
    lines = _ENDS.split(text)
    ends = _ENDS.findall(before)
    if not set(ends) - {"\n"}:
        return "\n".join(lines)
    old, usual = _ENDS.split(before), _line_end(before)
    head = 0
    while head < min(len(old), len(lines)) - 1 and old[head] == lines[head]:
        head += 1
    tail = 0
    while tail < min(len(old), len(lines)) - 1 - head and old[-2 - tail] == lines[-2 - tail]:
        tail += 1
    count = len(lines) - 1
    kept = [*ends[:head], *[usual] * (count - head - tail), *(ends[len(ends) - tail :] if tail else ())]
    return "".join(line + end for line, end in zip(lines, [*kept, ""], strict=True))


# --- lines ------------------------------------------------------------------------------------------------


def _point(document: Breakdown, key: str) -> Point:
    point = document.point(key)
    if point is None:
        raise NotFoundError(f"there is no point “{key[:60]}” in this breakdown; look at it again")
    return point


def _blocks_of(document: Breakdown, point: Point) -> list[Block]:
    return [b for b in documents.blocks(document.text) if point.lines[0] <= b.first < point.lines[1]]


def _said_until(blocks: Sequence[Block], point: Point) -> int:
    """The line behind a point's last paragraph, or behind its heading."""
    said = [b.last for b in blocks if b.kind in ("paragraph_open", "heading_open")]
    return max(said, default=point.lines[0] + 1)


def _put(text: str, line: int, lines: Sequence[str], *, alone: bool = False) -> str:
    """Whole lines put before a line, behind the last one that holds anything. `alone`: with an empty line
    behind them."""
    starts, end = _starts(text), _line_end(text)
    while line > 0 and not text[starts[line - 1] : _at(text, starts, line)].strip():
        line -= 1
    place = _at(text, starts, line)
    put = "".join(one + end for one in lines)
    if place and text[place - 1] not in "\r\n":
        put = end + put
    following = text[place : _at(text, starts, line + 1)]
    return text[:place] + put + (end if alone and following.strip() else "") + text[place:]


def _starts(text: str) -> list[int]:
    return [0, *(m.end() for m in _ENDS.finditer(text))]


def _at(text: str, starts: Sequence[int], line: int) -> int:
    return starts[line] if line < len(starts) else len(text)


def _line_end(text: str) -> str:
    found = Counter(_ENDS.findall(text)).most_common(1)
    return found[0][0] if found else "\n"


def _checked(before: Breakdown, text: str, point: Point, put: str) -> str:
    """The changed text, if it has one thing more and all else as it was."""
    after = documents.read(text)
    here = after.point(point.key)
    same = [_sense(p) for p in before.points if p.key != point.key] == [
        _sense(p) for p in after.points if p.key != point.key
    ]
    grown = len(after.links) == len(before.links) + len(_LINK.findall(put))
    if here is not None:
        grown &= len(here.shots) + len(here.script) == len(point.shots) + len(point.script) + 1
    if here is None or not same or not grown:
        raise InputError(
            f"nothing can be put into “{point.heading}” so that the rest reads as it does; "
            f"write it by hand: {put}"
        )
    return text

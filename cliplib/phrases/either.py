"""“Or” between whole combinations: “1-2 or 1-1-3”. Steps know alternatives of a single action only."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cliplib.phrases.chunk import Chunk, Proto, carry

if TYPE_CHECKING:
    from cliplib.phrases.grammar import Parser

Links = list[tuple[str, Chunk]]


def settle(parser: Parser, begins: list[int]) -> None:
    """Put what stands on both sides of an “or” into one combination, where one can say both; else the second
    is shown as not understood, never read as if it came after the first.

    `begins`: where in the parser's items each link begins.
    """
    links, at = parser.out.links, 0
    while at := next((i for i in range(at + 1, len(links)) if links[i][0] == "or"), 0):
        first, stop = at - 1, at + 1
        while first > 0 and links[first][0] == "juxta":
            first -= 1
        while stop < len(links) and links[stop][0] == "juxta":
            stop += 1
        before, after = _protos(links[first:at]), _protos(links[at:stop])
        # "hook or uppercut to the body", "jab hook or uppercut", "hook or jab cross": of single actions
        if len(after) < 2 or (len(before) < 2 and stop > at + 1):
            continue
        simple = all(_plain(chunk) for _, chunk in links[first + 1 : stop])
        both = _both(before, after) if simple else None
        if both is None:
            end = begins[stop] if stop < len(links) else parser.i
            for item in parser.items[begins[at] : end]:
                parser.refuse(item)
            parser.note(APART)
            del links[at:stop], begins[at:stop]
        else:
            if len(before) != len(after):
                parser.note("the longer combination holds the shorter one, which is what is looked for")
            kept = links[first][1]
            for _, chunk in links[first + 1 : stop]:
                carry(kept, chunk)
            kept.protos = both
            del links[first + 1 : stop], begins[first + 1 : stop]
        at = first


def offer_any(parser: Parser, begins: list[int]) -> None:
    """“jab, cross or hook” is a jab and then one of two, as combinations are written; but it may mean one of
    three.
    """
    links = parser.out.links
    for at in range(2, len(links)):
        if [link for link, _ in links[at - 1 : at + 1]] != ["comma", "or"]:
            continue
        three = [chunk for _, chunk in links[at - 2 : at + 1]]
        comma = parser.phrase.rfind(",", three[0].start, three[1].start)
        if comma < 0 or not all(_plain(c) and len(c.protos) == 1 and c.form in _NOUNS for c in three):
            continue
        start, past = three[0].start, begins[at + 1] if at + 1 < len(begins) else parser.i
        end = parser.items[past - 1].end
        rest = parser.phrase[start:comma] + " or" + parser.phrase[comma + 1 : end]
        parser.choose(start, end, "one, then one of the other two", ("any one of the three", rest))


_NOUNS = ("noun", "plural")
APART = "“or” between combinations of different shape cannot be asked for: ask for one at a time"


def _protos(links: Links) -> list[Proto]:
    return [p for _, chunk in links for p in chunk.protos]


def _plain(chunk: Chunk) -> bool:
    of_its_own = chunk.objects or chunk.passives or chunk.absents or chunk.within_us is not None
    return not (of_its_own or chunk.name or chunk.who)


def _both(before: list[Proto], after: list[Proto]) -> list[Proto] | None:
    """One combination that is found where either is."""
    if len(before) == len(after):
        differ = [i for i, (a, b) in enumerate(zip(before, after, strict=True)) if a != b]
        if len(differ) > 1:
            return None
        for i in differ:
            before[i].others.append(after[i])
        return before
    short, long = sorted((before, after), key=len)
    for start in range(len(long) - len(short) + 1):
        if long[start : start + len(short)] == short:
            return short
    return None

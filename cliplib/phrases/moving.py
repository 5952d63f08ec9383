"""Punches on the move: “coming in”, “backing up”, “on the way out” said behind a punch came before it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cliplib.phrases.chunk import Chunk
from cliplib.phrases.lexer import Item
from cliplib.phrases.modifiers import SIDEWAYS

if TYPE_CHECKING:
    from cliplib.phrases.grammar import Parser
    from cliplib.phrases.modifiers import ModifierReader
    from cliplib.phrases.verbs import VerbReader

_OF_A_PUNCH = ("outcome", "target", "role")


def moves(item: Item | None) -> bool:
    """“coming in”, “on the way out”: a movement that goes on while something else is done."""
    verb = item.sense("technique", "ing") if item is not None else None
    return verb is not None and verb.value in SIDEWAYS


def thrown_moving(reader: ModifierReader, item: Item) -> bool:
    """“lands a left COMING IN”: what was said so far is a punch of its own, and no way to go."""
    if not moves(item) or (reader.last is not None and reader.last.sense("by")):
        return False
    if any(field in reader.pre for field in _OF_A_PUNCH):
        return True
    hand = reader.pre_items.get("side") or reader.pre_items.get("hand")
    before = reader.p.at(-2)
    thrown = reader.threw is not None or (before is not None and bool(before.sense("with")))
    return hand is not None and bool(hand.determiner or hand.names_hand or thrown)


def hit_moving(reader: VerbReader, ahead: int) -> bool:
    """“gets caught COMING IN WITH A LEFT HOOK”: a movement, and the punch that met it."""
    tool = reader.p.at(ahead + 1)
    met = tool is not None and (tool.sense("with") or tool.text.lower() == "by")
    return bool(met) and moves(reader.p.at(ahead)) and reader.thrown_ahead(ahead + 2)


def met_moving(reader: VerbReader, item: Item) -> bool:
    """The same, or “hits him COMING IN WITH A LEFT HOOK”: the movement of whoever is hit."""
    c = reader.c
    him = bool(c.opponent) or item.pronoun in ("him", "them") or item.determiner == "her"
    hit = (c.received or him) and "outcome" in reader.pre
    return (hit or (him and c.role_verb)) and hit_moving(reader, 0)


def movement(reader: ModifierReader) -> Chunk | None:
    """The movement from here. What it is done “with” is not its own."""
    parser = reader.p
    outer, parser.object_depth = parser.object_depth, parser.depth + 1
    found = parser.chunk()
    parser.object_depth = outer
    tool = parser.at()
    if not reader.c.him and not reader.c.opponent and tool is not None and tool.sense("with"):
        own = ("the same fighter's own punch", "after")
        parser.choose(tool.start, tool.end, "the other fighter's punch", own)
    return found


def settle_moving(parser: Parser) -> None:
    """“lands a left coming in”: he steps in, then lands it. “Catches him with a left hook coming in”: the one
    who is caught steps in.
    """
    links, v = parser.out.links, parser.vocabulary
    for at in range(1, len(links)):
        link, chunk = links[at]
        before = links[at - 1][1]
        item = next(i for i in parser.items if i.start == chunk.start)
        if link != "juxta" or not (moves(item) and _moved(chunk)):
            continue
        if before.received or before.objects or before.absent or before.passives:
            continue
        met = before.him or before.evades or bool(before.opponent)
        kind = v.kind(before.protos[-1].technique) if before.protos else "footwork"
        way = kind == "defence" and item.text.lower().startswith("on ")  # "slips on the way in"
        if not (met or way or kind in ("punch", "tie-up", "feint")) or not before.protos:
            continue
        links[at] = ("after", chunk)
        chunk.moving = True
        step = chunk.protos[0].technique
        if met:
            chunk.who = "opponent"
            same = ("the same fighter", f"after a {step}")
            parser.choose(item.start, item.end, "the other fighter", same)
        elif before.protos[-1].outcome in v.outcome_family("landed"):
            other = ("the other fighter", f"after the opponent's {step}")
            parser.choose(item.start, item.end, "the same fighter", other)


def _moved(chunk: Chunk) -> bool:
    told = len(chunk.protos) == 1 and chunk.protos[0].technique in SIDEWAYS and chunk.form == "ing"
    free = not (chunk.name or chunk.by or chunk.who or chunk.pronoun or chunk.objects or chunk.passives)
    return told and free and not chunk.absent

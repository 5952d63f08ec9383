"""Punches that are not where their words are: “jab right hand”, “with his own”, “walks straight in”."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cliplib.phrases.chunk import Chunk, Proto
from cliplib.phrases.lexer import Item

if TYPE_CHECKING:
    from cliplib.phrases.grammar import Parser
    from cliplib.phrases.modifiers import ModifierReader

PRAISE = frozenset(
    ("big", "hard", "heavy", "wide", "nice", "good", "great", "huge", "massive", "solid", "stiff", "sharp",
     "short", "long", "crisp", "fast", "quick")
)  # fmt: skip
"""What is said of a punch and indexed nowhere: never read, but a punch follows it."""
_HALF_SAID = ("straight", "overhand", "punch")
"""Heads that the hand completes: “straight right hand”, “overhand right hand”."""
_GOING = (
    "walk", "walks", "walked", "walking", "march", "marches", "marched", "marching", "charge", "charges",
    "rush", "rushes", "rushed", "rushing", "step", "steps", "stepped", "stepping", "comes", "come", "came",
    "coming", "goes", "go", "went", "going", "moves", "move", "moved", "moving", "runs", "ran", "backs",
    "pull", "pulls", "pulled", "pulling", "lean", "leans", "leaned", "leaning",
)  # fmt: skip
_ENDS = frozenset(("comma", "and", "seq", "after", "with"))
_WAYS = ("in", "forward", "forwards", "back", "backward", "backwards", "ahead", "on", "through", "up", "at")


def begins_punch(reader: ModifierReader, item: Item) -> bool:
    """Whether a hand behind a punch is a punch of its own: “jab right hand”, “jab big right”. “Jab (right
    hand)” and “jab with the right hand” say which hand the jab was thrown with.
    """
    last = reader.last
    if last is None or reader.p.phrase[last.end : item.start].strip():
        return False
    if last.text.lower() in PRAISE:
        return True
    completes = reader.proto.technique in _HALF_SAID and last.sense("technique")
    return item.text.lower().endswith("hand") and not completes


def ends_punch(reader: ModifierReader) -> bool:
    """“right hand LEFT hook”: the hand before was a punch of its own, where “left hand jab” is one jab."""
    hand = reader.pre_items.get("side")
    return bool(hand and hand.text.lower().endswith("hand")) and reader.p.noun_phrase_ahead(0, hands=True)


def straight_on(reader: ModifierReader, item: Item) -> bool:
    """“walks straight in”, “backs up straight”: a way to go, not a punch."""
    if item.text.lower() != "straight" or item.determiner or reader.pre:
        return False
    follows, beyond = reader.p.at(1), reader.p.at(2)
    last = reader.p.at(-1)
    if last is not None and last.text.lower() in _WAYS:
        last = reader.p.at(-2)
    goes = last is not None and last.text.lower().split()[0] in _GOING
    if follows is None or follows.kinds & _ENDS:
        return goes
    way = follows.text.lower() in _WAYS
    return way and (goes or beyond is None or bool(beyond.kinds & _ENDS))


def own_punch(parser: Parser, chunk: Chunk, begun: int) -> None:
    """“catches the jab and comes back with his own”: a punch such as the other one threw."""
    items = parser.items[begun : parser.i]
    own = next((i for i in items if i.text.lower() == "own"), None)
    said = chunk.protos[0] if chunk.protos else Proto(implied=True)
    if own is None or not said.implied or said.hand or said.side or chunk.objects or chunk.passives:
        return
    before = parser.out.links[-1][1] if parser.out.links else None
    theirs = before.objects[-1].protos if before is not None and before.objects else []
    if not theirs:
        parser.refuse(own)
        return
    said.technique, said.hand, said.implied = theirs[-1].technique, theirs[-1].hand, False
    chunk.protos, chunk.bare = [said], False
    chunk.headless, chunk.form = False, "noun"


def own_for_object(reader: ModifierReader) -> bool:
    """“counters the jab with his own”: the same punch back."""
    c = reader.c
    if reader.headed or not c.objects or not c.objects[-1].protos or reader.p.noun_phrase_ahead(1):
        return False
    said = c.objects[-1].protos[-1]
    c.protos, c.headless = [Proto(said.technique, said.hand, role="counter")], False
    return True

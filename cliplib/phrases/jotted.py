"""Notes as they are jotted down: “parry jab, counter jab” is a parry of the other one's jab."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cliplib.phrases.lexer import Item
from cliplib.phrases.modifiers import GUARDS

if TYPE_CHECKING:
    from cliplib.phrases.modifiers import ModifierReader

_RETURNS = ("return", "returns", "come", "comes", "fire", "fires", "answer", "answers")
_GOES_ON = frozenset(("comma", "and", "seq"))
_MEETS = (*GUARDS, "smother")
"""What is hardly ever done but against a punch."""
_MOVES = ("step back", "step out")


def telegraphed(reader: ModifierReader, item: Item) -> bool:
    """Whether the punch that begins here is what the defence before it, jotted down without “the”, is done
    against: it is, where an answer follows, and behind a guard where anything does. Else it is one after the
    other, as in “jab slip cross”; what it is not is offered.
    """
    parser = reader.p
    head, before = parser.at(-1), parser.at(-2)
    if (
        head is None
        or head is not reader.last
        or head.determiner
        or item.joined
        or not head.sense("technique")
    ):
        return False
    if before is not None and not before.kinds & _GOES_ON and not before.fighter:
        return False
    if reader.pre or reader.c.who or reader.proto.technique in _MOVES:
        return False
    stop = parser.i
    while not (parser.is_head(parser.items[stop]) or parser.items[stop].names_hand):
        stop += 1
    punch = parser.items[stop]
    follows, beyond = parser.at(stop + 1 - parser.i), parser.at(stop + 2 - parser.i)
    goes_on = follows is not None and bool(follows.kinds & _GOES_ON)
    if len(punch.numbers) > 1 or (follows is not None and punch.end == follows.start and follows.joined):
        return False
    answer = beyond if goes_on else follows
    words = [i.text.lower().split()[0] for i in (answer, follows) if i is not None]
    answers = answer is not None and (bool(answer.sense("role")) or any(w in _RETURNS for w in words))
    against = answers or (goes_on and beyond is not None and reader.proto.technique in _MEETS)
    said = parser.phrase[item.start : punch.end]
    if against:
        apart = ("one after the other, by one fighter", f"{head.text}, then {said}")
        parser.choose(head.start, punch.end, "the other fighter's punch", apart)
    elif follows is None or goes_on:
        theirs = ("the other fighter's punch", f"{head.text} the {said}")
        parser.choose(head.start, punch.end, "one after the other, by one fighter", theirs)
    return against

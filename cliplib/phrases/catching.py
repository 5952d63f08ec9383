"""“Catches”: a defence (“the jab”) or a punch that lands (“him stepping in”); and who is cornered."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cliplib.phrases.lexer import Item
from cliplib.phrases.moving import movement, moves

if TYPE_CHECKING:
    from cliplib.phrases.modifiers import ModifierReader
    from cliplib.phrases.verbs import VerbReader

_HIM = ("him", "her", "me", "us", "you")


def corners(reader: ModifierReader, item: Item) -> bool:
    """“traps Brandt in the corner”: no hand is trapped."""
    follows, beyond = reader.p.at(1), reader.p.at(2)
    verb = item.sense("technique", "base", "third", "ing", "past")
    if verb is None or verb.value != "trap" or item.determiner or follows is None:
        return False
    if follows.sense("place"):
        return follows.pronoun in ("him", "them")
    return bool(follows.fighter and not follows.possessive and beyond and beyond.sense("place"))


def catches(reader: ModifierReader, item: Item) -> bool:
    """“catches him”, “catches Brandt with a left hook” lands it; “catches the jab”, “catches it with the rear
    hand” defends. Somebody is caught by a punch only.
    """
    verb = item.sense("technique", "base", "third", "past", "ing")
    return verb is not None and verb.value == "catch" and not item.determiner and _somebody(reader, item)


def _somebody(reader: ModifierReader, item: Item) -> bool:
    """Whether the one behind a verb is a person: “him”, “Brandt”, and not “Brandt's jab”, “it”."""
    follows, beyond = reader.p.at(1), reader.p.at(2)
    if follows is None:
        return reader.p.phrase[item.end :].lower().strip(" .!?,;:") in _HIM
    met = moves(follows) or bool(follows.sense("with"))
    if follows.pronoun in _HIM or (follows.pronoun == "them" and (met or follows.sense("technique", "ing"))):
        return True
    if follows.determiner == "her" and not reader.p.noun_phrase_ahead(1) and not reader.p.hand_noun_ahead(1):
        return True
    if follows.possessive or not (follows.fighter or follows.sense("opponent") or _stands(follows)):
        return False
    if _stands(follows):
        return beyond is not None and (moves(beyond) or bool(beyond.sense("with")))
    doing = beyond is not None and beyond.sense("technique", "ing")
    return bool(doing) or not reader.p.noun_phrase_ahead(2, punch=False)


def _stands(item: Item) -> bool:
    """“the southpaw”."""
    return bool(item.sense("stance") and item.determiner) and not item.sense("technique")


def caught(reader: ModifierReader, item: Item) -> bool:
    """“the hook caught Brandt stepping in”, “the hook catches him”."""
    if not _somebody(reader, item):
        return False
    reader.put("outcome", "landed", item)
    follows = reader.p.at(1)
    if follows is None or not follows.fighter or reader.c.opponent is not None:
        return doing(reader)
    reader.c.opponent = follows.fighter
    reader.p.i += 1
    at = reader.p.i
    doing(reader)
    reader.p.i += reader.p.i == at
    return True


def got_caught(reader: VerbReader, item: Item) -> bool:
    """“caught coming in”, “caught by a left hook”: hit."""
    verb, follows = item.sense("technique", "past"), reader.p.at(1)
    if verb is None or verb.value != "catch" or follows is None or follows.pronoun in (*_HIM, "them"):
        return False
    return moves(follows) or (follows.text.lower() == "by" and reader.thrown_ahead(2))


def doing(reader: ModifierReader) -> bool:
    """“catches him stepping in with a hook”: he steps in, then the hook."""
    follows = reader.p.at(1)
    person = follows is not None and (follows.fighter or follows.sense("opponent") or _stands(follows))
    reader.c.him = reader.c.him or bool(follows is None or not follows.fighter)
    beyond = reader.p.at(2) if person else follows
    if beyond is not None and beyond.sense("technique", "ing"):
        reader.p.i += 1
        done = movement(reader)
        if done is not None:
            reader.c.objects.append(done)
    elif follows is not None and _stands(follows):
        reader.c.opponent_stance = reader.c.opponent_stance or follows.value("stance")
        reader.p.i += 2
    return True

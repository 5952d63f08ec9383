"""“Catches”: a defence (“the jab”) or a punch that lands (“him stepping in”); and who is cornered."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cliplib.phrases.lexer import Item

if TYPE_CHECKING:
    from cliplib.phrases.modifiers import ModifierReader


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
    """“catches him with a left hook” lands it; “catches the jab with the rear hand” defends."""
    follows = reader.p.at(1)
    verb = item.sense("technique", "base", "third", "past", "ing")
    if verb is None or verb.value != "catch" or follows is None:
        return False
    if follows.sense("with"):
        return bool(follows.pronoun) and reader.p.noun_phrase_ahead(2, hands=True)
    beyond = reader.p.at(2)
    person = (follows.fighter and not follows.possessive) or follows.sense("opponent")
    done = follows if follows.pronoun in ("him", "them") else beyond if person else None
    if done is not None and done.sense("technique", "ing"):
        return True
    return bool(person and beyond and beyond.sense("with")) and reader.p.noun_phrase_ahead(3, hands=True)


def caught(reader: ModifierReader) -> bool:
    """“the hook caught Brandt stepping in”."""
    follows = reader.p.at(1)
    if follows is None or follows.possessive or not (follows.fighter or follows.pronoun in ("him", "them")):
        return False
    reader.put("outcome", "landed", follows)
    if follows.fighter and reader.c.opponent is None:
        reader.c.opponent = follows.fighter
        reader.p.i += 1
    return doing(reader)


def doing(reader: ModifierReader) -> bool:
    """“catches him stepping in with a hook”: he steps in, then the hook."""
    follows = reader.p.at(1)
    beyond = reader.p.at(2) if follows is not None and follows.fighter else follows
    if beyond is not None and beyond.sense("technique", "ing"):
        reader.p.i += 1
        done = reader.p.chunk()
        if done is not None:
            reader.c.objects.append(done)
    return True

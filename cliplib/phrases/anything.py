"""“Anything”, and questions for what was done: “what did Brandt do after the clinch”, “jab, then what”.

A step of a pattern always asks for a technique. Any action is the vocabulary's roots as alternatives of one
step; said with a target, an outcome, a hand or a role, which only punches have, it is any punch.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from cliplib.core.models import Step
from cliplib.phrases.chunk import Proto
from cliplib.phrases.lexer import Item
from cliplib.phrases.lexicon import Sense
from cliplib.vocabulary import Vocabulary

PUNCH = "punch"
_OF_PUNCHES = ("hand", "side", "target", "outcome", "role", "direction")
_LINKED = ("after", "against", "answer", "seq")
_ASKS = ("what", "whatever")
_NAMED = ("anything", "whatever")
_LOOSE = ("everything", "something", "action", "actions", "thing", "things", "move", "moves", "reaction")
"""Words that mean any action only where something says before or behind what."""
_DONE = ("do", "does", "did", "done", "doing")
_HAPPENS = ("happen", "happens", "happened", "happening")
_COMES = ("comes", "come", "came", "goes", "go", "went", "follows", "followed")
_REACTION = ("reaction", "reactions")
_TIMED = ("time", "times", "timed", "timing")
_WHEN = ("when", "whenever", "where", "if", "as", "once")
"""“His jab when it misses” is his missed jab."""
_FOLLOW = ("follow", "follows", "followed", "following")
_BETWEEN = ("next", "else", "usually", "often", "normally", "typically", "mostly", "then", "first")
_PEOPLE = frozenset(("opponent", "same", "stance"))
_ENOUGH = ("place", "range")


def any_action(vocabulary: Vocabulary) -> Proto:
    """Whatever somebody does, as one action with alternatives."""
    rest = [Proto(name) for name in vocabulary.roots if name != PUNCH]
    return Proto(PUNCH, whatever=True, others=rest)


def narrowed(proto: Proto) -> list[Proto]:
    """The alternatives of an action that are left with all that was said of it."""
    if proto.whatever and any(getattr(proto, name) for name in _OF_PUNCHES):
        return [other for other in proto.others if other.technique == PUNCH]
    return proto.others


def is_any(step: Step, vocabulary: Vocabulary) -> bool:
    """Whether a step asks for any action at all."""
    if step.technique != PUNCH or any(getattr(step, name) for name in _OF_PUNCHES):
        return False
    plain = replace(step, alternatives=())
    rest = {PUNCH} ^ set(vocabulary.roots)
    return {replace(plain, technique=name) for name in rest} == set(step.alternatives)


def asked(items: Sequence[Item]) -> list[Item]:
    """The items with an item of the kind “any” where any action is meant."""
    out: list[Item] = []
    at = 0
    while at < len(items):
        count, instead = _one(items, at, out)
        out.extend(instead)
        at += count
    return out


def _one(items: Sequence[Item], at: int, before: list[Item]) -> tuple[int, list[Item]]:
    item = items[at]
    word = item.text.lower().replace("’", "'").removesuffix("'s")
    if word in _WHEN and at + 1 < len(items):
        fell = items[at + 1]
        return 1, [] if fell.pronoun == "it" and fell.kinds & {"outcome", "aux"} else [item]
    if word in _FOLLOW:
        return _follows(items, at, before)
    if word in _REACTION and at + 2 < len(items) and items[at + 1].text.lower() == "to":
        return 2, [_any(item), replace(items[at + 1], senses=(Sense("against", "against"),))]
    person = before and (before[-1].fighter or before[-1].kinds & {"opponent", "other", "stance"})
    if item.sense("answer") and word in ("response to", "reply to") and person:
        return 1, [_any(item), replace(item, senses=(Sense("against", "against"),))]
    if word in _TIMED and at + 1 < len(items) and items[at + 1].determiner and _tool(items, at + 1):
        return 1, [replace(item, senses=(Sense("role", "counter", "third"),))]
    if word in _COMES and at + 1 < len(items) and items[at + 1].text.lower() == "over":
        return _over(items, at, before)
    if word == "nothing":
        return _nothing(items, at, before)
    if word not in (*_ASKS, *_NAMED, *_LOOSE):
        return 1, [item]
    asks = word in _ASKS
    stop, people, verb = _question(items, at + 1)
    follows = items[stop] if stop < len(items) else None
    comes = verb in _COMES or (follows is not None and follows.text.lower().split()[0] in _COMES)
    anything = _any(item, "happens" if verb in _HAPPENS else "next" if comes else "any")
    if follows is not None and follows.text.lower().startswith("thrown "):
        anything = _any(item, PUNCH)  # “what is thrown after the slip”
    behind = follows is not None and follows.text.lower() == "behind"
    if word in _NAMED and behind and before and before[-1].sense("without"):
        anything = _any(item, PUNCH)  # "without anything behind it"
    found = [*people, anything]
    while word in _LOOSE and before and before[-1].text.lower() in ("first", "next"):
        before.pop()
    last = before[-1] if before else None
    later = last is not None and any(last.sense(k) for k in ("seq", "without", "not"))
    if follows is None:
        told = any(map(_told, before))
        if word in _NAMED or later or (asks and told):
            return stop - at, found
        return 1, [item]
    if asks and follows.sense("setup"):
        return stop - at + 1, [*found, replace(follows, senses=(Sense("seq", "then"),))]
    if follows.sense("with") or (asks and (follows.numbers or follows.sense("technique"))):
        return 1, [item]
    done = follows.sense("outcome", "base", "third", "past") or follows.sense("role")
    if asks and (follows.text.lower() in _REACTION or done or (verb and follows.sense("throw"))):
        return stop - at, people  # “what does he throw after the slip”, “what lands”
    facing = follows.sense("against") and not verb and _person(items, stop + 1)
    if any(follows.sense(kind) for kind in _LINKED) and not facing:
        return stop - at, found
    if verb and (follows.filter or follows.kinds & set(_ENOUGH)):
        return stop - at, found
    if word in _NAMED and word not in _ASKS:
        return 1, [anything]
    return (1, [anything]) if later and word == "something" else (1, [item])


def _follows(items: Sequence[Item], at: int, before: list[Item]) -> tuple[int, list[Item]]:
    """“follows the jab with the right hand”: the jab, then the right hand."""
    index = _tool(items, at + 1)
    if not index or (before and any(_told(i) for i in before[-2:])):
        return 1, [items[at]]
    then = replace(items[index], senses=(Sense("seq", "then"),))
    return index - at + 1, [*items[at + 1 : index], then]


def _over(items: Sequence[Item], at: int, before: list[Item]) -> tuple[int, list[Item]]:
    """“comes over the jab with the right”: over the jab, the right."""
    index = _tool(items, at + 2)
    if not index:
        return 1, [items[at]]
    people: list[Item] = []
    while before and before[-1].fighter and not before[-1].possessive:
        people.insert(0, before.pop())
    comma = replace(items[index], senses=(Sense("comma", "comma"),))
    return index - at + 1, [*items[at + 1 : index], comma, *people]


def _tool(items: Sequence[Item], at: int) -> int:
    """Where from here the “with” of “the jab with the right hand” stands; 0 if nowhere."""
    thrown = False
    for index in range(at, min(len(items), at + 7)):
        item = items[index]
        if item.sense("with") and thrown:
            return index if index + 1 < len(items) else 0
        if item.kinds & {"comma", "and", "seq", "after", "by"}:
            return 0
        thrown = thrown or _told(item) or bool(item.kinds & {"hand", "side"})
    return 0


def _told(item: Item) -> bool:
    return bool(item.numbers or item.kinds & {"technique", "role", "outcome"})


def _nothing(items: Sequence[Item], at: int, before: list[Item]) -> tuple[int, list[Item]]:
    """“with nothing behind it”, “jab, then nothing”."""
    item = items[at]
    follows = items[at + 1] if at + 1 < len(items) else None
    last = before[-1] if before else None
    if not before or not (follows is None or any(follows.sense(k) for k in ("after", "mark", "seq"))):
        return 1, [item]
    threw = last is not None and bool(last.sense("throw"))
    if last is not None and (last.sense("with") or threw):
        before.pop()
    behind = threw or (
        follows is not None and follows.text.lower() == "behind"
    )  # of punches, as the trade says it
    return 1, [replace(item, senses=(Sense("without", "without"),)), _any(item, PUNCH if behind else "any")]


def _any(item: Item, value: str = "any") -> Item:
    return replace(item, senses=(Sense("any", value),), filter=None, meant=())


def _question(items: Sequence[Item], at: int) -> tuple[int, list[Item], str]:
    """From behind the asking word: (where what it asks of begins, the people in between, the verb)."""
    people: list[Item] = []
    verb = ""
    while at < len(items):
        item = items[at]
        word = item.text.lower()
        follows = items[at + 1] if at + 1 < len(items) else None
        comes = word in _COMES and (follows is None or any(follows.sense(k) for k in _LINKED))
        if comes or word in (*_DONE, *_HAPPENS):
            verb = word
        elif item.sense("other"):
            people.append(replace(item, senses=(Sense("opponent", "opponent"),)))
        elif (item.fighter and not item.possessive) or item.kinds & _PEOPLE:
            people.append(item)
        elif item.sense("aux"):
            verb = verb or word
        elif not (word in _BETWEEN and follows is not None) and not item.sense("filler"):
            break
        at += 1
    return at, people, verb


def _person(items: Sequence[Item], at: int) -> bool:
    item = items[at] if at < len(items) else None
    return (
        item is not None and not item.possessive and bool(item.fighter or item.kinds & {"stance", "opponent"})
    )

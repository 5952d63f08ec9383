"""What may come next in the search box: the phrase as typed, carried on. Each offer is read before it is
made."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache
from itertools import islice

from cliplib.phrases.lexicon import Names, lexicon_of, names_of, small_words
from cliplib.phrases.reader import Told, skipped, tell
from cliplib.phrases.rules import grammar
from cliplib.phrases.tokens import DETERMINERS, fold, listed
from cliplib.vocabulary import Lexeme, Vocabulary

_MOST = 10
_MOST_PAST = 5
_MOST_READ = 40
_CONTEXT = 60
"""Characters of what was typed before the last few words that an offer is read with."""
_LONGEST_TAIL = 4
"""Words at the end of what was typed that one continuation may begin with: “slips outside the j”."""

_LINKS = ("then", "followed by a", "after a", "off a", "into a", "without a", "and")
_BEHIND = (
    "to the body", "to the head", "that landed", "that missed", "on the ropes", "in the corner",
    "not countered", "against a southpaw", "against an orthodox fighter", "in round 1",
    "in the last round", "in the late rounds",
)  # fmt: skip
"""What is said behind an action."""
_FILTERS = (
    "in the early rounds", "in the middle rounds", "in the last two rounds", "in rounds 1 to 3",
    "in open stance", "in closed stance", "in the centre", "in the first half",
    "in the second half", "at long range", "at mid range", "at close range", "within 1 second",
    "that was blocked", "without a feint before it", "round 1", "round 2", "round 3",
    "rounds 1 to 3", "rounds 2 to 4", "rounds 4 to 6", "rounds 7 to 9", "rounds 10 to 12",
    "last round", "late rounds", "early rounds", "in 2024", "since 2024", "by a southpaw",
    "upstairs", "downstairs",
)  # fmt: skip
_COMBINATIONS = ("1-2", "1-1-2", "1-2-3", "3-2", "2-3-2", "2-3", "6-3-2", "3b-3", "1-2b", "5-2")
_HEADS = ("jab", "cross", "hook", "uppercut", "overhand", "left hook", "right hand", "lead hook", "body shot")
_LEADING = (
    "missed", "landed", "blocked", "counter", "lead", "rear", "left", "right", "body", "head",
    "naked", "follow-up", "southpaw", "orthodox", "double jab", "one-two", "left hand",
    "right hand", "counters", "counters with a", "countered jab", "counter to the body",
    "leads with the", "knockdown", "what comes after the", "what happens after a", "anything after the",
)  # fmt: skip
_DEFENDED = ("jab", "cross", "hook", "right hand")
_OPENS = frozenset(listed("then a an the after off into behind by with over under and against"))
"""Words that want an action behind them."""
_SMALL = _OPENS | DETERMINERS | {"", "in", "on", "at", "to", "of", "that", "was", "is"}
_PLAIN = ("then", "and")
"""Those that a verb may follow."""


def complete(
    prefix: str,
    vocabulary: Vocabulary,
    fighters: Sequence[str] = (),
    past: Iterable[str] = (),
    fights: Sequence[str] = (),
) -> list[str]:
    """Phrases for the search box that carry on what was typed: a few past ones first, then with the word or
    the few words being typed finished, or the next ones offered. Each reads without a rest. At most ten.
    """
    typed = fold(prefix).lstrip()
    if not typed.strip():
        return []
    reader = _Reader(vocabulary, tuple(fighters), tuple(fights))
    begun = (p for p in past if fold(p).startswith(typed) and fold(p) != typed.strip())
    out = list(dict.fromkeys(islice((p for p in begun if reader.rest(p) == 0), _MOST_PAST)))
    tried = 0
    for continuations in _by_tail(prefix, reader):
        found = False
        for kept, continuation in continuations:
            text = kept + continuation
            if len(out) >= _MOST or tried >= _MOST_READ:
                return out[:_MOST]
            if fold(text) == fold(prefix) or text in out:
                continue
            tried += 1
            if reader.carries_on(kept, continuation):
                out.append(text)
                found = found or len(prefix[len(kept) :].split()) > 1
        if found:
            break  # several words begin a turn of phrase: that is what is being said
    return out[:_MOST]


class _Reader:
    """Reads the last part of a phrase; what came before it changes nothing of whether the rest reads."""

    def __init__(self, vocabulary: Vocabulary, fighters: tuple[str, ...], fights: tuple[str, ...]):
        self.vocabulary, self.fighters = vocabulary, fighters
        self.names: Names = names_of(fighters, fights)
        self._told: dict[str, Told] = {}

    def tell(self, text: str) -> Told:
        text = _last_part(text)
        if text not in self._told:
            self._told[text] = tell(text, self.vocabulary, self.names)
        return self._told[text]

    def rest(self, text: str) -> int:
        """How many words are left over."""
        told = self.tell(text)
        return len(told.lexed.unknown) + (len(skipped(told.items[0])) if told.items else 0) + told.hanging

    def carries_on(self, kept: str, continuation: str) -> bool:
        """Whether the phrase so finished leaves nothing unread but what was unread before."""
        text = kept + continuation
        hanging = continuation in _LINKS or continuation.endswith((" the", " a"))
        if hanging:
            text += " jab"
        if not kept.strip():
            return self.rest(text) == 0
        # What a link at the end of `kept` lacks is mended by what follows, or isn't.
        if self.rest(text) > self.rest(_without_links(kept)):
            return False
        return (
            hanging
            or self.tell(text).story[:5] != self.tell(kept).story[:5]
            or self.rest(text) < self.rest(kept)
        )


def _without_links(text: str) -> str:
    words = text.split(" ")
    while words and fold(words[-1].strip(",")) in _SMALL:
        words.pop()
    return " ".join(words)


def _last_part(text: str) -> str:
    if len(text) <= _CONTEXT * 2:
        return text
    cut = max(text.rfind(mark, 0, len(text) - _CONTEXT) for mark in (", ", " then ", " and "))
    return text[cut + 1 :] if cut >= 0 else text[-_CONTEXT:].partition(" ")[2]


def _by_tail(prefix: str, reader: _Reader) -> Iterator[Iterator[tuple[str, str]]]:
    """For ever fewer words at the end of the prefix, the ways to finish them: (what is kept of the prefix,
    what is put behind it); at last, what may come behind it all.
    """
    starts = [
        i for i in range(len(prefix)) if not prefix[i].isspace() and (i == 0 or prefix[i - 1].isspace())
    ]
    for start in starts[-_LONGEST_TAIL:]:
        yield _finished(prefix[:start], prefix[start:], reader)
    if prefix[-1].isspace():
        yield ((prefix, text) for text in _next(prefix, reader))
    elif prefix[-1] in ",;" or _whole(prefix, prefix[: starts[-1]], reader):
        yield ((prefix + " ", text) for text in _next(prefix, reader))
    for start in starts[-_LONGEST_TAIL:]:
        yield _begun(prefix[:start], prefix[start:], reader.vocabulary)


def _begun(kept: str, typed: str, vocabulary: Vocabulary) -> Iterator[tuple[str, str]]:
    """Examples of rules and words that begin so."""
    tail = fold(typed)
    return ((kept, text) for text in _examples(vocabulary) if text.startswith(tail) and text != tail)


def _whole(prefix: str, before: str, reader: _Reader) -> bool:
    """Whether the last word says something as it stands."""
    if not prefix[-1].isalnum() or any(_names(fold(prefix[len(before) :]), reader.fighters)):
        return False
    return reader.rest(prefix) == 0 and reader.tell(prefix).story != reader.tell(before).story


def _finished(kept: str, typed: str, reader: _Reader) -> Iterator[tuple[str, str]]:
    tail = fold(typed)
    before = fold(kept).split()[-1:]
    if not before or before[0] not in DETERMINERS:
        for name in _names(tail, reader.fighters):
            yield kept, name
    noun = bool(before) and (before[0] in DETERMINERS or before[0] in _OPENS) and before[0] not in _PLAIN
    for text in _texts(reader.vocabulary):
        if (
            fold(text).startswith(tail)
            and fold(text) != tail
            and not (noun and text in _verbs(reader.vocabulary))
        ):
            yield kept, text


def _next(prefix: str, reader: _Reader) -> Iterator[str]:
    last = (fold(prefix).replace(",", " ").split() or [""])[-1]
    if last in ("by", "against", "vs", "v", "versus"):
        yield from (_short(name, reader.fighters) for name in reader.fighters)
        yield from ("a southpaw", "an orthodox fighter")
    named = any(last == fold(word) for name in reader.fighters for word in name.split())
    if last in _OPENS or prefix.rstrip().endswith((",", ";")) or named:
        yield from _HEADS
        yield from ("counters", "slips the jab", "misses", "lands") if named else ()
        return
    story = reader.tell(prefix).story
    done = story.events[story.main[1] - 1] if story.events else None
    if done is None or done.implied:
        yield from (text for text in _HEADS if text.split()[0] != last)
    elif done.kind == "P":
        yield from (*_BEHIND[:4], *_LINKS[:3], *_BEHIND[4:])
    else:
        if done.kind == "D" and "met" not in story.flags:
            yield from (f"the {punch}" for punch in _DEFENDED)
        yield from ("and counters", "then", "and lands a hook", *_BEHIND[4:])


def _names(tail: str, fighters: tuple[str, ...]) -> Iterator[str]:
    for name in fighters:
        if fold(name).startswith(tail) and fold(name) != tail:
            yield name
    for name in fighters:
        for word in name.split()[1:]:
            if fold(word).startswith(tail) and fold(word) != tail:
                alone = sum(fold(word) in fold(other).split() for other in fighters) == 1
                yield word if alone else name


def _short(name: str, fighters: tuple[str, ...]) -> str:
    """The surname, where it is only one fighter's."""
    last = name.split()[-1]
    return last if sum(fold(last) in fold(other).split() for other in fighters) == 1 else name


@lru_cache(maxsize=8)
def _first(vocabulary: Vocabulary) -> dict[tuple[str, str, str], Lexeme]:
    first: dict[tuple[str, str, str], Lexeme] = {}
    for lexeme in vocabulary.lexemes:
        first.setdefault((lexeme.category, lexeme.value, lexeme.form), lexeme)
    return first


@lru_cache(maxsize=8)
def _verbs(vocabulary: Vocabulary) -> frozenset[str]:
    """What a fighter does, as it would not be said behind “the”."""
    words = [" ".join(x.words) for (_, _, form), x in _first(vocabulary).items() if form == "third"]
    nouns = {" ".join(x.words) for x in vocabulary.lexemes if x.form == "plural"}
    return frozenset(
        [*(w for w in words if w not in nouns), *(f"{w} the {p}" for w in words for p in _DEFENDED)]
    )


@lru_cache(maxsize=8)
def _texts(vocabulary: Vocabulary) -> tuple[str, ...]:
    """Words and turns of the trade, what is asked for most first."""
    first = _first(vocabulary)
    out: list[str] = [*_HEADS[:5], *_LEADING[:6], *_BEHIND, *_LINKS]
    for (category, value, form), lexeme in first.items():
        text = " ".join(lexeme.words)
        if category == "technique" and form == "noun":
            out.append(vocabulary.say("technique", value))
        elif category == "technique" and form == "third":
            out.append(text)
            if vocabulary.kind(value) == "defence":
                out.extend(f"{text} the {punch}" for punch in _DEFENDED)
        elif category == "outcome" and form in ("third", "past"):
            out.append(text)
    out += [*_HEADS, *_LEADING, *_FILTERS]
    out += [c for c in _COMBINATIONS if set(c) & set("123456") <= set(vocabulary.numbers)]
    out += [" ".join(x.words) for x in first.values() if x.form in ("noun", "adjective", "third")]
    return tuple(dict.fromkeys(out))


@lru_cache(maxsize=8)
def _examples(vocabulary: Vocabulary) -> tuple[str, ...]:
    """What could have been said: the examples of rules and words, but those with names."""
    known = lexicon_of(vocabulary).words | DETERMINERS
    examples = (*(r.example for r in grammar().rules), *(w.example for w in small_words()))
    return tuple(dict.fromkeys(e for e in examples if set(fold(e).replace(",", " ").split()) <= known))

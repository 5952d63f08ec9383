"""What may come next in the search box: the phrase as typed, carried on."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache
from itertools import islice

from cliplib.phrases.lexicon import names_of
from cliplib.phrases.reader import parse, read_search
from cliplib.phrases.tokens import DETERMINERS, fold
from cliplib.vocabulary import Lexeme, Vocabulary

_MOST = 10
_MOST_PAST = 5
_MOST_READ = 60
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
_OPENS = (
    "then",
    "a",
    "an",
    "the",
    "after",
    "off",
    "into",
    "behind",
    "by",
    "with",
    "over",
    "under",
    "and",
    "against",
)
"""Words that want an action behind them."""
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
    known = tuple(fighters)
    begun = (p for p in past if fold(p).startswith(typed) and fold(p) != typed.strip())
    read = (p for p in begun if not read_search(p, vocabulary, fighters=known, fights=fights).unread)
    out = list(dict.fromkeys(islice(read, _MOST_PAST)))
    tried = 0
    for continuations in _by_tail(prefix, vocabulary, known):
        found = False
        for kept, continuation in continuations:
            text = kept + continuation
            if len(out) >= _MOST or tried >= _MOST_READ:
                return out[:_MOST]
            if fold(text) == fold(prefix) or text in out:
                continue
            tried += 1
            if _reads(text, kept, continuation, vocabulary, known):
                out.append(text)
                found = found or len(prefix[len(kept) :].split()) > 1
        if found:
            break  # several words begin a turn of phrase: that is what is being said
    return out[:_MOST]


def _reads(
    text: str, kept: str, continuation: str, vocabulary: Vocabulary, fighters: tuple[str, ...]
) -> bool:
    """Whether the phrase so finished leaves nothing unread but what was unread before."""
    hanging = continuation in _LINKS or continuation.endswith((" the", " a"))
    found = read_search(text + " jab" if hanging else text, vocabulary, fighters=fighters)
    before = read_search(kept, vocabulary, fighters=fighters) if kept.strip() else None
    if before is None:
        return not found.unread
    # What a link at the end of `kept` lacks is no fault of what follows.
    old = [u.text for u in before.unread]
    if any(u.text not in old for u in found.unread) or len(found.unread) > len(old):
        return False
    return hanging or (found.steps, found.where) != (before.steps, before.where)


def _by_tail(
    prefix: str, vocabulary: Vocabulary, fighters: tuple[str, ...]
) -> Iterator[Iterator[tuple[str, str]]]:
    """For ever fewer words at the end of the prefix, the ways to finish them: (what is kept of the prefix,
    what is put behind it); at last, what may come behind it all.
    """
    starts = [
        i for i in range(len(prefix)) if not prefix[i].isspace() and (i == 0 or prefix[i - 1].isspace())
    ]
    for start in starts[-_LONGEST_TAIL:]:
        yield _finished(prefix[:start], prefix[start:], vocabulary, fighters)
    if prefix[-1].isspace():
        yield ((prefix, text) for text in _next(prefix, vocabulary, fighters))
    elif prefix[-1] in ",;" or _whole(prefix, prefix[: starts[-1]], vocabulary, fighters):
        yield ((prefix + " ", text) for text in _next(prefix, vocabulary, fighters))


def _whole(prefix: str, before: str, vocabulary: Vocabulary, fighters: tuple[str, ...]) -> bool:
    """Whether the last word says something as it stands."""
    if not prefix[-1].isalnum() or any(_names(fold(prefix[len(before) :]), fighters)):
        return False
    with_it = read_search(prefix, vocabulary, fighters=fighters)
    without = read_search(before, vocabulary, fighters=fighters)
    return not with_it.unread and (with_it.steps, with_it.where) != (without.steps, without.where)


def _finished(
    kept: str, typed: str, vocabulary: Vocabulary, fighters: tuple[str, ...]
) -> Iterator[tuple[str, str]]:
    tail = fold(typed)
    before = fold(kept).split()[-1:]
    if not before or before[0] not in DETERMINERS:
        for name in _names(tail, fighters):
            yield kept, name
    noun = bool(before) and (before[0] in DETERMINERS or before[0] in _OPENS) and before[0] not in _PLAIN
    for text in _texts(vocabulary):
        if fold(text).startswith(tail) and fold(text) != tail and not (noun and text in _verbs(vocabulary)):
            yield kept, text


def _next(prefix: str, vocabulary: Vocabulary, fighters: tuple[str, ...]) -> Iterator[str]:
    last = (fold(prefix).replace(",", " ").split() or [""])[-1]
    if last in ("by", "against", "vs", "v", "versus"):
        yield from (_short(name, fighters) for name in fighters)
        yield from ("a southpaw", "an orthodox fighter")
    named = any(last == fold(word) for name in fighters for word in name.split())
    if last in _OPENS or prefix.rstrip().endswith((",", ";")) or named:
        yield from _HEADS
        yield from ("counters", "slips the jab", "misses", "lands") if named else ()
        return
    links = parse(prefix, vocabulary, names_of(fighters, ())).links
    chunk = links[-1][1] if links else None
    if chunk is None or not chunk.protos or chunk.headless:
        yield from (text for text in _HEADS if text.split()[0] != last)
    elif vocabulary.is_punch(chunk.protos[-1].technique):
        yield from (*_BEHIND[:4], *_LINKS[:3], *_BEHIND[4:])
    else:
        if vocabulary.kind(chunk.protos[-1].technique) == "defence" and not chunk.objects:
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
    """The surname, where nobody else has it."""
    word = name.split()[-1] if name.split() else name
    return word if sum(fold(word) in fold(other).split() for other in fighters) == 1 else name


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

"""Words to senses: the vocabulary's lexemes and the function words in one tree, and names beside it."""

from __future__ import annotations

import itertools
import re
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from importlib import resources

from cliplib.phrases.tokens import DETERMINERS, PRONOUNS, Token, fold, tokenise
from cliplib.vocabulary import Vocabulary


@dataclass(frozen=True, slots=True)
class Sense:
    """What a stretch of words can stand for. `form` as in `vocabulary.Lexeme`; empty for function words."""

    kind: str
    value: str
    form: str = ""


Senses = tuple[Sense, ...]
_BRACKETS = re.compile(r"\(([^)]*)\)")


@dataclass(slots=True)
class _Node:
    next: dict[str, _Node] = field(default_factory=dict)
    senses: list[Sense] = field(default_factory=list)


class Lexicon:
    """A tree of words; the longest match wins."""

    def __init__(self, entries: Iterable[tuple[Sequence[str], Sense]]):
        self._root = _Node()
        self.words: set[str] = set()
        for words, sense in entries:
            node = self._root
            for word in words:
                node = node.next.setdefault(word, _Node())
                self.words.add(word)
            if sense not in node.senses:
                node.senses.append(sense)

    def longest(self, tokens: Sequence[Token], at: int) -> tuple[int, Senses]:
        """(tokens matched, senses) of the longest match that begins at `at`; (0, ()) if none."""
        node, found = self._root, (0, ())
        best: tuple[int, Senses] = found
        for index in range(at, len(tokens)):
            step = node.next.get(tokens[index].norm)
            if step is None:
                break
            node = step
            if node.senses:
                best = (index - at + 1, tuple(node.senses))
            if tokens[index].possessive:  # "Brandt's jab": a name ends at its possessive
                break
        return best


@lru_cache(maxsize=8)
def lexicon_of(vocabulary: Vocabulary) -> Lexicon:
    return Lexicon((*_terms(vocabulary), *_functions()))


def _terms(vocabulary: Vocabulary) -> Iterable[tuple[Sequence[str], Sense]]:
    for lexeme in vocabulary.lexemes:
        words = [w for w in lexeme.words if w not in DETERMINERS and w not in PRONOUNS]
        yield words, Sense(lexeme.category, lexeme.value, lexeme.form)


def _functions() -> Iterable[tuple[Sequence[str], Sense]]:
    text = resources.files(__package__).joinpath("words.toml").read_text(encoding="utf-8")
    for entry in tomllib.loads(text)["word"]:
        for way in entry["ways"].split("|"):
            for said in _spelt_out(way):
                sense = Sense(entry["kind"], entry["value"], entry.get("form", ""))
                yield [t.norm for t in tokenise(said)], sense


def _spelt_out(way: str) -> Iterable[str]:
    """“(gets/got) hit (/by)” in all its four ways."""
    pieces = [piece.split("/") if at % 2 else [piece] for at, piece in enumerate(_BRACKETS.split(way))]
    return map(" ".join, itertools.product(*pieces))


@dataclass(frozen=True, slots=True)
class Names:
    """Fighters and fights by what they may be called.

    `fighters`: word to the full names it is part of. `full`: words of a full name to the name.
    `fights`: words of a title to the titles. `words`: every word of a name.
    """

    fighters: dict[str, tuple[str, ...]]
    full: dict[tuple[str, ...], str]
    fights: dict[tuple[str, ...], tuple[str, ...]]
    longest: int
    words: tuple[str, ...]


_VERSUS = frozenset(("v", "vs", "versus"))


@lru_cache(maxsize=32)
def names_of(fighters: tuple[str, ...], fights: tuple[str, ...]) -> Names:
    parts: dict[str, list[str]] = {}
    full: dict[tuple[str, ...], str] = {}
    for name in dict.fromkeys(fighters):
        words = name_words(name)
        if words:
            full.setdefault(words, name)
        for word in words:
            if len(word) > 1 and name not in parts.setdefault(word, []):
                parts[word].append(name)
    titles: dict[tuple[str, ...], list[str]] = {}
    for title in dict.fromkeys(fights):
        key = title_words(title)
        if key:
            titles.setdefault(key, []).append(title)
    lengths = [len(k) for k in (*full, *titles)]
    return Names(
        {word: tuple(names) for word, names in parts.items()},
        full,
        {key: tuple(values) for key, values in titles.items()},
        max(lengths, default=0),
        tuple(parts),
    )


def name_words(text: str) -> tuple[str, ...]:
    return tuple(w for w in fold(text).replace("-", " ").replace("’", "'").replace(".", " ").split() if w)


def title_words(text: str) -> tuple[str, ...]:
    """A title's words as the tokeniser would give them, "v", "vs" and "versus" alike."""
    return tuple("v" if t.norm in _VERSUS else t.norm for t in tokenise(text))


def token_words(tokens: Sequence[Token]) -> tuple[str, ...]:
    return tuple("v" if t.norm in _VERSUS else t.norm for t in tokens)

"""Did-you-mean."""

from __future__ import annotations

from functools import lru_cache

from cliplib.phrases.lexicon import Lexicon, Names, lexicon_of
from cliplib.phrases.nextpunch import PRAISE
from cliplib.phrases.tokens import Token, fold
from cliplib.vocabulary import Vocabulary

_LIKE_ENOUGH = 0.7
_SHORTEST = 3
_MOST = 3
_PLAIN = frozenset(("late", "early", "both", "what", "how", "own", "work", "low", "down"))
"""Words that are spelt as they were meant, but not understood."""
_SMALL = ("aux", "filler", "of", "with", "by")
"""Kinds of words that are hardly ever what was meant to be looked for."""


@lru_cache(maxsize=8)
def _words(vocabulary: Vocabulary) -> tuple[str, ...]:
    lexicon = lexicon_of(vocabulary)
    return tuple(
        sorted(w for w in lexicon.words if len(w) >= _SHORTEST and w.isalpha() and not _small(w, lexicon))
    )


def _small(word: str, lexicon: Lexicon) -> bool:
    senses = lexicon.longest((Token(word, 0, 0),), 0)[1]
    return bool(senses) and all(s.kind in _SMALL for s in senses)


def suggest(word: str, vocabulary: Vocabulary, names: Names | None = None) -> tuple[str, ...]:
    """What was probably meant by a word that was not understood, likeliest first; often nothing."""
    from rapidfuzz import process
    from rapidfuzz.distance import OSA

    text = fold(word).strip().replace("’", "'").removesuffix("'s")
    if len(text) < _SHORTEST or len(text) > 30 or text in _PLAIN or text in PRAISE:
        return ()
    choices = (*_words(vocabulary), *(names.words if names else ()))
    found = process.extract(
        text, choices, scorer=OSA.normalized_similarity, score_cutoff=_LIKE_ENOUGH, limit=_MOST
    )
    best = found[0][1] if found else 0.0
    return tuple(
        dict.fromkeys(
            choice
            for choice, score, _ in found
            if choice != text and score >= best - 0.1 and _slipped(text, choice)
        )
    )


def _slipped(text: str, choice: str) -> bool:
    """One slip of the pen, or more behind a beginning that is right; else it is another word (“spinning”)."""
    from rapidfuzz.distance import OSA

    return text[:2] == choice[:2] or OSA.distance(text, choice) == 1


def misspelt_head(word: str, vocabulary: Vocabulary) -> bool:
    """Whether a word is probably a technique misspelt: “jabb”, and not “kick”."""
    lexicon = lexicon_of(vocabulary)
    meant = (Token(near, 0, 0) for near in suggest(word, vocabulary))
    return any(s.kind in ("technique", "role") for near in meant for s in lexicon.longest((near,), 0)[1])


def misspelt_round(word: str, vocabulary: Vocabulary) -> bool:
    """Whether the number behind a word is probably a round's, and no punch."""
    return len(word) > _SHORTEST and any(near in ("round", "rounds") for near in suggest(word, vocabulary))

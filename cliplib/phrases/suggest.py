"""Did-you-mean."""

from __future__ import annotations

from functools import lru_cache

from cliplib.phrases.lexicon import SHORT, Names, lexicon_of
from cliplib.phrases.tokens import DETERMINERS, fold, listed
from cliplib.vocabulary import Vocabulary

_LIKE_ENOUGH = 0.65
_SHORTEST = 3
_MOST = 3
PLAIN = frozenset(
    listed(
        "late early both what how own work low down hard big wide nice spinning good great beautiful "
        "lovely fast quick slow short long sharp crisp solid"
        "heavy huge massive monster sick perfect gorgeous lazy wild loose tight clean fresh real true "
        "still even ever over under again more most less"
        "than well then that this very much many some such only same last first next best head hand "
        "hands heads foot feet man men bad sad mad set get got"
        "see saw say said may might can could would should will have has had does did done was were "
        "been being are for from with who why when where here"
        "there about around across along until since while before behind below above again against "
        "flying flash knee kick elbow"
    )
)
"""Words that are spelt as they were meant, but not understood."""


@lru_cache(maxsize=8)
def _words(vocabulary: Vocabulary) -> tuple[str, ...]:
    known = lexicon_of(vocabulary).words | (DETERMINERS - {"an", "our", "its"})
    return tuple(sorted(w for w in known if len(w) >= _SHORTEST and w.isalpha()))


def suggest(word: str, vocabulary: Vocabulary, names: Names | None = None) -> tuple[str, ...]:
    """What was probably meant by a word that was not understood, likeliest first; often nothing."""
    return _suggested(word, vocabulary, names.words if names else ())


@lru_cache(maxsize=4096)
def _suggested(word: str, vocabulary: Vocabulary, names: tuple[str, ...]) -> tuple[str, ...]:
    from rapidfuzz import process
    from rapidfuzz.distance import OSA

    text = fold(word).strip().replace("’", "'").removesuffix("'s")
    if len(text) < _SHORTEST or len(text) > 30 or text in PLAIN or text in SHORT:
        return ()
    choices = (*_words(vocabulary), *names)
    found = process.extract(
        text, choices, scorer=OSA.normalized_similarity, score_cutoff=_LIKE_ENOUGH, limit=8
    )
    best = found[0][1] if found else 0.0
    near = [
        choice
        for choice, score, _ in found
        if choice != text and score >= best - 0.1 and _slipped(text, choice)
    ]
    near.sort(key=lambda choice: (choice not in _trade(vocabulary), OSA.distance(text, choice)))
    return tuple(dict.fromkeys(near))[:_MOST]


@lru_cache(maxsize=8)
def _trade(vocabulary: Vocabulary) -> frozenset[str]:
    """Words of the trade, which are likelier meant than small ones."""
    return frozenset(
        w
        for x in vocabulary.lexemes
        if x.category in ("technique", "outcome", "role", "target", "stance")
        for w in x.words
        if len(w) > 3
    )


def _slipped(text: str, choice: str) -> bool:
    """One slip of the pen, or more behind a beginning that is right; else it is another word (“spinning”)."""
    from rapidfuzz.distance import OSA

    distance = OSA.distance(text, choice)
    if len(text) == 3 and sorted(text) != sorted(choice):
        return distance == 1 and abs(len(text) - len(choice)) == 1 and text[0] == choice[0]
    return text[:2] == choice[:2] or distance == 1

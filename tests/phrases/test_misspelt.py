"""A slip of the pen in a word of the trade: shown, with what was meant, and never a wider search."""

from __future__ import annotations

import random
import string

import pytest

from cliplib.core.models import Reading
from cliplib.phrases import read_search
from cliplib.phrases.lexicon import lexicon_of
from cliplib.phrases.tokens import DETERMINERS, PRONOUNS
from cliplib.vocabulary import load_vocabulary

V = load_vocabulary()
FIGHTERS = ("Emeka Adeyemi", "Jonas Brandt")
KNOWN = frozenset(lexicon_of(V).words | DETERMINERS | PRONOUNS)
PLAIN = {"getting", "got", "gets", "finds", "found", "find", "off", "through", "first", "home", "with"}
"""Plain English that only with other words is one of the trade: "getting through"."""
TECHNIQUES = sorted(
    {
        word
        for lexeme in V.lexemes
        if lexeme.category in ("technique", "outcome", "role")
        for word in lexeme.words
        if len(word) > (4 if len(lexeme.words) > 1 else 3) and word not in PLAIN
    }
)


def read(phrase: str) -> Reading:
    return read_search(phrase, V, fighters=FIGHTERS)


def slips(count: int) -> list[tuple[str, str]]:
    """(as written, as meant): a letter too many, one too few, another one, or two in the wrong order."""
    dice = random.Random(20251125)
    found: dict[str, str] = {}
    while len(found) < count:
        word = dice.choice(TECHNIQUES)
        at = dice.randrange(len(word))
        letter = dice.choice(string.ascii_lowercase)
        wrong = dice.choice(
            (
                word[:at] + letter + word[at:],
                word[:at] + word[at + 1 :],
                word[:at] + letter + word[at + 1 :],
                word[:at] + word[at + 1 : at + 2] + word[at] + word[at + 2 :],
            )
        )
        if wrong not in KNOWN:
            found[wrong] = word
    return list(found.items())


@pytest.mark.parametrize(("wrong", "meant"), slips(200))
def test_a_slip_is_shown_with_what_was_meant(wrong: str, meant: str) -> None:
    for phrase in (wrong, f"{wrong} then a cross", f"jab, {wrong}"):
        found = read(phrase)
        told = [u for u in found.unread if u.text == wrong]
        assert told, f"“{phrase}” was read as {found.said}"
        assert told[0].meant, phrase
        # What is not understood is looked for in notes: the phrase finds no more than it does without it.
        rest = read(phrase.replace(wrong, " "))
        assert found.steps == rest.steps or len(found.steps) > len(rest.steps)


def test_what_was_meant_is_among_what_is_offered() -> None:
    offered = [(wrong, meant, read(wrong).unread[0].meant) for wrong, meant in slips(200)]
    missed = [(wrong, meant, near) for wrong, meant, near in offered if meant not in near]
    assert len(missed) <= 10, missed

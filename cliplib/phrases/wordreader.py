"""A place in a phrase's tokens, for readers of stretches with a form of their own."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from cliplib.phrases.tokens import Token

_UNITS = (
    "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve",
    "thirteen", "fourteen", "fifteen",
)  # fmt: skip
_ORDINALS = (
    "first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth", "eleventh",
    "twelfth", "thirteenth", "fourteenth", "fifteenth",
)  # fmt: skip
NUMBER_WORDS = {word: index + 1 for index, word in enumerate(_UNITS)}
_ORDINAL_WORDS = {word: index + 1 for index, word in enumerate(_ORDINALS)}
TO = frozenset(("to", "through", "until", "till", "thru"))
"""Words between the ends of a stretch: “rounds 2 to 4”."""


class WordReader:
    """A place in the tokens that moves on as words are taken."""

    def __init__(self, tokens: Sequence[Token], at: int):
        self.tokens, self.at = tokens, at

    def peek(self, ahead: int = 0) -> str:
        index = self.at + ahead
        return self.tokens[index].norm if index < len(self.tokens) else ""

    def joined(self, ahead: int = 0) -> bool:
        index = self.at + ahead
        return index < len(self.tokens) and self.tokens[index].joined

    def determiner(self, ahead: int = 0) -> str:
        index = self.at + ahead
        return self.tokens[index].determiner if index < len(self.tokens) else ""

    def take(self, words: Collection[str]) -> str:
        word = self.peek()
        if word in words:
            self.at += 1
            return word
        return ""

    def cardinal(self) -> int | None:
        word = self.peek()
        value = int(word) if word.isdigit() and len(word) <= 2 else NUMBER_WORDS.get(word)
        if value:
            self.at += 1
            return value
        return None

    def ordinal(self) -> int | None:
        word = self.peek()
        value = _ORDINAL_WORDS.get(word)
        if value is None and word[-2:] in ("st", "nd", "rd", "th") and word[:-2].isdigit() and len(word) < 5:
            value = int(word[:-2])
        if value:
            self.at += 1
            return value
        return None

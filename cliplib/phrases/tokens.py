"""A phrase as tokens with their places in it."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass

DETERMINERS = frozenset(
    (
        "the",
        "a",
        "an",
        "his",
        "her",
        "their",
        "its",
        "my",
        "your",
        "our",
        "this",
        "these",
        "those",
        "some",
        "any",
    )
)
"""Left out before words are matched to the vocabulary, but remembered: "slip the jab" is not "slip, jab"."""

PRONOUNS = frozenset(
    (
        "he",
        "she",
        "they",
        "him",
        "them",
        "it",
        "himself",
        "herself",
        "themselves",
        "i",
        "we",
        "you",
        "us",
        "me",
    )
)

_TOKEN = re.compile(
    r"\d{4}-\d{1,2}-\d{1,2}"  # a date
    r"|\d+(?:\.\d+)?[^\W\d_]*"  # 3, 3b, 0.5s, 2nd
    r"|[rR](?:nd|d)?\d{1,2}(?![^\W_])"  # r3
    r"|(?<!\w)[xX×][ ]?[2-9](?!\w)"  # x2
    r"|(?<!\w)[wW]/o?(?!\w)"  # with, without
    r"|[^\W\d_]+(?:['’´`][^\W\d_]+)*"
    r"|->|=>|\S",
)
_ABBREVIATED = frozenset(("v", "vs", "r", "rd", "rds", "rnd", "rnds", "no", "sec", "secs"))
"""Words whose full stop ends no clause."""
_ASKING = frozenset(("what", "who", "where", "how", "when", "that", "there"))
"""“What's” is “what is”, and not something that belongs to a what."""
_QUIET = frozenset("'\"’‘“”´`.!?;:()[]{}…*")
"""Marks that change nothing in a phrase; `;` and `.` end a clause."""


@dataclass(frozen=True, slots=True)
class Token:
    """`norm`: folded for matching. `joined`: a hyphen or slash ties it to the token before it."""

    norm: str
    start: int
    end: int
    joined: bool = False
    possessive: bool = False
    determiner: str = ""
    pronoun: str = ""


def fold(text: str) -> str:
    """Lower case without accents, for matching words and names."""
    if text.isascii():
        return text.lower()
    plain = unicodedata.normalize("NFKD", text.casefold())
    return "".join(ch for ch in plain if not unicodedata.combining(ch))


def tokenise(phrase: str) -> list[Token]:
    """Words, numbers and marks that matter; articles and pronouns folded into the next token."""
    tokens: list[Token] = []
    joined = False
    determiner = pronoun = ""
    for match in _TOKEN.finditer(phrase):
        text, start, end = match.group(), match.start(), match.end()
        if text in "-–—‑" and len(text) == 1:
            spaced = phrase[start - 1 : start].isspace() or phrase[end : end + 1].isspace()
            joined = bool(tokens) and not spaced
            if spaced:
                tokens.append(Token(",", start, end, pronoun=pronoun))
                pronoun = ""
            continue
        if text in _QUIET:
            short = text == "." and tokens and tokens[-1].end == start and _shortened(tokens[-1].norm)
            if text in ";:.…" and tokens and not short:
                tokens.append(Token(",", start, end, pronoun=pronoun))
                pronoun = ""
            continue
        norm, possessive = fold(text).replace("×", "x").replace("x ", "x"), False
        norm = {"w/": "with", "w/o": "without"}.get(norm, norm)
        for mark in "’´`":
            norm = norm.replace(mark, "'")
        negated = asked = False
        if norm.endswith("n't"):
            norm, negated = norm[:-3], True
            norm = {"ca": "can", "wo": "will"}.get(norm, norm)
        elif norm.partition("'")[0] in PRONOUNS and norm.partition("'")[2] in ("re", "ve", "ll", "d", "m"):
            norm, asked = norm.partition("'")[0], True
        elif norm.endswith("'s"):
            norm, possessive = norm[:-2], True
            asked = norm in _ASKING or norm in PRONOUNS
            possessive = not asked
        elif phrase[end : end + 1] in ("'", "’") and norm.endswith("s"):
            possessive = True
        if norm in DETERMINERS and not possessive:
            determiner = norm
            continue
        if norm in PRONOUNS and not negated:
            pronoun = norm
            joined = False
            if not asked:
                continue
            norm = "is"
        if norm or possessive:
            tokens.append(Token(norm, start, end, joined, possessive, determiner, pronoun))
        if negated:
            tokens.append(Token("not", start, end))
        if asked and norm != "is":
            tokens.append(Token("is", start, end))
        joined = False
        determiner = pronoun = ""
    return tokens


def _shortened(norm: str) -> bool:
    """“vs.”, “Rd.”, or the initial of a name."""
    return norm in _ABBREVIATED or (len(norm) == 1 and norm.isalpha())

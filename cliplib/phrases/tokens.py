"""A phrase as tokens with their places in it."""

from __future__ import annotations

import re
import unicodedata
from typing import NamedTuple


def listed(text: str) -> tuple[str, ...]:
    """The words of a list in data."""
    return tuple(text.split())


DETERMINERS = frozenset(listed("the a an his her their its my your our this these those some any"))
"""Left out before words are matched to the vocabulary, but remembered: "slip the jab" is not "slip, jab"."""
PRONOUNS = frozenset(listed("he she they him her them it himself herself themselves i we you us me"))

_TOKEN = re.compile(
    r"\d{4}-\d{1,2}-\d{1,2}|\d{1,2}[/.]\d{1,2}[/.]\d{2,4}(?!\d)"  # a date
    r"|\d{1,2}:\d{2}(?:\.\d+)?"  # a clock
    r"|\d+(?:\.\d+)?[^\W\d_]*"  # 3, 3b, 0.5s, 2nd
    r"|[rR](?:nd|d)?\d{1,2}(?![^\W_])"  # r3
    r"|(?<!\w)[xX×][ ]?[2-9](?!\w)"  # x2
    r"|(?<!\w)[wW]/o?(?!\w)"  # with, without
    r"|[^\W\d_]+(?:['’´`][^\W\d_]+)*"
    r"|->|=>|\S",
)
_ABBREVIATED = frozenset(listed("v vs r rd rds rnd rnds no sec secs"))
"""Words whose full stop ends no clause."""
_ASKING = frozenset(listed("what who where how when that there"))
"""“What's” is “what is”, and not something that belongs to a what."""
_QUIET = frozenset("'\"’‘“”´`.!?;:()[]{}…*")
"""Marks that change nothing in a phrase; `;` and `.` end a clause."""
_SHORT = {"w/": "with", "w/o": "without", "ca": "can", "wo": "will", "&": "and"}


class Token(NamedTuple):
    """`norm`: folded for matching. `joined`: a hyphen or slash ties it to the token before it. `det`: the
    article or possessive before it."""

    norm: str
    start: int
    end: int
    joined: bool = False
    possessive: bool = False
    det: str = ""


def fold(text: str) -> str:
    """Lower case without accents, for matching words and names."""
    if text.isascii():
        return text.lower()
    plain = unicodedata.normalize("NFKD", text.casefold())
    return "".join(ch for ch in plain if not unicodedata.combining(ch))


def tokenise(phrase: str) -> list[Token]:
    """Words, numbers and marks that matter; articles go with the word behind them."""
    tokens: list[Token] = []
    joined, det = False, ""
    for match in _TOKEN.finditer(phrase):
        text, start, end = match.group(), match.start(), match.end()
        if len(text) == 1 and text in "-–—‑":
            spaced = phrase[start - 1 : start].isspace() or phrase[end : end + 1].isspace()
            joined = bool(tokens) and not spaced
            if spaced:
                tokens.append(Token(",", start, end))
        elif text in _QUIET:
            if text in ";:.…" and tokens and not _shortened(text, tokens[-1], start):
                tokens.append(Token(",", start, end))
        else:
            words = _words(text, end, phrase)
            if (
                words[0][0] in DETERMINERS
                and not words[0][1]
                and len(words) == 1
                and not (text.lower() == "her" and _object(phrase, end))
            ):
                det = words[0][0]
                continue
            for norm, possessive in words:
                tokens.append(Token(norm, start, end, joined, possessive, det))
                joined, det = False, ""
    return tokens


_AFTER_HER = frozenset(
    listed(
        "with to as when and then in on up down off out by while coming stepping backing walking "
        "moving after before over miss pay lead flush clean or but"
    )
)


def _object(phrase: str, end: int) -> bool:
    """Whether “her” is who it is done to, and not whose it is."""
    follows = re.match(r"\W*(\w+)?", phrase[end:])
    word = follows[1].lower() if follows and follows[1] else ""
    return not word or word in _AFTER_HER


def _words(text: str, end: int, phrase: str) -> list[tuple[str, bool]]:
    """(norm, possessive) of a token; “doesn't” is two words."""
    norm = fold(text).replace("×", "x").replace("x ", "x")
    for mark in "’´`":
        norm = norm.replace(mark, "'")
    norm = _SHORT.get(norm, norm)
    stem, _, ending = norm.partition("'")
    if norm.endswith("n't"):
        return [(_SHORT.get(norm[:-3], norm[:-3]), False), ("not", False)]
    if stem in PRONOUNS and ending in ("re", "ve", "ll", "d", "m", "s"):
        return [(stem, False), ({"ve": "has", "ll": "will", "d": "has"}.get(ending, "is"), False)]
    if ending == "s" and norm.count("'") == 1:
        return [(stem, False), ("is", False)] if stem in _ASKING else [(stem, True)]
    if norm.endswith("'s"):
        return [(norm[:-2], True)]
    return [(norm, phrase[end : end + 1] in ("'", "’") and norm.endswith("s"))]


def _shortened(mark: str, before: Token, start: int) -> bool:
    """“vs.”, “Rd.”, or the initial of a name."""
    if mark != "." or before.end != start:
        return False
    return before.norm in _ABBREVIATED or (len(before.norm) == 1 and before.norm.isalpha())

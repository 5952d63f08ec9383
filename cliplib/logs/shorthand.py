"""An exchange in one entry, by short letters: `j- so rhb+` is a jab that missed, a slip outside, and the
slipper's right hook to the body that landed.

A word is a code, then `b` for the body, then a mark for the outcome. Who does it follows from what is done: a
defence is by the other fighter than the punch before it, a punch after a defence by whoever defended, all
else by whoever acted last. A stroke before a word (`/j+`) says that it is the other one all the same.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping

CODES = {
    "j": "jab",
    "c": "cross",
    "lh": "left hook",
    "rh": "right hook",
    "lu": "left uppercut",
    "ru": "right uppercut",
    "oh": "overhand",
    "h": "lead hook",
    "u": "rear uppercut",
    "so": "slip outside",
    "si": "slip inside",
    "ro": "roll",
    "du": "duck",
    "pu": "pull",
    "pa": "parry",
    "bl": "block",
    "ca": "catch",
    "sr": "shoulder roll",
    "sb": "step back",
    "st": "step out",
    "in": "step in",
    "pi": "pivot",
    "fe": "hand feint",
    "cl": "clinch",
}
"""What the codes stand for; a library's settings may add to them and change them."""

OUTCOMES = {"+": "landed", "-": "missed", "=": "blocked", "~": "partial", "*": "hurt", "^": "knockdown"}
_WORD = re.compile(r"(/?)([a-z]{1,4}?)(b?)([-+=~*^]?)")
Kind = Callable[[str], str]
"""What a phrase is: “punch”, “defence” or “other”."""


def expand(
    text: str, fighters: tuple[str, str], opener: int, kind: Kind, own: Mapping[str, str] | None = None
) -> str | None:
    """The entry in whole words, by names of `fighters`, of whom `opener` begins; None if it is no shorthand:
    a word alone without a mark, or one that no code tells."""
    words = text.split()
    codes = {**CODES, **(own or {})}
    read = [_word(word, codes) for word in words]
    if not words or None in read or (len(words) == 1 and words[0][-1] not in OUTCOMES):
        return None
    who, before = opener, ""
    told = []
    for one in read:
        assert one is not None
        other, phrase, words_after = one
        now = kind(phrase)
        if now != "punch" and any(word in OUTCOMES.values() for word in words_after):
            return None  # a defence has no outcome of its own
        if other or (before == "punch" and now == "defence"):
            who = 1 - who
        told.append(" ".join((fighters[who], phrase, *words_after)))
        before = now
    return ", ".join(told)


def _word(word: str, codes: Mapping[str, str]) -> tuple[bool, str, tuple[str, ...]] | None:
    for match in (_WORD.fullmatch(word), re.fullmatch(r"(/?)([a-z]{1,4})()([-+=~*^]?)", word)):
        if match is not None and match[2] in codes:
            after = ("to the body",) if match[3] else ()
            return bool(match[1]), codes[match[2]], (*after, *filter(None, (OUTCOMES.get(match[4]),)))
    return None

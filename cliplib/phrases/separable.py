"""Verbs that take somebody into their middle: “knocks Brandt down”, “ties the opponent up”."""

from __future__ import annotations

from collections.abc import Sequence

from cliplib.phrases.lexicon import Lexicon, Names
from cliplib.phrases.tokens import Token

_PARTICLES = frozenset(("down", "up", "off", "away", "back"))
_WIDEST = 4
"""Tokens from a verb to its particle: a first name and a surname may stand between them."""
_FINITE = ("base", "third", "past", "ing")


def close_up(tokens: Sequence[Token], lexicon: Lexicon, names: Names) -> list[Token]:
    """The tokens with such a particle moved to its verb."""
    out = list(tokens)
    for at in [i for i, token in enumerate(out) if token.norm in _PARTICLES]:
        start = at - 1
        while start >= 0 and at - start < _WIDEST and _person(out[start], names):
            start -= 1
        if start >= 0 and out[start].norm.startswith("back"):
            continue  # "backs Brandt up" drives him back
        if start < 0 or start == at - 1 or out[start].possessive:
            continue
        count, senses = lexicon.longest((out[start], out[at]), 0)
        if count == 2 and any(s.form in _FINITE for s in senses):
            out.insert(start + 1, out.pop(at))
    return out


def _person(token: Token, names: Names) -> bool:
    word = token.norm
    if word == "straight":  # "pulls straight back"
        return True
    return not token.possessive and (word in names.fighters or word in ("opponent", "southpaw", "orthodox"))

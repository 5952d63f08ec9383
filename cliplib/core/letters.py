"""Which characters are letters to a reader, and which only steer whatever shows them."""

from __future__ import annotations

_JOINERS = frozenset("\u200c\u200d") | {chr(code) for code in range(0xE0020, 0xE0080)}
"""Joiner and non-joiner, which Persian and Hindi are written with and which make one picture of several, and
the tags that flags of regions consist of (The Unicode Standard, 23.2 and 23.9; UTS #51)."""


def shows(character: str) -> bool:
    """Whether a character is written for its reader: no control, no change of direction."""
    return character.isprintable() or character in _JOINERS


def all_show(text: str) -> bool:
    return all(map(shows, text))

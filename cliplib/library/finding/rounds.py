"""Rounds as people write them, as `Where.rounds` has them."""

from __future__ import annotations

import re

from cliplib.core.errors import InputError

_WORDS = ("last", "late", "early", "middle", "first half", "second half", "unknown")


def rounds_in(text: str) -> list[int | str]:
    """“1, 3-5, last 2” as numbers and words. InputError for what is no round."""
    found: list[int | str] = []
    for piece in filter(None, (part.strip() for part in text.split(","))):
        match = re.fullmatch(r"(\d{1,3})(?:\s*-\s*(\d{1,3}))?", piece, re.ASCII)
        if piece in _WORDS or re.fullmatch(r"last \d{1,2}", piece, re.ASCII):
            found.append(piece)
        elif match is None or (match[2] and int(match[2]) < int(match[1])):
            raise InputError(
                f"“{piece}” is no round; write a number, 2-4, last 2 or one of {', '.join(_WORDS)}"
            )
        else:
            found += range(int(match[1]), int(match[2] or match[1]) + 1)
    return found

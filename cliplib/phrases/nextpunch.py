"""Where one punch ends and the next begins without a word between them: “jab right hand”."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cliplib.phrases.lexer import Item

if TYPE_CHECKING:
    from cliplib.phrases.modifiers import ModifierReader

PRAISE = frozenset(
    ("big", "hard", "heavy", "wide", "nice", "good", "great", "huge", "massive", "solid", "stiff", "sharp",
     "short", "long", "crisp", "fast", "quick")
)  # fmt: skip
"""What is said of a punch and indexed nowhere: never read, but a punch follows it."""
_HALF_SAID = ("straight", "overhand", "punch")
"""Heads that the hand completes: “straight right hand”, “overhand right hand”."""


def begins_punch(reader: ModifierReader, item: Item) -> bool:
    """Whether a hand behind a punch is a punch of its own: “jab right hand”, “jab big right”. “Jab (right
    hand)” and “jab with the right hand” say which hand the jab was thrown with.
    """
    last = reader.last
    if last is None or reader.p.phrase[last.end : item.start].strip():
        return False
    if last.text.lower() in PRAISE:
        return True
    completes = reader.proto.technique in _HALF_SAID and last.sense("technique")
    return item.text.lower().endswith("hand") and not completes

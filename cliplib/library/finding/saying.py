"""An action as pages and tables say it."""

from __future__ import annotations

from functools import lru_cache

from cliplib.core.models import Action
from cliplib.vocabulary import Vocabulary

_PLACES = {"ropes": "on the ropes", "corner": "in the corner", "centre": "in the centre"}


def say_action(action: Action, vocabulary: Vocabulary) -> str:
    """What one fighter did, in trade language: “counter right uppercut to the body”, “slips outside”.

    Without their name and the outcome, which stand beside it. A hand or side that was worked out and not said
    is left out, and so is a punch's target unless it is the body (common practice).
    """
    technique = action.technique
    side = None if "side" in action.inferred else action.side
    hand = None if "hand" in action.inferred else action.hand
    words = ["counter"] if "counter" in action.roles else []
    if vocabulary.is_punch(technique) or (vocabulary.kind(technique) == "feint" and (side or hand)):
        if vocabulary.hand(technique) is None:
            words.append(side or hand or "")
        words.append(vocabulary.say("technique", technique))
    else:
        words.append(_verb(vocabulary, technique))
        if technique == "trap" and (side or hand):
            words.append(f"the {side or hand} hand")
    if action.direction in ("inside", "outside"):
        words.append(action.direction)
    elif action.direction and "direction" not in action.inferred:
        words.append(f"to the {action.direction}")
    if action.target == "body":
        words.append("to the body")
    if action.place and "place" not in action.inferred:
        words.append(_PLACES.get(action.place, action.place))
    return " ".join(word for word in words if word)


@lru_cache(maxsize=1024)
def _verb(vocabulary: Vocabulary, technique: str) -> str:
    """`slips`, or the noun where nobody has a verb for it."""
    for lexeme in vocabulary.lexemes:
        if (lexeme.category, lexeme.value, lexeme.form) == ("technique", technique, "third"):
            return " ".join(lexeme.words)
    return vocabulary.say("technique", technique)

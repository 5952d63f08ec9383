"""An action in trade language, such that the phrase reader gives the same action again."""

from __future__ import annotations

from collections.abc import Collection

from cliplib.models import Action
from cliplib.vocabulary import Vocabulary

_WAYS = {
    "target": {"head": "to the head", "body": "to the body"},
    "place": {"centre": "in the centre", "ropes": "on the ropes", "corner": "in the corner"},
    "range": {"outside": "at long range", "mid": "at mid range", "inside": "at close range"},
    "outcome": {"partial": "partial"},
}


def say_action(
    action: Action, vocabulary: Vocabulary, *, without: Collection[str] = (), stance: bool = False
) -> str:
    """What one fighter did, without their name: “counter right uppercut to the body landed”.

    Only what was said: what is in `inferred` follows again from the rest. `without`: fields that are told
    elsewhere; `stance`: whether a said stance is told here.
    """

    def said(name: str) -> str | None:
        value = None if name in action.inferred or name in without else getattr(action, name)
        return value if isinstance(value, str) else None

    words = [role for role in action.said_roles if role != "lead"]
    if stance:
        words.append(said("stance") or "")
    sideways = not vocabulary.is_punch(action.technique)
    hand, side, direction = said("hand"), said("side"), said("direction")
    words.append(hand or "")
    if not sideways:
        words.append(side or "")
    # "A right hand" is read as the punch that it must be; said as that punch it would no longer be derived.
    derived = "technique" in action.inferred and side is not None
    words.append("hand" if derived else vocabulary.say("technique", action.technique))
    if sideways and side and not direction:
        direction = side
    target = said("target")
    words.append(_way("target", target, vocabulary))
    words.append(f"to the {direction}" if direction else "")
    words += [_way(name, said(name), vocabulary) for name in ("outcome", "place", "range")]
    words += ["as a lead" for role in action.said_roles if role == "lead"]
    return " ".join(word for word in words if word)


def _way(category: str, value: str | None, vocabulary: Vocabulary) -> str:
    if value is None:
        return ""
    return _WAYS.get(category, {}).get(value) or vocabulary.say(category, value)

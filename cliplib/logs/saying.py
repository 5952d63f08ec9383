"""An action in trade language, such that the phrase reader gives the same action again."""

from __future__ import annotations

from collections.abc import Collection

from cliplib.core.models import Action
from cliplib.vocabulary import Vocabulary

_WAYS = {
    "target": {"head": "to the head", "body": "to the body"},
    "place": {"centre": "in the centre", "ropes": "on the ropes", "corner": "in the corner"},
    "range": {"outside": "at long range", "mid": "at mid range", "inside": "at close range"},
    # Before the noun and as they are: the vocabulary's first word for a landed punch is "clean".
    "outcome": {name: name for name in ("landed", "partial", "blocked", "missed", "knockdown", "hurt")},
}


def say_action(
    action: Action, vocabulary: Vocabulary, *, without: Collection[str] = (), stance: bool = False
) -> str:
    """What one fighter did, without their name: “counter landed right uppercut to the body”.

    Only what was said: what is in `inferred` follows again from the rest. `without`: fields that are told
    elsewhere; `stance`: whether a said stance is told here; where a switch of stance ends always is.
    """

    def said(name: str) -> str | None:
        value = None if name in action.inferred or name in without else getattr(action, name)
        return value if isinstance(value, str) else None

    words = [role for role in action.said_roles if role != "lead"]
    words.append(_way("outcome", said("outcome"), vocabulary))
    switches = vocabulary.is_a(action.technique, "switch stance")
    if stance and not switches:
        words.append(said("stance") or "")
    hand, side, direction = said("hand"), said("side"), said("direction")
    # "Right hand feint" is a feint with the right hand; a hand feint with it needs the word twice.
    twice = " hand" if side and action.technique.startswith("hand ") else ""
    words += [hand or "", (side or "") + twice]
    # "A right hand" is read as the punch that it must be; said as that punch it would no longer be derived.
    derived = "technique" in action.inferred and side is not None
    words.append("hand" if derived else vocabulary.say("technique", action.technique))
    words.append(f"to {said('stance')}" if switches and said("stance") else "")
    target = said("target")
    words.append(_way("target", target, vocabulary))
    words.append(f"to the {direction}" if direction and direction != side else "")
    words += [_way(name, said(name), vocabulary) for name in ("place", "range")]
    words += ["as a lead" for role in action.said_roles if role == "lead"]
    return " ".join(word for word in words if word)


def _way(category: str, value: str | None, vocabulary: Vocabulary) -> str:
    if value is None:
        return ""
    return _WAYS.get(category, {}).get(value) or vocabulary.say(category, value)

"""An action in trade language, such that the phrase reader gives the same action again."""

from __future__ import annotations

from collections.abc import Collection

from cliplib.models import Action
from cliplib.vocabulary import Vocabulary

# What each field is said as, and where: before the technique's noun or after it.
_ROLES_AFTER = {
    "counter": "as counter",
    "lead": "as lead",
    "naked": "thrown naked",
    "follow-up": "as follow up",
}
_AFTER = {
    "target": "to the {}",
    "direction": "to the {}",
}


def say_action(
    action: Action, vocabulary: Vocabulary, *, without: Collection[str] = (), stance: bool = False
) -> str:
    """What one fighter did, without their name. `without`: fields that are told elsewhere.

    Values that were derived and not said are left out, except where nothing else tells the hand.
    """
    said = [] if "stance" in action.inferred or not stance or action.stance is None else [action.stance]
    for name in ("hand", "side"):
        value = getattr(action, name)
        if value is not None and name not in action.inferred and name not in without:
            said.append(value)
    said.append(vocabulary.say("technique", action.technique))
    said += [_ROLES_AFTER.get(role, role) for role in action.said_roles]
    for name in ("target", "direction", "outcome", "place", "range"):
        value = getattr(action, name)
        if value is not None and name not in action.inferred and name not in without:
            said.append(_AFTER[name].format(value) if name in _AFTER else vocabulary.say(name, value))
    return " ".join(said)

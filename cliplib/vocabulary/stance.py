"""Hands, sides and slips, by the stance at that moment. Pure functions; None in gives None out.

An orthodox boxer stands with the left hand and foot in front, a southpaw with the right (common practice).

                 orthodox   southpaw
    lead hand    left       right
    rear hand    right      left

A slip is to the *outside* of a punch when the head moves past the punching arm's outer side. Facing the
opponent, a left-hand punch comes from one's own right, so its outside is the defender's right and its
inside the defender's left; of a right-hand punch the reverse.
"""

from __future__ import annotations

_LEAD_SIDE = {"orthodox": "left", "southpaw": "right"}
_OTHER_SIDE = {"left": "right", "right": "left"}
_OTHER_STANCE = {"orthodox": "southpaw", "southpaw": "orthodox"}


def side_of(hand: str | None, stance: str | None) -> str | None:
    """left | right of a lead or rear hand."""
    lead = _LEAD_SIDE.get(stance or "")
    if lead is None or hand not in ("lead", "rear"):
        return None
    return lead if hand == "lead" else _OTHER_SIDE[lead]


def hand_of(side: str | None, stance: str | None) -> str | None:
    """lead | rear of a left or right hand."""
    lead = _LEAD_SIDE.get(stance or "")
    if lead is None or side not in _OTHER_SIDE:
        return None
    return "lead" if side == lead else "rear"


def slip_direction(slip_side: str | None, punch_side: str | None) -> str | None:
    """inside | outside of a slip to the defender's `slip_side` of a punch with the `punch_side` hand."""
    if slip_side not in _OTHER_SIDE or punch_side not in _OTHER_SIDE:
        return None
    return "outside" if slip_side != punch_side else "inside"


def slip_side(direction: str | None, punch_side: str | None) -> str | None:
    """The defender's left | right of a slip `inside` or `outside` a punch with the `punch_side` hand."""
    if punch_side not in _OTHER_SIDE or direction not in ("inside", "outside"):
        return None
    return _OTHER_SIDE[punch_side] if direction == "outside" else punch_side


def stance_match(a: str | None, b: str | None) -> str | None:
    """open for opposite stances, closed for equal ones, None if either is unknown."""
    if a not in _LEAD_SIDE or b not in _LEAD_SIDE:
        return None
    return "closed" if a == b else "open"


def switched(stance: str | None) -> str | None:
    """The stance after a switch."""
    return _OTHER_STANCE.get(stance or "")

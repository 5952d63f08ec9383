"""What follows from the order and times of an exchange's actions: who countered whom, who led, what missed.

Pure. A logger's own word wins: where a role or an outcome was said, nothing is derived against it. The
windows are settings of the library, and "at most" includes the very microsecond. A round clock is a time. In
an exchange without any times order alone decides. Where some actions have one and others don't, a counter is
only derived if the times around it leave no doubt: an untimed action lies between its timed neighbours. What
is nobody's claim, whether something followed up or was threatened before, is still judged by order there.

    counter     a punch whose preceding punch is the opponent's, at most 1.0 s before; it answers that punch
    lead        the exchange's first punch
    naked       a punch with no punch or feint of one's own in the 1.5 s before it
    follow-up   a punch whose preceding punch is one's own, in the 1.5 s before it (common practice)

Counter, lead and follow-up exclude one another, and so do naked and follow-up.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import accumulate

from cliplib.core.models import Action, Exchange, FightInfo, Settings
from cliplib.logs.said import as_said
from cliplib.vocabulary import Vocabulary

ROLES = ("counter", "lead", "naked", "follow-up")

_AVOIDED = ("slip", "roll", "duck", "pull", "step back", "step out")  # the punch meets air
_STOPPED = ("block", "parry", "catch")
_ONE_OF = ({"counter", "lead", "follow-up"}, {"naked", "follow-up"})  # at most one of each


def derive(exchange: Exchange, fight: FightInfo, settings: Settings, vocabulary: Vocabulary) -> Exchange:
    """The exchange with roles, answers and inferred outcomes filled in, whatever was derived before.

    `fight` is who the two people are; actions of anybody else have no opponent and take no part.
    """
    actions = _with_outcomes(as_said(exchange).actions, vocabulary)
    return replace(exchange, actions=_with_roles(actions, fight, settings, vocabulary))


def _with_outcomes(actions: tuple[Action, ...], vocabulary: Vocabulary) -> tuple[Action, ...]:
    """A defence decides the punch it answers: the opponent's last one before it.

    Of a jab and a cross that meet one slip, the slip says nothing about the jab.
    """
    result = list(actions)
    pending: dict[str | None, int] = {}  # fighter -> their last punch that the opponent has not acted on yet
    for index, action in enumerate(actions):
        for fighter, punch in list(pending.items()):
            if fighter != action.fighter:
                outcome = _outcome_of(action.technique, vocabulary)
                if outcome and actions[punch].outcome is None:
                    inferred = (*actions[punch].inferred, "outcome")
                    result[punch] = replace(actions[punch], outcome=outcome, inferred=inferred)
                del pending[fighter]
        if vocabulary.is_punch(action.technique):
            pending[action.fighter] = index
    return tuple(result)


def _outcome_of(defence: str, vocabulary: Vocabulary) -> str | None:
    if any(vocabulary.is_a(defence, name) for name in _STOPPED):
        return "blocked"
    # A shoulder roll is touched by the punch, even where a vocabulary files it under roll.
    if vocabulary.is_a(defence, "shoulder roll"):
        return None
    return "missed" if any(vocabulary.is_a(defence, name) for name in _AVOIDED) else None


def _with_roles(
    actions: tuple[Action, ...], fight: FightInfo, settings: Settings, vocabulary: Vocabulary
) -> tuple[Action, ...]:
    result = []
    sure = _Sure(actions)
    punch: int | None = None  # the punch before this action
    punch_of: dict[str | None, int] = {}  # ... and each fighter's own
    threats: dict[str | None, tuple[bool, int | None]] = {}  # own punches and feints: any untimed, last time
    for index, action in enumerate(actions):
        roles = set(action.said_roles)
        answers = None
        is_punch = vocabulary.is_punch(action.technique)
        if is_punch:
            before = actions[punch] if punch is not None else None
            if before is None:
                _add(roles, "lead")
            elif before.fighter == action.fighter:
                if _at_most(before, action, settings.naked_window_us):
                    _add(roles, "follow-up")
            elif punch is not None and sure.at_most(punch, index, settings.counter_window_us):
                _add(roles, "counter")
            if not _threatened(threats.get(action.fighter), action, settings.naked_window_us):
                _add(roles, "naked")
        if "counter" in roles and action.fighter in fight.fighters:
            answers = punch_of.get(fight.opponent_of(action.fighter))
        ordered = tuple(role for role in ROLES if role in roles)
        rest = tuple(role for role in action.said_roles if role not in ROLES)
        result.append(replace(action, roles=ordered + rest, answers=answers))
        if is_punch:
            punch = punch_of[action.fighter] = index
        if is_punch or vocabulary.kind(action.technique) == "feint":
            untimed, last = threats.get(action.fighter, (False, None))
            if action.time_us is None:
                untimed = True
            else:
                last = action.time_us if last is None else max(last, action.time_us)
            threats[action.fighter] = (untimed, last)
    return tuple(result)


def _add(roles: set[str], role: str) -> None:
    if not any(role in group and roles & group for group in _ONE_OF):
        roles.add(role)


class _Sure:
    """Whether one action surely began at most so long before another."""

    def __init__(self, actions: tuple[Action, ...]):
        self.no_times = all(action.time_us is None for action in actions)
        self.earliest = list(accumulate((action.time_us for action in actions), _later))
        latest = [_sooner(action.time_us, action.until_us) for action in reversed(actions)]
        self.latest = list(accumulate(latest, _sooner))[::-1]

    def at_most(self, before: int, after: int, window_us: int) -> bool:
        first, last = self.earliest[before], self.latest[after]
        return self.no_times or (first is not None and last is not None and last - first <= window_us)


def _later(a: int | None, b: int | None) -> int | None:
    return a if b is None else b if a is None else max(a, b)


def _sooner(a: int | None, b: int | None) -> int | None:
    return a if b is None else b if a is None else min(a, b)


def _at_most(before: Action, action: Action, window_us: int) -> bool:
    if before.time_us is None or action.time_us is None:
        return True
    return action.time_us - before.time_us <= window_us


def _threatened(own: tuple[bool, int | None] | None, action: Action, window_us: int) -> bool:
    """Whether a punch or feint of one's own lies in the window before `action`."""
    if own is None:
        return False
    untimed, last = own
    if untimed or last is None or action.time_us is None:
        return True
    return action.time_us - last <= window_us

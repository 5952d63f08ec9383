"""A story as the steps and filters of a search."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Any

from cliplib.core.models import Step, Where
from cliplib.phrases.meanings import ANY, CORNER, EITHER, LEAD, MOST_ALTERNATIVES, ROOTS, Event, Pair, Story
from cliplib.vocabulary import Vocabulary
from cliplib.vocabulary.stance import hand_of, switched

_SHARED = ("place", "range")


def build(story: Story) -> tuple[tuple[Step, ...], Where]:
    events = _with_stances(story)
    first = next((e.actor for e in events if not e.absent), events[0].actor if events else 0)
    shared: dict[str, str | None] = {}
    for name in _SHARED:
        values = {
            getattr(o, name) for e in events if not e.absent for o in (e, *e.others) if getattr(o, name)
        }
        shared[name] = values.pop() if len(values) == 1 else None
    doing = {e.actor for e in events}
    done = {e.actor for e in events if not e.absent}
    names, stances = _known(story.names), story.stances
    steps = tuple(_step(e, 1 if e.actor == first else 2, names, shared) for e in events)
    other = 1 - first
    asked = story.asked
    return steps, Where(
        rounds=tuple(sorted(asked.rounds, key=lambda r: (isinstance(r, int), r))),
        fight=asked.fight,
        stance=None if events else stances[0],
        fighter=None if first in doing else names[first],
        opponent=None if other in doing else names[other],
        opponent_stance=None if other in done else stances[other],
        stance_match=asked.match,
        place=shared["place"] or _loose(story, "place"),
        range=shared["range"] or _loose(story, "range"),
        dates=asked.dates,
    )


def _known(names: Pair) -> Pair:
    """Without those of whom only the corner was said."""
    one, two = (None if n and n.startswith(CORNER) else n for n in names)
    return one, two


def _loose(story: Story, name: str) -> str | None:
    return next((f.split("=")[1] for f in story.flags if f.startswith(name + "=")), None)


def _with_stances(story: Story) -> list[Event]:
    """What was said of a fighter's stance holds for all he does, up to a switch, whose own stance is the
    one that it
    ends in."""
    now = list(story.stances)
    out = []
    for e in story.events:
        if e.technique == "switch stance" and not e.absent:
            now[e.actor] = e.stance or switched(now[e.actor])
            e = e._replace(stance=now[e.actor])
        elif not e.absent:
            e = e._replace(stance=e.stance or now[e.actor])
        if e.fixed == LEAD and hand_of(e.side, e.stance) == "lead":
            e = e._replace(role=None, hand="lead")
        out.append(e)
    return out


def _step(event: Event, by: int, names: tuple[str | None, str | None], shared: dict[str, str | None]) -> Step:
    variants: list[Step] = []
    people = (names[event.actor] or "").split(EITHER)
    for e in (event, *(o._replace(stance=o.stance or event.stance) for o in event.others)):
        for technique, fighter in itertools.product(_techniques(e), people):
            values: dict[str, Any] = {
                "technique": technique,
                "by": by,
                "fighter": fighter or None,
                "stance": e.stance,
                "hand": e.hand,
                "side": e.side,
                "target": e.target,
                "outcome": e.outcome,
                "role": e.role,
                "direction": e.direction,
                "within_us": event.within,
                "place": None if shared["place"] or e.absent else e.place,
                "range": None if shared["range"] or e.absent else e.range,
                "absent": bool(event.absent),
            }
            variants.append(Step(**values))
    first, rest = (
        variants[0],
        tuple(dict.fromkeys(v for v in variants[1:MOST_ALTERNATIVES] if v != variants[0])),
    )
    return Step(**{**{f: getattr(first, f) for f in first.__slots__}, "alternatives": rest})


def _techniques(event: Event) -> tuple[str, ...]:
    if event.technique == ANY:
        narrowed = event.target or event.outcome or event.role or event.hand or event.side
        return ("punch",) if narrowed else ("punch", *ROOTS)
    return (technique_of(event, event.stance),)


def technique_of(event: Event, stance: str | None) -> str:
    """A southpaw's straight left is a cross: a straight by the hand that the stance makes of its side. So
    is his
    "left hand", which the trade says of the rear straight; his "right hand" may be any lead punch."""
    hand = hand_of(event.side, stance)
    if event.hand not in (None, hand):
        hand = None  # "a southpaw's rear right": what was said stands as it is
    if event.technique == "straight" and hand:
        return "cross" if hand == "rear" else "jab"
    if event.technique == "punch" and event.implied and hand == "rear" and event.target is None:
        return "cross"
    return event.technique


def is_any(step: Step, vocabulary: Vocabulary) -> bool:
    """Whether a step asks for any action at all."""
    if step.technique != "punch" or any(getattr(step, name) for name in _OF_PUNCHES):
        return False
    plain = replace(step, alternatives=())
    rest = {"punch"} ^ set(vocabulary.roots)
    return {replace(plain, technique=name) for name in rest} == set(step.alternatives)


_OF_PUNCHES = ("hand", "side", "target", "outcome", "role", "direction")

"""A log's phrase as actions of two known people, with hands, sides and slips derived from their stances."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from itertools import pairwise
from typing import NamedTuple

from cliplib.core.models import Action, FightInfo, Unread
from cliplib.phrases.lexicon import names_of
from cliplib.phrases.meanings import SIDED, Event, Pair, Story
from cliplib.phrases.reader import Told, tell, unread_of
from cliplib.vocabulary import Vocabulary
from cliplib.vocabulary.stance import hand_of, side_of, slip_direction, slip_side, switched


class LogPhrase(NamedTuple):
    """Actions in order, without times; and what could not be read, with its place in the phrase. `because`:
    why, where
    the words are understood but nothing that a log can hold; empty for words that are not known."""

    actions: tuple[Action, ...]
    unread: tuple[Unread, ...]
    because: str = ""


def read_log(
    phrase: str,
    vocabulary: Vocabulary,
    fight: FightInfo,
    *,
    fighter: str | None = None,
    stances: Mapping[str, str] | None = None,
) -> LogPhrase:
    """Read what a logger wrote: one action or a whole exchange. Never raises on text.

    `fighter`: who the row is about (full name), the subject of the phrase; `stances`: stances at this
    moment by full
    name, where they differ from those in fight.toml. An action whose fighter nobody named has None.
    """
    names = names_of(fight.fighters, ())._replace(corners=fight.fighters)
    told = tell(phrase, vocabulary, names, log=True)
    story = told.story
    unread = unread_of(phrase, told, vocabulary, names)
    because = _not_for_logs(story, told)
    if because and not unread:
        whole = phrase.strip()
        at = phrase.find(whole)
        unread = [Unread(whole, at, at + len(whole))]
    people = _people(story, fight, fighter)
    now = {n: s for n in fight.fighters if (s := (stances or {}).get(n) or fight.stance_of(n))}
    now |= {name: stance for name, stance in zip(people, story.stances, strict=True) if name and stance}
    actions = []
    for event in story.events:
        if event.absent:
            continue
        name = people[event.actor]
        stance = event.stance or (
            switched(now.get(name or "")) if event.technique == "switch stance" else now.get(name or "")
        )
        if name and stance:
            now[name] = stance
        actions.append(_action(event, name, stance, bool(event.stance or story.stances[event.actor])))
    return LogPhrase(tuple(derive_slips(actions, vocabulary)), tuple(unread), because)


def _people(story: Story, fight: FightInfo, fighter: str | None) -> Pair:
    """Who the two of the story are, as far as anybody said."""
    names = list(story.names)
    if fighter is not None and fighter not in names:
        at = next((a for a in (story.unsaid, story.he, 0) if a is not None), 0)
        if names[at] is None:
            names[at] = fighter
    for one in (0, 1):
        if names[one] is not None and names[1 - one] is None and names[one] in fight.fighters:
            names[1 - one] = fight.opponent_of(names[one] or "")
    return names[0], names[1]


def _not_for_logs(story: Story, told: Told) -> str:
    """Rounds, dates and alternatives mean something in a search; an entry in a log cannot be "or"."""
    if told.timed or any(e.within is not None for e in story.events):
        return "a time limit belongs to a search; a log gives times in its columns"
    if any(e.others for e in story.events if not e.absent):
        return "a log says what happened: one action, not “or”"
    if any(e.technique == "any" for e in story.events):
        return "a log says what happened: name the action"
    asked = story.asked
    if asked.rounds or asked.dates or asked.fight or asked.match:
        return "rounds, dates, fights and open or closed stance are not part of an action"
    return ""


def _action(event: Event, name: str | None, stance: str | None, said: bool) -> Action:
    inferred: list[str] = []
    technique, hand, side, direction = event.technique, event.hand, event.side, event.direction
    if technique in SIDED and direction in ("left", "right"):
        side = direction
    else:
        if hand is None and (known := hand_of(side, stance) or event.fixed_hand):
            hand = known
            inferred.append("hand")
        if side is None and (known := side_of(hand, stance)):
            side = known
            inferred.append("side")
    if technique == "straight" and hand:
        technique = "cross" if hand == "rear" else "jab"
    elif technique == "punch" and hand == "rear" and event.side and event.implied:
        # The trade's "right hand" of an orthodox fighter is a straight; a lead hand may be a jab or a hook.
        technique = "cross"
        inferred.append("technique")
    if stance and not said:
        inferred.append("stance")
    return Action(
        technique=technique, fighter=name, hand=hand, side=side, target=event.target, outcome=event.outcome,
        direction=direction, stance=stance, place=event.place, range=event.range,
        said_roles=(event.role,) if event.role else (), inferred=tuple(inferred),
    )  # fmt: skip


def derive_slips(actions: list[Action], vocabulary: Vocabulary) -> list[Action]:
    """Inside and outside from left and right, and the reverse, by the hand of the punch slipped."""
    out = actions[:1]
    for before, action in pairwise(actions):
        slipped = before.fighter != action.fighter and vocabulary.is_punch(before.technique)
        if action.technique != "slip" or not slipped or before.side is None:
            out.append(action)
        elif action.direction in ("left", "right"):
            new = slip_direction(action.direction, before.side)
            out.append(dataclasses.replace(action, direction=new, inferred=(*action.inferred, "direction")))
        elif action.direction in ("inside", "outside"):
            new = slip_side(action.direction, before.side)
            kept = tuple(i for i in action.inferred if i not in ("hand", "side"))
            out.append(dataclasses.replace(action, side=new, inferred=(*kept, "side")))
        else:
            out.append(action)
    return out

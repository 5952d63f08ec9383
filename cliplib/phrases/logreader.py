"""A log's phrase as actions of two known people, with hands, sides and slips derived from their stances."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

from cliplib.core.models import Action, FightInfo, Unread
from cliplib.phrases.chunk import Proto
from cliplib.phrases.clauses import Story, Teller
from cliplib.phrases.grammar import Parsed, words_of
from cliplib.phrases.lexicon import names_of
from cliplib.phrases.modifiers import SIDEWAYS
from cliplib.phrases.reader import parse
from cliplib.phrases.suggest import suggest
from cliplib.vocabulary import Vocabulary
from cliplib.vocabulary.stance import hand_of, side_of, slip_direction, slip_side, switched


@dataclass(frozen=True, slots=True)
class LogPhrase:
    """Actions in order, without times; and what could not be read, with its place in the phrase. `because`:
    why, where the words are understood but nothing that a log can hold; empty for words that are not known.
    """

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

    `fighter`: who the row is about (full name), the subject of the phrase; `stances`: stances at this moment
    by full name, where they differ from those in fight.toml. An action whose fighter nobody named has None.
    """
    names = names_of(fight.fighters, ())
    parsed = parse(phrase, vocabulary, names)
    story = Teller(vocabulary, fighter).tell(parsed)
    people = dict(story.names)
    for actor, opponent in story.opponents.items():
        people.setdefault(1 - actor, opponent)
    if len(people) == 1:
        ((actor, name),) = people.items()
        people[1 - actor] = fight.opponent_of(name)
    unread = [
        dataclasses.replace(u, meant=u.meant or suggest(u.text, vocabulary, names))
        for u in dict.fromkeys(parsed.unread)
    ]
    because = _not_for_logs(parsed, story)
    if because:
        unread += _stretch(phrase, parsed)
    now = {n: s for n in fight.fighters if (s := (stances or {}).get(n) or fight.stance_of(n))}
    now |= {people[1 - a]: s for a, s in story.opponent_stances.items() if 1 - a in people}
    actions = _actions(story, people, now, vocabulary)
    return LogPhrase(
        tuple(derive_slips(actions, vocabulary)), tuple(sorted(unread, key=lambda u: u.start)), because
    )


def _not_for_logs(parsed: Parsed, story: Story) -> str:
    """Rounds, dates and alternatives mean something in a search; an entry in a log cannot be "or"."""
    if parsed.times:
        return "a time limit belongs to a search; a log gives times in its columns"
    if any(a.others or any(a.alts.values()) for a in story.actions):
        return "a log says what happened: one action, not “or”"
    if parsed.rounds or parsed.dates or parsed.fights or parsed.stance_match:
        return "rounds, dates, fights and open or closed stance are not part of an action"
    return ""


def _stretch(phrase: str, parsed: Parsed) -> list[Unread]:
    """Where the problem lies: the time limit, or all of the phrase."""
    if parsed.times:
        return [w for item in parsed.times for w in words_of(phrase, item.start, item.end)]
    whole = phrase.strip()
    start = phrase.find(whole)
    return [Unread(whole, start, start + len(whole))]


def _actions(
    story: Story, people: Mapping[int, str], now: dict[str, str], vocabulary: Vocabulary
) -> list[Action]:
    actions: list[Action] = []
    for proto in story.actions:
        if proto.absent:
            continue
        name = people.get(proto.actor)
        stance = now.get(name or "")
        if vocabulary.is_a(proto.technique, "switch stance"):
            stance = switched(stance)  # the stance of a switch is the one it ends in
        stance = proto.stance or stance
        if name and stance:
            now[name] = stance
        actions.append(_action(proto, name, stance, vocabulary))
    return actions


def _action(proto: Proto, name: str | None, stance: str | None, vocabulary: Vocabulary) -> Action:
    inferred: list[str] = []
    technique, hand, side, direction = proto.technique, proto.hand, proto.side, proto.direction
    if technique in SIDEWAYS and direction in ("left", "right"):
        side = direction
    else:
        if hand is None and (known := hand_of(side, stance) or vocabulary.hand(technique)):
            hand = known
            inferred.append("hand")
        if side is None and (known := side_of(hand, stance)):
            side = known
            inferred.append("side")
    if technique == "straight" and hand:
        technique = "cross" if hand == "rear" else "jab"
    elif technique == "punch" and hand == "rear" and proto.side and proto.implied:
        # The trade's "right hand" of an orthodox fighter is a straight; a lead hand may be a jab or a hook.
        technique = "cross"
        inferred.append("technique")
    if stance and not proto.stance:
        inferred.append("stance")
    return Action(
        technique=technique,
        fighter=name,
        hand=hand,
        side=side,
        target=proto.target,
        outcome=proto.outcome,
        direction=direction,
        stance=stance,
        place=proto.place,
        range=proto.range,
        said_roles=(proto.role,) if proto.role else (),
        inferred=tuple(inferred),
    )


def derive_slips(actions: list[Action], vocabulary: Vocabulary) -> list[Action]:
    """Inside and outside from left and right, and the reverse, by the hand of the punch slipped."""
    out = actions[:1]
    for before, action in pairwise(actions):
        slipped = before.fighter != action.fighter and vocabulary.is_punch(before.technique)
        if action.technique != "slip" or not slipped or before.side is None:
            out.append(action)
            continue
        if action.direction in ("left", "right"):
            new = slip_direction(action.direction, before.side)
            out.append(dataclasses.replace(action, direction=new, inferred=(*action.inferred, "direction")))
        elif action.direction in ("inside", "outside"):
            new = slip_side(action.direction, before.side)
            kept = tuple(i for i in action.inferred if i not in ("hand", "side"))
            out.append(dataclasses.replace(action, side=new, inferred=(*kept, "side")))
        else:
            out.append(action)
    return out

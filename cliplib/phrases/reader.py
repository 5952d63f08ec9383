"""A phrase read as a search: steps in time order and filters, said back."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from cliplib.core.models import Reading, Settings, Step, Unread, Where
from cliplib.phrases.anything import asked, narrowed
from cliplib.phrases.chunk import FIELDS, Proto
from cliplib.phrases.clauses import Story, Teller
from cliplib.phrases.grammar import Parsed, Parser, words_of
from cliplib.phrases.lexer import Lexer
from cliplib.phrases.lexicon import Names, names_of
from cliplib.phrases.parts import parts_of
from cliplib.phrases.saying import say
from cliplib.phrases.suggest import suggest
from cliplib.phrases.tokens import tokenise
from cliplib.vocabulary import Vocabulary
from cliplib.vocabulary.stance import hand_of, switched

LONGEST = 2000
"""Characters of a phrase that are read; what lies beyond is shown as not read."""
MOST_ALTERNATIVES = 24
_RELATIVE = frozenset(
    ("year", "years", "month", "months", "week", "weeks", "yesterday", "today", "recent", "recently", "ago")
)


def read_search(
    phrase: str,
    vocabulary: Vocabulary,
    *,
    fighters: Sequence[str] = (),
    fights: Sequence[str] = (),
    settings: Settings | None = None,
) -> Reading:
    """Read a phrase as a coach says it. Never raises on text: what was not understood is in `unread`.

    `fighters`: full names known to the library, found by any unique part of them; `fights`: titles.
    `settings` is there for callers that have it; no rule of reading depends on it yet.
    """
    del settings
    names = names_of(tuple(fighters), tuple(fights))
    parsed = parse(phrase, vocabulary, names)
    story = Teller(vocabulary).tell(parsed)
    if any(u.text.lower() in _RELATIVE for u in parsed.unread):
        parsed.notes.append("dates are read as they stand: “in 2024”, “since March 2024”, “in May 2024”")
    _unplaced(phrase, story, parsed)
    steps, where = _build(story, parsed)
    unread = _with_suggestions(parsed.unread, vocabulary, names)
    said = say(steps, where, vocabulary)
    return Reading(
        phrase=phrase,
        said=said,
        steps=steps,
        where=where,
        unread=unread,
        choices=tuple(parsed.choices),
        notes=tuple(parsed.notes),
        parts=parts_of(steps, where, vocabulary),
    )


def parse(phrase: str, vocabulary: Vocabulary, names: Names) -> Parsed:
    """Chunks of a phrase, with what could not be read."""
    items = asked(Lexer(phrase, tokenise(phrase[:LONGEST]), vocabulary, names).items())
    parsed = Parser(phrase, items, vocabulary).parse()
    if phrase[LONGEST:].strip():
        parsed.unread.append(Unread(phrase[LONGEST:], LONGEST, len(phrase)))
        parsed.notes.append(f"only the first {LONGEST} characters were read")
    parsed.unread.sort(key=lambda u: u.start)
    return parsed


def _with_suggestions(unread: Sequence[Unread], vocabulary: Vocabulary, names: Names) -> tuple[Unread, ...]:
    out = []
    for index, word in enumerate(dict.fromkeys(unread)):
        meant = word.meant or (suggest(word.text, vocabulary, names) if index < 20 else ())
        out.append(Unread(word.text, word.start, word.end, meant))
    return tuple(out)


def _unplaced(phrase: str, story: Story, parsed: Parsed) -> None:
    """What was read but has no place: a third fighter, a time limit with nothing before it."""
    for name in dict.fromkeys(story.leftover):
        for word in name.split():
            start = phrase.lower().rfind(word.lower())
            if start >= 0:
                parsed.unread.append(Unread(phrase[start : start + len(word)], start, start + len(word)))
                parsed.notes.append(f"{name} has no part in this between the two others")
                break
    first = next((a for a in story.actions if not a.absent), story.actions[0] if story.actions else None)
    early = first is not None and first.within_us is not None
    if first is not None and (early or (story.actions and story.limit)) and parsed.times:
        first.within_us = None if early else first.within_us
        item = parsed.times[0]
        parsed.unread.extend(words_of(phrase, item.start, item.end))
        parsed.notes.append("a time limit needs an action before it")
    if not story.actions:
        for item in parsed.times:
            parsed.unread.extend(words_of(phrase, item.start, item.end))
    parsed.unread.sort(key=lambda u: u.start)


# --- steps and filters ------------------------------------------------------------------------------------


def _build(story: Story, parsed: Parsed) -> tuple[tuple[Step, ...], Where]:
    actions = story.actions
    first = next((a.actor for a in actions if not a.absent), actions[0].actor if actions else 0)
    number = {first: 1, 1 - first: 2}
    names = dict(story.names)
    opponents = dict(story.opponents)
    stances: dict[int, str] = {}
    opponent_stances = dict(story.opponent_stances)
    for actor in (0, 1):
        present = any(a.actor == 1 - actor and not a.absent for a in actions)
        if actor in opponents and present:
            names.setdefault(1 - actor, opponents.pop(actor))
        if actor in opponent_stances and present:
            stances.setdefault(1 - actor, opponent_stances.pop(actor))
    _spread_stance(actions, stances)
    shared = {
        name: values.pop()
        if len(values := {getattr(a, name) for a in actions if not a.absent and getattr(a, name)}) == 1
        else None
        for name in ("place", "range")
    }
    steps = tuple(_step(a, number[a.actor], names, shared) for a in actions)
    other = 1 - first
    leftover = {a: n for a, n in names.items() if not any(x.actor == a for x in actions)}
    where = Where(
        rounds=_rounds(parsed),
        fight=parsed.fights[0] if parsed.fights else None,
        stance=None if actions else next((c.stance for _, c in parsed.links if c.stance), None),
        fighter=leftover.get(first) or (opponents.get(other) if actions or other in opponents else None),
        opponent=opponents.get(first) or leftover.get(other),
        opponent_stance=opponent_stances.get(first),
        stance_match=parsed.stance_match,
        place=shared["place"] if actions else _loose(parsed, "place"),
        range=shared["range"] if actions else _loose(parsed, "range"),
        dates=(parsed.dates[0].first, parsed.dates[0].last) if parsed.dates else None,
    )
    return steps, where


def _loose(parsed: Parsed, name: str) -> str | None:
    return next((getattr(c, name) for _, c in parsed.links if getattr(c, name)), None)


def _rounds(parsed: Parsed) -> tuple[int | str, ...]:
    """In one order, whatever order they were said in."""
    rounds = dict.fromkeys(r for found in parsed.rounds for r in found.rounds)
    return tuple(sorted(rounds, key=lambda r: (isinstance(r, int), r)))


def _spread_stance(actions: Sequence[Proto], stances: dict[int, str]) -> None:
    """What was said of a fighter's stance holds for all he does, up to a switch, whose own stance is the one
    that it ends in.
    """
    for actor in (0, 1):
        own = [a for a in actions if a.actor == actor and not a.absent]
        current = stances.get(actor)
        if current is None and not any(a.technique == "switch stance" for a in own):
            current = next((a.stance for a in own if a.stance), None)
        for action in actions:
            if action.actor != actor:
                continue
            switches = action.technique == "switch stance" and not action.absent
            if switches and not action.stance:
                action.stance = current = switched(current)
            elif action.stance and not action.absent:
                current = action.stance
            elif current and not action.absent:
                action.stance = current


def _step(action: Proto, by: int, names: dict[int, str], shared: dict[str, str | None]) -> Step:
    variants: list[Step] = []
    for proto in (action, *narrowed(action)):
        fields = [f for f in FIELDS if f in proto.alts]
        for values in itertools.product(*([getattr(proto, f), *proto.alts[f]] for f in fields)):
            chosen = {f: getattr(proto, f) for f in FIELDS} | dict(zip(fields, values, strict=True))
            chosen["fighter"] = names.get(action.actor)
            chosen["stance"] = chosen["stance"] or action.stance
            variants.append(
                Step(
                    technique=technique_of(proto, chosen),
                    by=by,
                    within_us=action.within_us,
                    place=None if shared["place"] else action.place,
                    range=None if shared["range"] else action.range,
                    absent=action.absent,
                    **chosen,
                )
            )
    first, rest = (
        variants[0],
        tuple(dict.fromkeys(v for v in variants[1:MOST_ALTERNATIVES] if v != variants[0])),
    )
    return Step(**{**{f: getattr(first, f) for f in first.__slots__}, "alternatives": rest})


def technique_of(proto: Proto, fields: dict[str, str | None]) -> str:
    """A southpaw's straight left is a cross: a straight by the hand that the stance makes of its side. So is
    his "left hand", which the trade says of the rear straight; his "right hand" may be any lead punch.
    """
    hand = hand_of(fields.get("side"), fields.get("stance"))
    if fields.get("hand") not in (None, hand):
        hand = None  # "a southpaw's rear right": what was said stands as it is
    if proto.technique == "straight" and hand:
        return "cross" if hand == "rear" else "jab"
    if proto.technique == "punch" and proto.implied and hand == "rear" and fields.get("target") is None:
        return "cross"
    return proto.technique

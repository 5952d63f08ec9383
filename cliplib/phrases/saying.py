"""Steps and filters said back in plain English that reads to the same steps."""

from __future__ import annotations

import datetime
from dataclasses import replace
from typing import Any

from cliplib.core.models import Step, Where
from cliplib.core.timebase import SECOND
from cliplib.phrases.build import is_any
from cliplib.phrases.meanings import SIDED
from cliplib.vocabulary import Vocabulary

_ANYTHING, _OF = "anything", "'s"
_PLACES = {"centre": "in the centre", "ropes": "on the ropes", "corner": "in the corner"}
_RANGES = {"outside": "at long range", "mid": "at mid range", "inside": "at close range"}
_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
    "November", "December",
)  # fmt: skip


def say(steps: tuple[Step, ...], where: Where, vocabulary: Vocabulary) -> str:
    """One English phrase for the whole reading; empty for an empty one."""
    opponent = _opponent(where)
    text, told = _say_steps(steps, opponent, vocabulary)
    alone = () if steps else (where.fighter, where.stance)
    pieces = (
        text, *alone, "" if told else opponent, where.stance_match and f"in {where.stance_match} stance",
        where.place and (_PLACES.get(where.place) or vocabulary.say("place", where.place)),
        where.range and (_RANGES.get(where.range) or vocabulary.say("range", where.range)),
        where.rounds and say_rounds(where.rounds), where.fight and f"in {where.fight}",
        where.dates and say_dates(*where.dates),
    )  # fmt: skip
    return " ".join(piece for piece in pieces if piece)


def _say_steps(steps: tuple[Step, ...], opponent: str, vocabulary: Vocabulary) -> tuple[str, bool]:
    """The steps, and whether the opponent was said with them."""
    text, told = "", False
    before: Step | None = None
    waiting: list[Step] = []  # what must not come before the next step
    for index, step in enumerate(steps):
        if step.absent:
            if any(not s.absent for s in steps[index + 1 :]):
                waiting.append(step)
            elif before is None:
                text += ("" if not text else ", then ") + _never(step, vocabulary)
            else:
                text += _absent(step, before, vocabulary, after=True, short=index == len(steps) - 1)
            continue
        clause = _clause(step, before, vocabulary)
        clause += "".join(_absent(absent, step, vocabulary, after=False) for absent in waiting)
        waiting.clear()
        if before is None and opponent and step.by == 1:
            clause += " " + opponent
            told = True
        text = clause if not text else f"{text}, then {clause}"
        before = step
    return text, told


def _opponent(where: Where) -> str:
    words = []
    if where.opponent_stance:
        words.append(where.opponent_stance)
    if where.opponent:
        words.append(where.opponent)
    if not words:
        return ""
    if where.opponent:
        return "against " + " ".join(words)
    return f"against {_article(words[0])} {words[0]}" + (" fighter" if words[0] == "orthodox" else "")


def _article(word: str) -> str:
    return "an" if word[:1].lower() in "aeiou" and not word.startswith(("one", "uni", "u ")) else "a"


def _clause(step: Step, before: Step | None, vocabulary: Vocabulary) -> str:
    """“a missed jab”, “the other fighter's counter to the body”, “Jonas Brandt's lead hook”."""
    whole = step
    step, people = _either_person(step)
    flips = before is not None and before.by != step.by
    owner = _owner(step, people, before, vocabulary)
    known = before is not None and not flips and before.stance == step.stance
    stance = None if known and step.technique != "switch stance" else step.stance
    if is_any(step, vocabulary):
        phrase = f"{stance} {_ANYTHING}" if stance else _ANYTHING
        if flips and step.fighter:
            phrase = f"{step.fighter} does {phrase}"
        elif owner:
            phrase += f" by {owner.removesuffix(_OF)}"
    else:
        phrase = describe(step, vocabulary, stance)
        phrase = f"{owner} {phrase}" if owner else f"{_article(phrase)} {phrase}"
        phrase += "".join(" or " + _instead(step, other, stance, vocabulary) for other in step.alternatives)
    for name, said_of in (("place", _PLACES), ("range", _RANGES)):
        values = dict.fromkeys(v for s in (whole, *whole.alternatives) if (v := getattr(s, name)))
        if values:
            phrase += " " + " or ".join(said_of.get(v) or vocabulary.say(name, v) for v in values)
    return phrase if step.within_us is None else phrase + " " + say_within(step.within_us)


def _owner(step: Step, people: tuple[str, ...], before: Step | None, vocabulary: Vocabulary) -> str:
    """Whose it is, where that has to be said."""
    flips = before is not None and before.by != step.by
    if step.fighter and (before is None or flips):
        return " or ".join(people) + _OF
    if flips:
        return "the other fighter's"
    same = before is not None and step.role == "counter" and vocabulary.is_punch(before.technique)
    return "the same fighter's" if same else ""


def _instead(step: Step, other: Step, stance: str | None, vocabulary: Vocabulary) -> str:
    """What is said of an alternative."""
    one = replace(step, alternatives=(), direction=other.direction)
    if step.direction and other.direction and one == other:
        return _way(other.direction)
    level, sideways = other.direction in ("inside", "outside"), other.technique in SIDED
    said = describe(other, vocabulary, stance, fronted=step.direction is None and (level or sideways))
    if other.technique == "punch" and other.role == "counter" and "punch" not in said:
        said = said.replace("counter", "counter punch", 1)  # "a cross or counter" is of crosses
    return said


def _either_person(step: Step) -> tuple[Step, tuple[str, ...]]:
    """The step as one fighter does it, and the fighters of whom any one may."""
    people = tuple(dict.fromkeys(s.fighter for s in (step, *step.alternatives) if s.fighter))
    places: dict[str, Any] = {"place": step.place, "range": step.range}
    own = [
        a
        for a in step.alternatives
        if a.fighter == step.fighter and replace(a, **places) != replace(step, alternatives=())
    ]
    return replace(step, alternatives=tuple(own)), people


def describe(step: Step, vocabulary: Vocabulary, stance: str | None = None, *, fronted: bool = False) -> str:
    """The step's own words without an article: “missed counter left hook to the body”. `fronted`: the
    direction comes first, so that it is this step's only (“a duck or left step out”).
    """
    switches = step.technique == "switch stance"
    lead = (step.technique, step.hand) == ("punch", "lead")  # “lead punch” is a role
    words = (
        stance if not switches else None, step.direction if fronted else None,
        step.outcome if step.outcome != "hurt" else None, step.role if step.role != "lead" else None,
        "lead hand" if lead else step.hand,
        step.side, _named(step, vocabulary),
        f"to {stance}" if stance and switches else None,  # the stance that it ends in
        step.target and f"to the {step.target}",
        _way(step.direction) if step.direction and not fronted else None,
        "as a lead" if step.role == "lead" else None, "that hurt" if step.outcome == "hurt" else None,
    )  # fmt: skip
    return " ".join(word for word in words if word)


def _named(step: Step, vocabulary: Vocabulary) -> str:
    """What it is called: nothing for a counter that may be any punch, “hand” for a hand's."""
    if step.technique == "punch" and not step.hand:
        if step.role == "counter" and not step.side:
            return ""
        if step.side and not step.stance:
            return "hand"  # how the trade says it
    said = vocabulary.say("technique", step.technique)
    return "movement" if said == "footwork" else said  # nobody says “a footwork”


def _way(direction: str | None) -> str:
    level = direction in ("inside", "outside", "left", "right")
    return f"to the {direction}" if level else str(direction)


def _never(step: Step, vocabulary: Vocabulary) -> str:
    text = f"no {_unwanted(step, vocabulary)}"
    if is_any(step, vocabulary):
        return _without_any(step) + (f" by {step.fighter}" if step.fighter else "")
    for other in step.alternatives:
        text += " or " + _unwanted(other, vocabulary)
    return text + (f" by {step.fighter}" if step.fighter else "")


def _absent(step: Step, beside: Step, vocabulary: Vocabulary, *, after: bool, short: bool = True) -> str:
    others = step.by != beside.by
    within = "" if step.within_us is None else " " + say_within(step.within_us)
    plain = Step("punch", by=step.by, role="counter", absent=True, within_us=step.within_us)
    if after and others and step == plain and short and vocabulary.is_punch(beside.technique):
        return ", not countered" + within
    text = f" with no {_unwanted(step, vocabulary)}"
    if text.endswith(" straight"):
        text += " punch"  # "straight after" is a time
    if is_any(step, vocabulary):
        text = " " + _without_any(step)
    for other in () if is_any(step, vocabulary) else step.alternatives:
        text += " or " + _unwanted(other, vocabulary)
    if others:
        text += f" by {step.fighter}" if step.fighter else " by the opponent"
    return text + (" after it" if after else " before it") + within


def _unwanted(step: Step, vocabulary: Vocabulary) -> str:
    hurt = step.outcome == "hurt"  # "no punch that hurt before it" would leave open what came before what
    text = describe(replace(step, outcome=None) if hurt else step, vocabulary, step.stance)
    return "hurt " + text if hurt else text


def _without_any(step: Step) -> str:
    return "without " + (f"{step.stance} " if step.stance else "") + _ANYTHING


def say_within(us: int) -> str:
    seconds, rest = divmod(us, SECOND)
    decimals = f"{rest:06d}".rstrip("0")
    text = f"{seconds}.{decimals}" if decimals else str(seconds)
    return f"within {text} second" + ("" if text == "1" else "s")


_ROUND_OF = {"last": " round"}


def say_rounds(rounds: tuple[int | str, ...]) -> str:
    words = [r for r in rounds if isinstance(r, str)]
    numbers = sorted(r for r in rounds if isinstance(r, int))
    phrases = [f"in the {w}" + _ROUND_OF.get(w, "" if w.endswith("half") else " rounds") for w in words]
    if len(numbers) == 1:
        phrases.append(f"in round {numbers[0]}")
    elif numbers and numbers == list(range(numbers[0], numbers[-1] + 1)):
        phrases.append(f"in rounds {numbers[0]} to {numbers[-1]}")
    elif numbers:
        phrases.append(f"in rounds {', '.join(map(str, numbers[:-1]))} and {numbers[-1]}")
    return " ".join(phrases)


def say_dates(first: datetime.date | None, last: datetime.date | None) -> str:
    if first and last:
        if first == last:
            return f"on {_day(first)}"
        if (first.month, first.day, last.month, last.day) == (1, 1, 12, 31):
            return f"in {first.year}" if first.year == last.year else f"from {first.year} to {last.year}"
        following = last + datetime.timedelta(days=1)
        if first.day == 1 and following.day == 1 and (first.year, first.month) == (last.year, last.month):
            return f"in {_MONTHS[first.month - 1]} {first.year}"
        return f"from {_day(first)} to {_day(last)}"
    if first:
        return f"since {_day(first)}"
    return f"until {_day(last)}" if last else ""


def _day(date: datetime.date) -> str:
    return f"{date.day} {_MONTHS[date.month - 1]} {date.year}"

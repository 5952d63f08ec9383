"""Steps and filters said back in plain English that reads to the same steps."""

from __future__ import annotations

import datetime
from dataclasses import replace

from cliplib.core.models import Step, Where
from cliplib.core.timebase import SECOND
from cliplib.phrases.anything import is_any
from cliplib.phrases.modifiers import SIDEWAYS
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
    pieces: list[str] = []
    before: Step | None = None
    opponent = _opponent(where)
    absent_before: list[Step] = []
    text = ""
    for index, step in enumerate(steps):
        later = [s for s in steps[index + 1 :] if not s.absent]
        if step.absent and later:
            absent_before.append(step)
            continue
        if step.absent and before is None:
            text += ("" if not text else ", then ") + _never(step, vocabulary)
            continue
        if step.absent and before is not None:
            text += _absent(step, before, vocabulary, after=True, short=index == len(steps) - 1)
            continue
        clause = _clause(step, before, vocabulary)
        for absent in absent_before:
            clause += _absent(absent, step, vocabulary, after=False)
        absent_before.clear()
        if before is None and opponent and step.by == 1:
            clause += " " + opponent
            opponent = ""
        text = clause if not text else f"{text}, then {clause}"
        before = step
    if text:
        pieces.append(text)
    if where.fighter and not steps:
        pieces.append(where.fighter)
    if where.stance and not steps:
        pieces.append(where.stance)
    if opponent:
        pieces.append(opponent)
    if where.stance_match:
        pieces.append(f"in {where.stance_match} stance")
    if where.place:
        pieces.append(_PLACES.get(where.place) or vocabulary.say("place", where.place))
    if where.range:
        pieces.append(_RANGES.get(where.range) or vocabulary.say("range", where.range))
    if where.rounds:
        pieces.append(say_rounds(where.rounds))
    if where.fight:
        pieces.append(f"in {where.fight}")
    if where.dates:
        pieces.append(say_dates(*where.dates))
    return " ".join(pieces)


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
    flips = before is not None and before.by != step.by
    if step.fighter and (before is None or flips):
        owner = step.fighter + _OF
    elif flips:
        owner = "the other fighter's"
    elif before is not None and step.role == "counter" and vocabulary.is_punch(before.technique):
        owner = "the same fighter's"
    else:
        owner = ""
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
        for other in step.alternatives:
            level = other.direction in ("inside", "outside")
            sideways = other.technique in SIDEWAYS
            if (
                step.direction
                and other.direction
                and replace(step, alternatives=(), direction=other.direction) == other
            ):
                phrase += " or " + _way(other.direction)
                continue
            fronted = step.direction is None and (level or sideways)
            said = describe(other, vocabulary, stance, fronted=fronted)
            if other.technique == "punch" and other.role == "counter" and "punch" not in said:
                said = said.replace("counter", "counter punch", 1)  # "a cross or counter" is of crosses
            phrase += " or " + said
    if step.place:
        phrase += " " + (_PLACES.get(step.place) or vocabulary.say("place", step.place))
    if step.range:
        phrase += " " + (_RANGES.get(step.range) or vocabulary.say("range", step.range))
    if step.within_us is not None:
        phrase += " " + say_within(step.within_us)
    return phrase


def describe(step: Step, vocabulary: Vocabulary, stance: str | None = None, *, fronted: bool = False) -> str:
    """The step's own words without an article: “missed counter left hook to the body”. `fronted`: the
    direction comes first, so that it is this step's only (“a duck or left step out”).
    """
    words: list[str] = []
    switches = step.technique == "switch stance"
    if stance and not switches:
        words.append(stance)
    if fronted and step.direction:
        words.append(step.direction)
    if step.outcome and step.outcome != "hurt":
        words.append(
            "knockdown" if step.outcome == "knockdown" else _PARTICIPLES.get(step.outcome, step.outcome)
        )
    role_after = ""
    if step.role == "lead":
        role_after = " as a lead"
    elif step.role:
        words.append(step.role)
    punch = vocabulary.is_punch(step.technique)
    if step.hand:
        # "lead punch" is a role
        words.append(f"{step.hand} hand" if step.technique == "punch" and step.hand == "lead" else step.hand)
    if step.side:
        words.append(step.side)
    bare_counter = (
        punch and step.technique == "punch" and step.role == "counter" and not (step.hand or step.side)
    )
    if step.technique == "punch" and step.side and not step.hand and not step.stance and not bare_counter:
        words.append("hand")  # how the trade says it
    elif not bare_counter:
        said = vocabulary.say("technique", step.technique)
        words.append("movement" if said == "footwork" else said)  # nobody says “a footwork"
    text = " ".join(words)
    if stance and switches:
        text += f" to {stance}"  # the stance that it ends in
    if step.target:
        text += f" to the {step.target}"
    if step.direction and not fronted:
        text += " " + _way(step.direction)
    return text + role_after + (" that hurt" if step.outcome == "hurt" else "")


def _way(direction: str | None) -> str:
    level = direction in ("inside", "outside", "left", "right")
    return f"to the {direction}" if level else str(direction)


_PARTICIPLES = {
    "landed": "landed",
    "partial": "partial",
    "blocked": "blocked",
    "missed": "missed",
    "hurt": "hurt",
}


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

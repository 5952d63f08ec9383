"""A phrase read as a search: steps in time order and filters, said back."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from functools import cache
from itertools import pairwise
from typing import NamedTuple

from cliplib.core.models import Choice, Reading, Settings, Step, Unread, Where
from cliplib.phrases.build import build
from cliplib.phrases.chart import Item, parse
from cliplib.phrases.lexer import Lexed, lex
from cliplib.phrases.lexicon import Names, data, names_of
from cliplib.phrases.meanings import CORNER, GUARDS, Event, Person, Story
from cliplib.phrases.parts import parts_of
from cliplib.phrases.rules import grammar
from cliplib.phrases.saying import say
from cliplib.phrases.suggest import suggest
from cliplib.phrases.telling import CONDITION, finished
from cliplib.phrases.tokens import listed
from cliplib.vocabulary import Vocabulary

LONGEST = 2000
"""Characters of a phrase that are read; what lies beyond is shown as not read."""
NEAR = 0.75
"""How much dearer a second reading may be and still be offered (a word left aside costs five)."""
DOUBT = 0.65
"""... and to leave the first one in doubt."""
_HALF_A_CONDITION = 2.0
_MOST_OTHERS = 2


class Told(NamedTuple):
    """A phrase read: the sentences that it may be, cheapest first."""

    lexed: Lexed
    items: list[Item]

    @property
    def story(self) -> Story:
        return finished(self.items[0].meaning)[0] if self.items else Story()

    @property
    def timed(self) -> bool:
        """Whether a time limit was said."""
        return bool(self.items) and any(timers(self.items[0]))

    @property
    def hanging(self) -> bool:
        """Whether a time limit was said that has no place."""
        return bool(self.items) and finished(self.items[0].meaning)[1]


def tell(phrase: str, vocabulary: Vocabulary, names: Names, *, log: bool = False) -> Told:
    lexed = lex(phrase[:LONGEST], vocabulary, names, log=log)
    items = parse(lexed.edges, len(lexed.kept), grammar()) if lexed.kept else []
    items.sort(key=cost)
    return Told(lexed, items)


def cost(item: Item) -> float:
    """A sentence's cost; a condition with nothing behind it says half of something."""
    return item.cost + (_HALF_A_CONDITION if CONDITION in item.meaning.flags else 0.0)


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
    told = tell(phrase, vocabulary, names)
    steps, where = build(told.story)
    said = say(steps, where, vocabulary)
    return Reading(
        phrase=phrase, said=said, steps=steps, where=where,
        unread=tuple(unread_of(phrase, told, vocabulary, names)),
        choices=tuple(_choices(phrase, told, said, (steps, where), vocabulary, names)),
        notes=_notes(phrase, told), parts=parts_of(steps, where, vocabulary),
        doubtful=doubtful(told, (steps, where))
        or (bool(steps) and not _reads(said, (steps, where), vocabulary, names)),
    )  # fmt: skip


# --- other readings ---------------------------------------------------------------------------------------

Read = tuple[tuple[Step, ...], Where]


def _choices(
    phrase: str, told: Told, said: str, taken: Read, vocabulary: Vocabulary, names: Names
) -> Iterator[Choice]:
    if not taken[0]:
        return
    for pattern, meaning, others in _turns():
        match = pattern.search(phrase.lower()[:LONGEST])
        if match:
            start, end = match.span()
            end -= len(match.group()) - len(match.group().rstrip())
            instead = tuple((what, phrase[:start] + say_ + phrase[end:]) for what, say_ in others)
            offered = tuple((w, p) for w, p in instead if _differs(p, taken, vocabulary, names))
            if offered:
                yield Choice(phrase[start:end], start, end, meaning, offered)
    seconds = tuple((other, other) for other in others_of(told, taken, vocabulary, names))
    text = phrase.strip()
    if seconds and text:
        start = phrase.index(text)
        yield Choice(text, start, start + len(text), said, seconds)


@cache
def _turns() -> tuple[tuple[re.Pattern[str], str, tuple[tuple[str, str], ...]], ...]:
    """Turns of phrase that may mean something else: pattern, what is taken, (other meaning, words
    instead)."""
    found = []
    for line in data("choices.txt").splitlines():
        if line and not line.startswith("#"):
            pattern, taken, others = re.split(r" +\| ", line)
            pairs = (tuple(part.strip() for part in other.split("::")) for other in others.split(" ; "))
            found.append((re.compile(pattern), taken, tuple((what, instead) for what, instead in pairs)))
    return tuple(found)


def _differs(phrase: str, taken: Read, vocabulary: Vocabulary, names: Names) -> bool:
    """Whether a phrase reads without a rest, and to something else."""
    again = tell(phrase, vocabulary, names)
    return (
        not again.lexed.unknown
        and bool(again.items)
        and not skipped(again.items[0])
        and build(again.story) != taken
    )


def others_of(told: Told, taken: Read, vocabulary: Vocabulary, names: Names) -> list[str]:
    """The phrases that say the second readings, each of which reads as what it stands for."""
    if not told.items or not taken[0]:
        return []
    best = told.items[0]
    left = len(skipped(best))
    out: list[str] = []
    for item in told.items[1:]:
        if cost(item) - cost(best) > NEAR or len(out) == _MOST_OTHERS:
            break
        other = build(finished(item.meaning)[0])
        if len(skipped(item)) > left or other == taken or not other[0]:
            continue
        if _answers_itself(other[0], vocabulary):
            continue
        phrase = say(*other, vocabulary)
        if phrase not in out and _reads(phrase, other, vocabulary, names):
            out.append(phrase)
    return out


def _answers_itself(steps: tuple[Step, ...], vocabulary: Vocabulary) -> bool:
    """A counter right behind a punch of the same fighter: by what a counter is, nobody means that."""
    return any(
        step.role == "counter" and before.by == step.by and vocabulary.is_punch(before.technique)
        for before, step in pairwise(step for step in steps if not step.absent)
    )


def doubtful(told: Told, taken: Read) -> bool:
    """Whether a reading may well be wrong: a second one costs hardly more, or it tells the unlikely.

    A reading is doubtful, too, where what is said back would not read to it again (`read_search`).
    """
    if not told.items:
        return False
    best, left = told.items[0], len(skipped(told.items[0]))
    for item in told.items[1:]:
        if cost(item) - cost(best) > DOUBT:
            break
        if len(skipped(item)) <= left and build(finished(item.meaning)[0]) != taken:
            return True
    return unlikely(told.story)


def unlikely(story: Story) -> bool:
    """A guard against a punch of one's own; a punch of which nothing is said, among others."""
    for before, event in pairwise(story.events):
        own = before.actor == event.actor and before.kind == "P"
        if own and event.technique in GUARDS and not event.absent:
            return True
    plain = (Event("punch", implied=True, actor=e.actor) == e for e in story.events)
    return len(story.events) > 1 and any(plain) and "passive" not in story.flags


def _reads(phrase: str, meant: Read, vocabulary: Vocabulary, names: Names) -> bool:
    again = tell(phrase, vocabulary, names)
    return (
        not again.lexed.unknown
        and bool(again.items)
        and not skipped(again.items[0])
        and build(again.story) == meant
    )


# --- what was not understood ------------------------------------------------------------------------------

_WORD = re.compile(r"\w+")
_LINKS = ("COMMA", "AND", "BUT", "THEN")
_HANGING = frozenset(
    listed(
        "then and with to by of from in on at for that who which is was gets after off behind against "
        "over under when as if into onto he she they him them it"
        "himself you i we me us while before ,"
    )
)
"""Small words that go with a word beside them that is not understood."""
_RELATIVE = frozenset(listed("year years month months week weeks yesterday today recent recently ago"))


class Left(NamedTuple):
    """Words left aside: their places, whether they are one turn of phrase, and whether each is told as it
    stands."""

    places: tuple[int, ...]
    turn: bool = False
    told: bool = False


def timers(item: Item) -> list[Left]:
    """The words of the time limits in a reading."""
    spans = (one.span for one in _words_of(item) if one.symbol == "WITHIN")
    return [Left(tuple(range(*span)), told=True) for span in spans]


def skipped(item: Item) -> list[Left]:
    """The words that were left aside."""
    out: list[Left] = []
    waiting = [item]
    while waiting:
        one = waiting.pop()
        if one.rule is None:
            corner = isinstance(one.meaning, Person) and (one.meaning.name or "").startswith(CORNER)
            if one.symbol in ("U", "FOUL") or corner:
                out.append(
                    Left(
                        tuple(range(*one.span)),
                        turn=one.symbol == "FOUL" or (len(one.meaning) > 1 and not corner),
                    )
                )
        elif one.rule.name.startswith("denied"):
            for index, part in enumerate(one.parts):
                if (not index and part.symbol in ("S", "PERSON")) or part.symbol in _LINKS:
                    waiting.append(part)
                else:
                    out.append(Left(tuple(range(*part.span)), told=True))
        else:
            waiting.extend(one.parts)
    return out


def rules_of(item: Item) -> list[str]:
    """The rules that a reading goes through, in no order."""
    found: list[str] = []
    waiting = [item]
    while waiting:
        one = waiting.pop()
        if one.rule is not None:
            found.append(one.rule.name)
        waiting.extend(one.parts)
    return found


def _words_of(item: Item) -> Iterator[Item]:
    waiting = [item]
    while waiting:
        one = waiting.pop()
        if one.rule is None:
            yield one
        waiting.extend(one.parts)


def unread_of(phrase: str, told: Told, vocabulary: Vocabulary, names: Names) -> list[Unread]:
    found = [*_joined(phrase, sorted(_left(phrase, told)))]
    if phrase[LONGEST:].strip():
        found.append((LONGEST, len(phrase), ()))
    out = []
    for index, (start, end, meant) in enumerate(found):
        text = phrase[start:end]
        out.append(
            Unread(text, start, end, meant or (suggest(text, vocabulary, names) if index < 20 else ()))
        )
    return list(dict.fromkeys(out))


def _joined(phrase: str, found: Sequence[Place]) -> list[Place]:
    """“6-3-2” is one word that was not understood."""
    out: list[Place] = []
    for start, end, meant in found:
        if out and start == out[-1][1] + 1 and phrase[start - 1] in "-–—‑" and not meant and not out[-1][2]:
            out[-1] = (out[-1][0], end, ())
        else:
            out.append((start, end, meant))
    return out


Place = tuple[int, int, tuple[str, ...]]


def _left(phrase: str, told: Told) -> Iterator[tuple[int, int, tuple[str, ...]]]:
    """(start, end, full names that it may be) of each word that was not understood."""
    tokens, kept = told.lexed.tokens, told.lexed.kept
    left = {at: Left((at,)) for at, _ in told.lexed.unknown}
    best = told.items[0] if told.items else None
    for group in (*skipped(best), *(timers(best) if told.hanging else ())) if best else ():
        left |= {kept[at]: group for at in group.places}
    owners = dict(told.lexed.unknown)
    for run in _runs(sorted(left)):
        heavy = any(tokens[at].norm not in _HANGING for at in run)
        for at in run:
            if tokens[at].norm == "," or (
                heavy and not (left[at].turn or left[at].told) and tokens[at].norm in _HANGING
            ):
                continue
            if left[at].turn and at - 1 in left:  # with the small words between
                yield from (
                    (m.start(), m.end(), ())
                    for m in _WORD.finditer(phrase, tokens[at - 1].end, tokens[at].start)
                )
            yield tokens[at].start, tokens[at].end, owners.get(at, ())


def _runs(left: Sequence[int]) -> list[list[int]]:
    """Words left aside, in stretches."""
    runs: list[list[int]] = []
    for at in left:
        if runs and at == runs[-1][-1] + 1:
            runs[-1].append(at)
        else:
            runs.append([at])
    return runs


def _notes(phrase: str, told: Told) -> tuple[str, ...]:
    notes = list(told.story.asked.notes)
    words = {told.lexed.tokens[at].norm for at, _ in told.lexed.unknown}
    if words & _RELATIVE:
        notes.append("dates are read as they stand: “in 2024”, “since March 2024”, “in May 2024”")
    if told.hanging:
        notes.append("a time limit needs an action before it")
    if told.items and any(rule == "denied-either" for rule in rules_of(told.items[0])):
        notes.append(
            "“or” between combinations of different shape cannot be asked for: ask for one at a time"
        )
    notes += [f"{name} has no part in this between the two others" for name in _third(told)]
    if phrase[LONGEST:].strip():
        notes.append(f"only the first {LONGEST} characters were read")
    return tuple(dict.fromkeys(notes))


def _third(told: Told) -> Iterator[str]:
    """Fighters who were said, and have no place."""
    aside = {
        at
        for group in (skipped(told.items[0]) if told.items else ())
        if not group.told
        for at in group.places
    }
    for edge in told.lexed.edges:
        if (
            edge.symbol in ("PERSON", "PERSONS")
            and edge.start in aside
            and edge.meaning.name
            and not edge.meaning.name.startswith(CORNER)
        ):
            yield edge.meaning.name


def trace(
    phrase: str, vocabulary: Vocabulary, *, fighters: Sequence[str] = (), fights: Sequence[str] = ()
) -> tuple[str, ...]:
    """The way of a reading, a line each: the rules it went through with their costs, then the runner-up."""
    names = names_of(tuple(fighters), tuple(fights))
    told = tell(phrase, vocabulary, names)
    tokens = [told.lexed.tokens[at] for at in told.lexed.kept]
    lines: list[str] = []
    for title, item in zip(("taken", "runner-up"), told.items[:2], strict=False):
        lines.append(f"{title}, cost {cost(item):.2f}: {say(*build(finished(item.meaning)[0]), vocabulary)}")
        waiting = [(item, 1)]
        while waiting and title == "taken":
            one, depth = waiting.pop()
            said = phrase[tokens[one.span[0]].start : tokens[one.span[1] - 1].end]
            rule = f"{one.rule.name} ({one.rule.cost:+.2f}): {one.rule.pattern}" if one.rule else "word"
            lines.append(f"{'  ' * depth}{one.symbol} “{said}” by {rule}")
            waiting.extend((part, depth + 1) for part in reversed(one.parts))
    return tuple(lines)

"""What a logger is offered to pick from: what usually comes next, in words that read back to it."""

from __future__ import annotations

import time
from dataclasses import dataclass

from cliplib import phrases
from cliplib.core.models import Action, Exchange, FightInfo
from cliplib.library.desk import Desk
from cliplib.library.finding.saying import say_action
from cliplib.library.logging.live import LiveLogging
from cliplib.search.following import NextUp, Said, learn, said_of
from cliplib.vocabulary import Vocabulary

_FRESH_S = 300.0  # how old the model may grow while the library changes
_RECENT = 12  # exchanges that tell what somebody is logging just now
_OFFERED = 200
_PATTERNS, _OFTEN = 6, 3


@dataclass(frozen=True, slots=True)
class Offer:
    """Something to log: its text, and the gym number and letter that say it (`2b`), or empty."""

    text: str
    number: str


@dataclass(frozen=True, slots=True)
class Offers:
    """What usually comes next, as (place in `FightInfo.fighters`, place in `NextLines.offers()`), the
    likeliest first. `going_on`: if the exchange of the line before goes on, as it does until `until_us` of
    footage time; `opening`: if a new one begins."""

    going_on: tuple[tuple[int, int], ...]
    opening: tuple[tuple[int, int], ...]
    until_us: int | None


class NextLines:
    """`library.logging.next_lines`: learned from the library's own sequences, at most every five minutes."""

    def __init__(self, desk: Desk, live: LiveLogging):
        self._desk, self._live = desk, live
        self._model: tuple[float, NextUp, tuple[Offer, ...]] | None = None

    def offers(self) -> tuple[Offer, ...]:
        """Everything that is offered, the most frequent first."""
        return self._current(fresh=True)[1]

    def patterns(self, fight_id: int) -> tuple[tuple[str, str], ...]:
        """How exchanges of this library most often begin, two actions in one entry: as it is logged if the
        red fighter begins, and if the blue one does. Only what reads back to just that."""
        info, words = self._desk.fight(fight_id).info, self._desk.vocabulary
        model, offers = self._current()
        names = info.fighters
        made = []
        for first, then, other in model.patterns(_PATTERNS, _OFTEN):
            both = [
                f"{names[who]} {offers[first].text}, {names[1 - who if other else who]} {offers[then].text}"
                for who in (0, 1)
            ]
            read = [phrases.read_log(text, words, info) for text in both]
            wanted = [model.said[first], model.said[then]]
            if all(not one.unread and [said_of(a, words) for a in one.actions] == wanted for one in read):
                made.append((both[0], both[1]))
        return tuple(made)

    def after(self, fight_id: int, by: str, us: int) -> Offers:
        """What usually comes next at a moment of the footage, after the lines that `by` logged before it."""
        info = self._desk.fight(fight_id).info
        model = self._current()[0]
        earlier = [e for e in self._live.exchanges(fight_id, by) if e.start_us is not None]
        earlier = [e for e in earlier if (e.start_us or 0) <= us]
        told = [(_course(e, self._desk.vocabulary), _until(e, us)) for e in earlier[-_RECENT:]]
        recent = [step for course, _ in told for step in course]
        openers = [course[0] for course, _ in told if course]
        opening = []
        order = _by_activity(earlier, info)
        for code in model.opening([said for said, _ in openers])[: _OFFERED // 2]:
            opening += [(who, code) for who in order]
        if not earlier or not told[-1][0]:
            return Offers((), tuple(opening), None)
        course, last = told[-1]
        n = len(model.said)
        who = info.fighters.index(last.fighter) if last and last.fighter in info.fighters else 0
        going_on = tuple(
            (1 - who if what >= n else who, what % n) for what in model.after(course, recent)[:_OFFERED]
        )
        latest = max((a.until_us or a.time_us or 0 for a in earlier[-1].actions), default=0)
        return Offers(going_on, tuple(opening), latest + self._desk.settings.exchange_gap_us)

    def _current(self, *, fresh: bool = False) -> tuple[NextUp, tuple[Offer, ...]]:
        known = self._model
        if known is None or (fresh and time.monotonic() - known[0] > _FRESH_S):
            columns = self._desk.search.columns()
            model = learn(columns, self._desk.vocabulary)
            offers = tuple(_offer(said, self._desk.vocabulary) for said in model.said)
            known = self._model = time.monotonic(), model, offers
        return known[1], known[2]


def _course(exchange: Exchange, vocabulary: Vocabulary) -> list[tuple[Said, bool]]:
    steps: list[tuple[Said, bool]] = []
    before: str | None = None
    for action in exchange.actions:
        steps.append((said_of(action, vocabulary), before is not None and action.fighter != before))
        before = action.fighter
    return steps


def _until(exchange: Exchange, us: int) -> Action | None:
    done = [a for a in exchange.actions if a.time_us is None or a.time_us <= us]
    return done[-1] if done else None


def _by_activity(exchanges: list[Exchange], info: FightInfo) -> list[int]:
    """The fighter who has opened more of the last exchanges comes first."""
    opened = [e.actions[0].fighter for e in exchanges[-8:] if e.actions]
    blue = opened.count(info.blue.name)
    return [1, 0] if 2 * blue > len(opened) else [0, 1]


def _offer(said: Said, vocabulary: Vocabulary) -> Offer:
    technique, hand, target, outcome, direction = said
    action = Action(technique, hand=hand, target=target, outcome=outcome, direction=direction)
    text = " ".join(filter(None, (say_action(action, vocabulary), outcome)))
    if hand and hand not in text.split():
        text = f"{hand} {text}"
    number = next(
        (
            key
            for key, value in vocabulary.numbers.items()
            if (value.technique, value.hand or vocabulary.hand(value.technique))
            == (technique, hand or vocabulary.hand(technique))
        ),
        "",
    )
    return Offer(text, number + "b" if number and target == "body" else number)

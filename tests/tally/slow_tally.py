"""Counting once more in the most obvious way, over models and an exchange at a time. For tests only."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass

from cliplib.core.models import Action, Exchange, Settings, Step, Where
from cliplib.vocabulary import Vocabulary
from tests.search import slow_matcher
from tests.search.slow_matcher import Bout


@dataclass(frozen=True)
class Try:
    bout: Bout
    exchange: int  # its id
    round: int | None
    actions: tuple[Action, ...]
    at: int
    punch: int | None = (
        None  # the last punch of a match that ends here, by the same fighter, or else the opponent's
    )

    @property
    def action(self) -> Action:
        return self.actions[self.at]

    @property
    def whose(self) -> str | None:
        """Whose pattern it is."""
        return (self.action if self.punch is None else self.actions[self.punch]).fighter


def tries(
    steps: Sequence[Step],
    wheres: Sequence[Where],
    bouts: Sequence[Bout],
    settings: Settings,
    words: Vocabulary,
) -> list[Try]:
    found = slow_matcher.find(steps, wheres, bouts, settings, words)
    return [
        Try(
            bout,
            number,
            exchange.round,
            exchange.actions,
            at,
            last_punch(matches, at, exchange.actions, bout.info.fighters, words),
        )
        for bout in bouts
        for exchange, number in zip(bout.exchanges, bout.ids, strict=True)
        for matches in (found.get(number, []),)
        for at in sorted({match[-1] for match in matches})
    ]


def last_punch(
    matches: Sequence[Sequence[int]],
    at: int,
    actions: Sequence[Action],
    people: Collection[str | None],
    words: Vocabulary,
) -> int | None:
    punches = [i for m in matches if m[-1] == at for i in m if words.is_punch(actions[i].technique)]
    own = [i for i in punches if actions[i].fighter == actions[at].fighter]
    theirs = [i for i in punches if i not in own and actions[i].fighter in people]
    return max(own or (theirs if actions[at].fighter in people else []), default=None)


def went(one: Try, words: Vocabulary) -> str:
    return "other" if one.punch is None else category(one.actions[one.punch], words)


def category(action: Action, words: Vocabulary) -> str:
    if action.outcome and "outcome" in action.inferred:
        return "inferred"
    if action.outcome in ("landed", "knockdown", "hurt"):
        return "landed"
    if action.outcome:
        return action.outcome
    return "unknown" if words.is_punch(action.technique) else "other"


def value(one: Try, key: str, words: Vocabulary) -> str:
    action, info = one.action, one.bout.info
    known = one.whose in info.fighters
    if key == "fighter":
        return str(one.whose) if known else "unknown"
    if key == "opponent":
        return info.opponent_of(str(one.whose)) if known else "unknown"
    if key == "round":
        return str(one.round or "unknown")
    if key == "period":
        around = slow_matcher.periods_around(Exchange(one.actions, one.round), info)
        return "unknown" if around is None else (around[1] or ["no period"])[0]
    if key == "fight":
        return info.title
    if key == "outcome":
        if one.punch is None:
            return "no punch"
        action = one.actions[one.punch]
        return (action.outcome or "unknown") + (" (inferred)" if went(one, words) == "inferred" else "")
    if key == "stance match":
        own = slow_matcher.stance_of(action, info)
        other = slow_matcher.opponents_stance(one.actions, one.at, info)
        return "unknown" if not (own and other) else "closed" if own == other else "open"
    return str(getattr(action, key) or "unknown")


def counts(found: Sequence[Try], by: Sequence[str], words: Vocabulary) -> dict[tuple[str, ...], Counter[str]]:
    table: dict[tuple[str, ...], Counter[str]] = {}
    for one in found:
        row = table.setdefault(tuple(value(one, key, words) for key in by), Counter())
        row[went(one, words)] += 1
        row["tried"] += 1
    return table


def clips(found: Sequence[Try]) -> set[int]:
    return {one.exchange for one in found}


def later(
    one: Try,
    *,
    own: bool,
    of: str | None = None,
    suits: Callable[[Action], bool] = lambda _: True,
    backwards: bool = False,
) -> int | None:
    """The place of the first later action by whose pattern it is (or `of` somebody), or by the opponent."""
    info = one.bout.info
    of = of or one.whose
    if of not in info.fighters:
        return None
    who = of if own else info.opponent_of(str(of))
    places: Iterator[int] | range = range(one.at + 1, len(one.actions))
    if backwards:
        places = reversed(range(one.at))
    return next((i for i in places if one.actions[i].fighter == who and suits(one.actions[i])), None)


def near(one: Try, a: int, b: int | None, window: int) -> int | None:
    """`b`, unless both times are known and it is further away than the window."""
    if b is None:
        return None
    x, y = one.actions[a].time_us, one.actions[b].time_us
    return b if x is None or y is None or abs(y - x) <= window else None


def answer(one: Try, words: Vocabulary, window: int) -> tuple[str, str, str]:
    """(what was answered, how the attack went, how the answering punch went or "none")."""

    def punch(action: Action) -> bool:
        return words.is_punch(action.technique)

    again = later(one, own=True, suits=punch)
    end = len(one.actions) if again is None else again

    def before(place: int | None) -> int | None:
        return place if place is not None and place < end else None

    first = near(one, one.at, before(later(one, own=False)), window)
    thrown = None
    if first is not None:
        thrown = before(later(one, own=False, suits=punch))
        since = first if thrown is not None and first < thrown else one.at
        thrown = near(one, since, thrown, window)
    said = "no answer" if first is None else called(one.actions[first], words)
    if thrown is not None and thrown != first:
        said += f", then {called(one.actions[thrown], words)}"
    it_went = "none" if thrown is None else category(one.actions[thrown], words)
    return said, went(one, words), it_went


def called(action: Action, words: Vocabulary) -> str:
    """A punch with its hand, where its name does not say it, and its target where that is the body."""
    said = action.technique
    if words.is_punch(said):
        said = f"{action.hand} {said}" if action.hand and words.hand(said) is None else said
        said += " to the body" if action.target == "body" else ""
    return said


def catching(one: Try, words: Vocabulary, window: int) -> tuple[int | None, int | None]:
    """The places of the opponent's last punch before a defence, and of his next before its own punch."""

    def punch(action: Action) -> bool:
        return words.is_punch(action.technique)

    of = one.action.fighter
    before = near(one, one.at, later(one, own=False, of=of, suits=punch, backwards=True), window)
    after, mine = (later(one, own=own, of=of, suits=punch) for own in (False, True))
    if after is not None and mine is not None and mine < after:
        after = None
    return before, near(one, one.at, after, window)

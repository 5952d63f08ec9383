"""What the rows of one exchange tell: phrases and columns into actions.

Columns complete a phrase and never overrule it: "jab landed" with `missed` in the column `outcome` is a
mistake to be reported, not a matter of precedence. A more exact word stands (`landed` and "knockdown").

A row that tells several actions gives the time of one of them: the first by the row's `fighter`, or just the
first. `until` is the end of the last. The others have no time, and are matched by their order alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache

from cliplib import phrases
from cliplib.core.errors import Problem
from cliplib.core.models import Action, FightInfo, Unread
from cliplib.logs.people import resolve
from cliplib.logs.rows import Part
from cliplib.logs.source import Cell, Refused, nearest
from cliplib.logs.timing import Timed
from cliplib.phrases.logreader import derive_slips
from cliplib.vocabulary import Vocabulary
from cliplib.vocabulary.stance import switched

_INSTEAD = "; say it in words that “cliplib explain” understands, or make it the note of an action"
_ARTICLES = frozenset(("the", "a", "an"))

Phrases = dict[tuple[str, str | None, tuple[str | None, ...]], phrases.LogPhrase]
"""Phrases read, by text, the row's fighter and the two fighters' stances."""


@dataclass(slots=True)
class Teller:
    """Reads rows in order of time and remembers who stands how.

    A stance that is said holds to the end of the exchange, a logged change of stance to the end of the round.
    """

    fight: FightInfo
    vocabulary: Vocabulary
    stances: dict[str, str] = field(default_factory=dict)  # now
    changed: dict[str, str] = field(default_factory=dict)  # by a logged change in this round
    round: int | None = None  # the latest that was told
    read: Phrases = field(default_factory=dict)

    def enter(self, number: int | None) -> None:
        """A round, if it is known. Fighters come out of their corners in the stance that fight.toml gives
        them (common practice)."""
        if number is not None and number != self.round:
            self.changed = {}
            self.round = number

    def begin(self) -> None:
        """A new exchange."""
        usual = {name: stance for name in self.fight.fighters if (stance := self.fight.stance_of(name))}
        self.stances = usual | self.changed

    def tell(self, timed: Timed, before: Action | None) -> tuple[list[Action], list[Problem]]:
        """The row's actions. `before`: the exchange's last action so far. With problems, there are none."""
        problems: list[Problem] = []
        actions: list[Action] = []
        stances, changed = dict(self.stances), dict(self.changed)
        begin = timed.begin_us
        for index, part in enumerate(timed.row.parts):
            try:
                told = self._part(part, timed, stances, actions[-1] if actions else before)
            except Refused as refused:
                problems.append(refused.problem)
                continue
            except _Unread as unread:
                problems += unread.problems
                continue
            fighter = resolve(part.fighter, self.fight) if part.fighter else None
            time = part.time_us if part.time_us is not None else begin if index == 0 else None
            _give_time(told, time, fighter)
            if part.note:
                told[-1] = replace(told[-1], note=part.note)
            actions += told
            for action in told:
                assert action.fighter is not None
                switches = self.vocabulary.is_a(action.technique, "switch stance")
                if action.stance is not None and (switches or "stance" not in action.inferred):
                    stances[action.fighter] = action.stance
                    if switches:  # the stance of a switch is the one it ends in
                        changed[action.fighter] = action.stance
        if problems:
            return [], problems
        self.stances, self.changed = stances, changed
        if actions and timed.until_us is not None:
            actions[-1] = replace(actions[-1], until_us=timed.until_us)
        return actions, []

    def _phrase(self, text: str, fighter: str | None, stances: Mapping[str, str]) -> phrases.LogPhrase:
        """A log says the same few things again and again, and reading a phrase is most of the work."""
        key = (text, fighter, tuple(stances.get(name) for name in self.fight.fighters))
        if key not in self.read:
            self.read[key] = phrases.read_log(
                text, self.vocabulary, self.fight, fighter=fighter, stances=stances
            )
        return self.read[key]

    def _part(
        self, part: Part, timed: Timed, stances: Mapping[str, str], before: Action | None
    ) -> list[Action]:
        fight, cells = self.fight, timed.row.cells
        fighter = resolve(part.fighter, fight) if part.fighter else None
        own = self._value(cells, "stance")
        phrase = part.phrase
        given = dict(stances)
        if own and fighter:
            given[fighter] = own
        told = self._phrase(phrase.text, fighter, given)
        if told.because:
            raise Refused(phrase.problem(told.because, "", told.unread[0].start))
        if told.unread:
            *others, last = told.unread  # what to do is said once a phrase
            raise _Unread([*(_unread(phrase, one) for one in others), _unread(phrase, last, _INSTEAD)])
        actions = list(told.actions)
        if not actions:
            raise Refused(phrase.problem("tells no action"))
        if any(action.fighter is None for action in actions):
            raise Refused(
                phrase.problem("does not say who; begin with a name, or fill in the column “fighter”")
            )
        people = {action.fighter for action in actions}
        if own and not fighter:
            if len(people) > 1:
                raise Refused(cells["stance"].problem("whose? Fill in the column “fighter”, too"))
            fighter = actions[0].fighter
            assert fighter is not None
            given[fighter] = own
            again = self._phrase(phrase.text, fighter, given)
            actions = list(again.actions)
        if fighter and fighter not in people and part.fighter:
            raise Refused(
                part.fighter.problem(f"“{part.fighter.text}”, but the phrase is about {actions[0].fighter}")
            )
        if own:
            self._check_stance(actions, fighter, own, cells["stance"])
        # "ducks under the jab", when the jab has a row of its own just before: one jab, not two.
        implied = fighter is not None and len(actions) > 1 and actions[0].fighter != fighter
        if implied and before is not None and self._same(before, actions[0]):
            del actions[0]
        if before is not None and not {"direction", "side"} & set(actions[0].inferred):
            actions[:1] = derive_slips([before, actions[0]], self.vocabulary)[1:]
        self._complete(actions, cells, fighter)
        return [replace(action, roles=action.said_roles) for action in actions]

    def _same(self, logged: Action, meant: Action) -> bool:
        is_a = self.vocabulary.is_a
        return (
            logged.fighter == meant.fighter
            and (is_a(logged.technique, meant.technique) or is_a(meant.technique, logged.technique))
            and all(
                getattr(meant, name) in (None, getattr(logged, name)) or getattr(logged, name) is None
                for name in ("hand", "side", "target")
            )
        )

    # --- columns -----------------------------------------------------------------------------------------

    def _value(self, cells: Mapping[str, Cell], column: str) -> str | None:
        """A column's term of the vocabulary, whatever way it is said."""
        cell = cells.get(column)
        if cell is None:
            return None
        said = tuple(word for word in cell.text.casefold().split() if word not in _ARTICLES)
        ways = _ways(self.vocabulary, column)
        if said not in ways:
            known = list(dict.fromkeys(ways.values()))
            near = nearest(" ".join(said), [" ".join(way) for way in ways])
            message = f"“{cell.text[:60]}” is no {column}; there are {', '.join(known)}"
            if cell.source.label.casefold().endswith(".csv") and len(said) > 1:
                message += ". A phrase with a comma needs quotation marks around it"
            raise Refused(cell.problem(message, near))
        return ways[said]

    def _check_stance(self, actions: list[Action], fighter: str | None, own: str, cell: Cell) -> None:
        switches = [self.vocabulary.is_a(one.technique, "switch stance") for one in actions]
        said = next(
            (
                one.stance
                for one, switch in zip(actions, switches, strict=True)
                if one.fighter == fighter and "stance" not in one.inferred and not switch
            ),
            None,
        )
        if said is not None and said != own:
            raise Refused(cell.problem(f"“{own}”, but the phrase says {said}"))
        for index, action in enumerate(actions):
            if action.fighter != fighter:
                continue
            if switches[index]:
                # The column says how he stood before it, the action how he stands after it.
                if index == 0:
                    kept = tuple(name for name in action.inferred if name != "stance")
                    stance = action.stance if kept == action.inferred else switched(own)
                    actions[index] = replace(action, stance=stance, inferred=kept)
            elif action.stance == own or action.stance is None:
                kept = tuple(name for name in action.inferred if name != "stance")
                actions[index] = replace(action, stance=own, inferred=kept)

    def _complete(self, actions: list[Action], cells: Mapping[str, Cell], fighter: str | None) -> None:
        for column in ("outcome", "target"):
            value = self._value(cells, column)
            if value is not None:
                self._set_one(actions, column, value, cells[column], fighter if "fighter" in cells else None)
        place = self._value(cells, "place")
        if place is not None:
            for index, action in enumerate(actions):
                if action.place not in (None, place):
                    raise Refused(cells["place"].problem(f"“{place}”, but the phrase says {action.place}"))
                actions[index] = replace(action, place=place)
        if "note" in cells and len(actions) == 1:
            actions[0] = replace(actions[0], note=cells["note"].text)

    def _set_one(
        self, actions: list[Action], column: str, value: str, cell: Cell, fighter: str | None
    ) -> None:
        """Give the row's one punch (the fighter's, if a fighter is given) an outcome or a target."""
        about = [
            index
            for index, action in enumerate(actions)
            if self.vocabulary.is_punch(action.technique)
            or (column == "target" and self.vocabulary.kind(action.technique) == "feint")
        ]
        if not about:
            raise Refused(cell.problem(f"the row tells no punch that could have {_a(column)} {column}"))
        mine = [index for index in about if actions[index].fighter == fighter] if fighter else []
        open_ = [index for index in mine or about if getattr(actions[index], column) is None]
        if len(open_) > 1 or (not open_ and len(mine or about) > 1):
            example = ", as “1-2 landed” does for each of its punches" if column == "outcome" else ""
            raise Refused(
                cell.problem(
                    f"of which punch? The row tells several: say the {column} in the phrase{example}"
                )
            )
        index = open_[0] if open_ else (mine or about)[0]
        said = getattr(actions[index], column)
        if column == "outcome" and said is not None:
            if said in self.vocabulary.outcome_family(value):
                return
            if value in self.vocabulary.outcome_family(said):
                said = None
        if said not in (None, value):
            raise Refused(cell.problem(f"“{value}”, but the phrase says {said}"))
        kept = tuple(name for name in actions[index].inferred if name != column)
        changes = {column: value}
        actions[index] = replace(actions[index], inferred=kept, **changes)  # type: ignore[arg-type]


class _Unread(Exception):
    def __init__(self, problems: list[Problem]):
        self.problems = problems
        super().__init__()


def _unread(phrase: Cell, unread: Unread, instead: str = "") -> Problem:
    message = f"“{unread.text[:60]}” is not understood{instead}"
    return phrase.problem(message, unread.meant[0] if unread.meant else "", unread.start)


def _give_time(actions: list[Action], time_us: int | None, fighter: str | None) -> None:
    if time_us is None:
        return
    index = next((i for i, action in enumerate(actions) if fighter and action.fighter == fighter), 0)
    actions[index] = replace(actions[index], time_us=time_us)


def _a(word: str) -> str:
    return "an" if word[0] in "aeiou" else "a"


@lru_cache(maxsize=32)
def _ways(vocabulary: Vocabulary, category: str) -> dict[tuple[str, ...], str]:
    ways = {lexeme.words: lexeme.value for lexeme in vocabulary.lexemes if lexeme.category == category}
    return {**ways, **{tuple(value.split()): value for value in ways.values()}}

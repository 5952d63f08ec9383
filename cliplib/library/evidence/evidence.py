"""The evidence behind a claim, as `library.evidence`: counts, what comes next, changes, answers.

`cliplib.tally` counts; this module reads the phrase, finds the tries, works out how much round clock they
were looked for in, and says with each result what exactly was counted.
"""

from __future__ import annotations

import difflib
import threading
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Any, Literal

import numpy as np

from cliplib import report
from cliplib.catalogue.rows import FightRow
from cliplib.core.errors import InputError
from cliplib.core.models import AS_INFERRED, Reading, Step, Where
from cliplib.library.desk import Desk
from cliplib.library.evidence.agreement import Decision, TwoLogs, agreed_log, logs_with_something, two_logs
from cliplib.library.evidence.definitions import (
    ANSWERS,
    CAUGHT,
    CHANGING,
    COMPARING,
    COUNTED,
    DEFINITIONS_DIFFER,
    ELSEWHERE,
    MINUTES,
    NEXT,
    NO_MINUTES,
    ONE_FIGHT,
    OUTCOMES,
    SEVERAL_FIGHTS,
    THEN,
    WILSON,
)
from cliplib.library.evidence.evidence_tables import named
from cliplib.library.evidence.tables import Answered, Caught, ChangeFound, Compare, Elsewhere, Next, Tally
from cliplib.library.finding.dates import period
from cliplib.library.finding.finding import Finding
from cliplib.report import content
from cliplib.search.patterns import ANYTHING, Columns, Pattern, limits
from cliplib.tally import (
    KEYS,
    AnswerRow,
    FightClock,
    Tries,
    Watched,
    adjustment,
    answers,
    caught,
    compare,
    following,
    tally,
    tries_of,
    watched,
)
from cliplib.tally.changing import Kind, moments
from cliplib.tally.clock import EARLY_ENDS, SIDES
from cliplib.tally.near import next_of
from cliplib.tally.pairing import WINDOW_US
from cliplib.tally.table import Filled
from cliplib.tally.tries import fight_words

ChartKind = Literal["counts", "rates", "next"]
MOST_ROWS = 40
"""More bars than these are no picture any more; the table has them all."""
_OF_A_SITUATION = ("fight", "round", "period", "place", "stance match")
"""Keys that say where something was done, and not what, by whom or how it went."""


class Evidence:
    """See the top of this file. Every method reads the library as it is now, from any number of threads."""

    def __init__(self, desk: Desk, finding: Finding):
        self._desk, self._finding = desk, finding
        self._lock = threading.Lock()
        self._clocks: tuple[int, dict[int, FightClock]] | None = None

    # --- what is asked ------------------------------------------------------------------------------------

    def table(self, name: str, **asked: Any) -> Filled:
        """An evidence table by its name, filled in, for whoever shows it; see `evidence_tables.TABLES`.
        Raises what the method that it stands for raises."""
        return named(name).ask(self, **asked)

    def fights_with(
        self, phrase: str, *, where: Where | None = None, only: Mapping[str, str] | None = None
    ) -> list[tuple[int, int]]:
        """(number of the fight, tries in it) for each fight that has any, the most first."""
        found = self._found(phrase, where, only)[1]
        counts = np.bincount(found.fight, minlength=len(found.columns.fights)).tolist()
        there = [
            (fight.id, count) for fight, count in zip(found.columns.fights, counts, strict=True) if count
        ]
        return sorted(there, key=lambda one: -one[1])

    def tally(
        self,
        phrase: str,
        by: Sequence[str] = (),
        *,
        where: Where | None = None,
        only: Mapping[str, str] | None = None,
    ) -> Tally:
        """How often, and how it went, by any of `tally.KEYS`.

        `where` filters as `find` does; `only` keeps tries whose very action has these values of KEYS, and
        those between the dates `from` and `to`. Raises PhraseError for a phrase that is not understood whole:
        a count needs to know what it counts.
        """
        reading, found, clock = self._tries(phrase, where, only)
        table = tally(found, by, clock, window_us=self._desk.settings.step_window_us)
        timed = clock is not None and "stance match" not in table.by
        minutes = (MINUTES,) if timed else (NO_MINUTES,)
        return Tally(
            reading,
            table,
            (COUNTED, OUTCOMES, THEN, WILSON, *minutes, _how_many(table.total.fights), DEFINITIONS_DIFFER),
        )

    def next(self, phrase: str, *, where: Where | None = None, only: Mapping[str, str] | None = None) -> Next:
        """What the same fighter and the opponent do next, how often, how fast, and how it went."""
        reading, found = self._found(phrase, where, only)
        fights = _how_many(len(np.unique(found.fight)))
        return Next(reading, following(found), (COUNTED, *NEXT, OUTCOMES, WILSON, fights))

    def compare(
        self,
        phrase: str,
        this: Mapping[str, str],
        that: Mapping[str, str],
        *,
        by: str | None = None,
        where: Where | None = None,
        only: Mapping[str, str] | None = None,
    ) -> Compare:
        """Two sides of a phrase's tries beside each other: `this` and `that` are as `only` in `tally`, which
        holds for both."""
        where, both = _within(where, only or {})
        (where1, this), (where2, that) = _within(where, {**both, **this}), _within(where, {**both, **that})
        reading, first = self._found(phrase, where1, None)
        second = first if where1 == where2 else self._found(phrase, where2, None)[1]
        chosen1, chosen2 = self._chosen(this, first.columns), self._chosen(that, second.columns)
        if by is not None and by not in KEYS:
            raise InputError(f"“{by}” is nothing to group by; there are {', '.join(KEYS)}")
        own = [
            {key: value for key, value in chosen.items() if key not in both or key in given}
            for chosen, given in ((chosen1, this), (chosen2, that))
        ]
        sides = [
            _side(chosen, mine, other) or "everything"
            for chosen, mine, other in zip(own, (where1, where2), (where2, where1), strict=True)
        ]
        one, two = first.only(chosen1), second.only(chosen2)
        shared = len(np.intersect1d(one.rows, two.rows))
        if shared or (chosen1 == chosen2 and where1 == where2):
            raise InputError(
                f"“{sides[0]}” and “{sides[1]}” share {shared} {'try' if shared == 1 else 'tries'}, and what "
                "is on both sides differs from nothing; choose sides that leave each other out"
            )
        result = compare(one, two, by=by)
        return Compare(
            reading, sides[0], sides[1], result,
            (COUNTED, OUTCOMES, *COMPARING[result.method], _how_many(result.fights)),
        )  # fmt: skip

    def change(
        self,
        phrase: str,
        fight: int | str,
        of: Kind = "rate",
        *,
        where: Where | None = None,
        only: Mapping[str, str] | None = None,
    ) -> ChangeFound:
        """The most likely change in one fight, of the share that landed or of how often it was tried."""
        row = self._desk.fight(fight)
        chosen = {**(only or {}), "fight": self._fight_word(row)}
        if where is None or where.fight is None:
            where = replace(where or Where(), fight=row.title)  # nothing else need be searched
        reading, found, clock = self._tries(phrase, where, chosen)
        if of == "frequency" and clock is None:
            raise InputError(NO_MINUTES)
        columns = found.columns
        us = clock.us if clock is not None else np.zeros((len(columns.fights), 1), np.int64)
        at = next((i for i, f in enumerate(columns.fights) if f.id == row.id), None)
        watched_us = {} if at is None else {int(r): int(us[at, r]) for r in np.flatnonzero(us[at])}
        if of == "frequency" and not watched_us:
            raise InputError(
                f"how often something is tried in “{row.title}” cannot be said: its rounds and their length "
                "are not known; fill in round_seconds in its fight.toml"
            )
        times = self._times(row.id)
        ids = columns.exchange_id[found.exchange]
        position = found.rows - columns.first_action[found.exchange]
        own = [
            times.get(int(i), ())[int(p)] if int(i) in times else None
            for i, p in zip(ids, position, strict=True)
        ]
        run_in = None if at is None or clock is None else partial(clock.run_us, at)
        when = moments(columns.round[found.exchange], own, self._clock_of(row.id), watched_us, run_in)
        result = adjustment(
            found, when, watched_us, of, situation=self._situation(reading, found, where, chosen)
        )
        return ChangeFound(reading, row, result, (COUNTED, *CHANGING[of], OUTCOMES, ONE_FIGHT))

    def answers(
        self,
        phrase: str,
        *,
        stances: bool = True,
        where: Where | None = None,
        only: Mapping[str, str] | None = None,
    ) -> Answered:
        """Which responses beat an attack, by stance match."""
        reading, found = self._found(phrase, where, only)
        window = self._desk.settings.step_window_us
        result = answers(found, window, stances=stances)
        return Answered(
            reading, result, (COUNTED, *ANSWERS, OUTCOMES, WILSON, _how_many(len(np.unique(found.fight))))
        )

    def elsewhere(
        self, phrase: str, *, where: Where | None = None, only: Mapping[str, str] | None = None
    ) -> Elsewhere:
        """What beat an attack in other fights than those of the phrase, whoever tried it there: the answers
        under the same stance match first, then by the lower end of the rate's interval.

        InputError where neither fight nor fighter is named: then there are no other fights.
        """
        reading, here = self._found(phrase, where, only)
        asked = (reading.where, where or Where())
        named = any(w.fight or w.fighter or w.opponent for w in asked)
        named |= any(s.fighter for step in reading.steps for s in (step, *step.alternatives))
        if not named and not {"fight", "fighter", "opponent"} & set(only or {}):
            raise InputError(
                "name a fight or a fighter, in the phrase or as a filter: what beat it elsewhere is what "
                "beat it in other fights than theirs"
            )
        columns = here.columns
        found = tries_of(
            self._matches(
                [_of_anybody(step) for step in reading.steps],
                replace(reading, where=_anywhere(reading.where)),
                _anywhere(where or Where()),
                columns,
            ),
            self._desk.vocabulary,
        )
        theirs = np.unique(here.fight)
        found = found.some(~np.isin(found.fight, theirs))
        result = answers(found, self._desk.settings.step_window_us)
        codes, words = here.match_of_kind()
        counts = np.bincount(codes[here.kind], minlength=len(words)) if len(here) else np.zeros(len(words))
        stances = words[int(counts.argmax())] if counts.any() else words[0]
        beat = [row for row in result.rows if row.beaten]
        beat.sort(key=lambda row: (row.stances != stances, -_low(row), -row.beaten, row.response))
        people = []
        for row in beat:
            who, names = row.behind.of("beaten").values("opponent")
            people.append(tuple(names[code] for code in np.unique(who).tolist()))
        return Elsewhere(
            reading,
            replace(result, rows=tuple(beat)),
            stances,
            len(columns.fights) - len(theirs),
            tuple(people),
            (COUNTED, *ANSWERS, ELSEWHERE, OUTCOMES, WILSON),
        )

    def caught(
        self, phrase: str, *, where: Where | None = None, only: Mapping[str, str] | None = None
    ) -> Caught:
        """Which attacks a defence is caught by."""
        reading, found = self._found(phrase, where, only)
        rows = caught(found, self._desk.vocabulary.is_punch, self._desk.settings.step_window_us)
        return Caught(
            reading, found, rows, (COUNTED, *CAUGHT, OUTCOMES, WILSON, _how_many(len(np.unique(found.fight))))
        )

    def logs_with_something(self, fight: int | str) -> tuple[str, ...]:
        """The logs of a fight in which something is logged, in the order of its fight.toml."""
        return logs_with_something(self._desk.catalogue, self._desk.fight(fight))

    def two_logs(
        self,
        fight: int | str,
        one: str | None = None,
        two: str | None = None,
        *,
        window_us: int = WINDOW_US,
        where_both: bool = False,
    ) -> TwoLogs:
        """How far two logs of a fight agree, and where they do not; see `library_agreement.two_logs`."""
        return two_logs(
            self._desk.catalogue,
            self._desk.vocabulary,
            self._desk.fight(fight),
            one,
            two,
            window_us=window_us,
            where_both=where_both,
        )

    def agreed_log(self, compared: TwoLogs, decisions: Mapping[str, Decision], form: str) -> str:
        """One log out of two, decision by decision; see `library_agreement.agreed_log`."""
        return agreed_log(compared, self._desk.catalogue, decisions, form)

    def chart(
        self,
        kind: ChartKind,
        phrase: str,
        by: Sequence[str] = (),
        *,
        where: Where | None = None,
        only: Mapping[str, str] | None = None,
        form: Literal["svg", "png"] = "svg",
        narrow: bool = False,
    ) -> bytes:
        """A picture of `tally` (counts or rates, at most MOST_ROWS of them) or of `next`, as SVG or PNG.
        `narrow`: an SVG for a phone."""
        picture = report.png if form == "png" else partial(report.svg, narrow=narrow)
        if kind == "next":
            found = self.next(phrase, where=where, only=only)
            return picture(content.flow("What comes next", found.reading.said or phrase, found.table))
        rows = self.tally(phrase, by, where=where, only=only).table.rows[:MOST_ROWS]
        title = f"By {', then '.join(by)}" if by else "All"
        make = content.bars if kind == "counts" else content.dots
        return picture(make(title, by, rows))

    # --- how it is found ----------------------------------------------------------------------------------

    def _found(
        self, phrase: str, where: Where | None, only: Mapping[str, str] | None
    ) -> tuple[Reading, Tries]:
        reading = self._finding.explain(phrase, strict=True)
        where, only = _within(where, only or {})
        where = self._finding.checked(where) if where is not None else None
        columns = self._desk.search.columns()
        found = tries_of(self._matches(reading.steps, reading, where, columns), self._desk.vocabulary)
        return reading, found.only(self._chosen(only, columns)) if only else found

    def _tries(
        self, phrase: str, where: Where | None, only: Mapping[str, str] | None
    ) -> tuple[Reading, Tries, Watched | None]:
        where, only = _within(where, only or {})
        reading, found = self._found(phrase, where, only)
        columns = found.columns
        clock = self._watched(reading, where or Where(), columns)
        return reading, found, None if clock is None else clock.only(self._chosen(only, columns))

    def _matches(self, steps: Sequence[Step], reading: Reading, where: Where | None, columns: Columns):  # type: ignore[no-untyped-def]
        limit = limits((reading.where, where or Where()), columns)
        return Pattern(steps, columns, self._desk.vocabulary, self._desk.settings, limit).match()

    def _watched(self, reading: Reading, where: Where, columns: Columns) -> Watched | None:
        """The rounds in which a try could have been found; None if the filters turn on stances."""
        steps = [s for step in reading.steps for s in (step, *step.alternatives) if not step.absent]
        stances = [reading.where, where]
        if any(w.opponent_stance or w.stance_match or w.stance for w in stances) or any(
            s.stance for s in steps
        ):
            return None
        kept = [
            Where(rounds=w.rounds, fight=w.fight, fighter=w.fighter, opponent=w.opponent, dates=w.dates)
            for w in stances
        ]
        there = limits(kept, columns).exchanges
        for step in reading.steps:
            people = {s.fighter for s in (step, *step.alternatives)}
            if not step.absent and None not in people:
                theirs = np.array([bool({f.red, f.blue} & people) for f in columns.fights], np.bool_)
                mask = theirs[columns.fight_of]
                there = mask if there is None else there & mask
        return watched(columns, self._all_clocks(), there).during(stances)

    def _all_clocks(self) -> dict[int, FightClock]:
        revision = self._desk.catalogue.revision()
        with self._lock:
            if self._clocks is None or self._clocks[0] != revision:
                clocks = {
                    fight_id: FightClock(
                        row.round_us,
                        row.round_starts_us,
                        row.last_us if row.method in EARLY_ENDS else None,
                        row.course,
                    )
                    for fight_id, row in self._desk.catalogue.clocks().items()
                }
                self._clocks = revision, clocks
            return self._clocks[1]

    def _clock_of(self, fight_id: int) -> FightClock:
        return self._all_clocks().get(fight_id, FightClock(None))

    def _times(self, fight_id: int) -> dict[int, tuple[int | None, ...]]:
        """Times of a fight's actions by exchange; an action without one has its exchange's beginning."""
        return {
            stored.id: tuple(
                a.time_us if a.time_us is not None else stored.exchange.start_us
                for a in stored.exchange.actions
            )
            for stored in self._desk.catalogue.exchanges(fight_id)
        }

    def _situation(
        self, reading: Reading, found: Tries, where: Where, only: Mapping[str, str]
    ) -> Tries | None:
        """What was done where the phrase's last step could have been, by whoever tried it there: after its
        other steps, what that person did next; for a phrase of one step, everything of its kind. In the
        rounds, periods and places that the tries were looked for in, and no others."""
        if not len(found):
            return None
        columns = found.columns
        limited, only = _within(where, only)
        where = self._finding.checked(limited or where)
        present = [i for i, step in enumerate(reading.steps) if not step.absent]
        last = reading.steps[present[-1]] if present else Step(ANYTHING)
        if len(present) > 1:
            before = reading.steps[present[-2]]
            start = self._tries_of(reading.steps[: present[-2] + 1], reading, where, columns)
            rows = next_of(replace(start, punches=None), own=last.by == before.by)
            rows = np.unique(rows[rows >= 0])
        else:
            kind = self._desk.vocabulary.kind
            kinds = {
                kind(columns.words["technique"][code - 1])
                for code in np.unique(columns.of_kind("technique")[found.kind]).tolist()
            }
            fits = np.array([False, *(kind(w) in kinds for w in columns.words["technique"])])
            anything = Step(ANYTHING, stance=last.stance, place=last.place, range=last.range)
            rows = self._tries_of((anything,), reading, where, columns).rows
            rows = rows[fits[columns.of_kind("technique")[columns.kind[rows]]]]
        theirs = np.isin(columns.corner[rows], np.unique(columns.corner[found.rows]))
        chosen = {key: value for key, value in self._chosen(only, columns).items() if key in _OF_A_SITUATION}
        return replace(found, rows=rows[theirs], punches=None).only(chosen)

    def _tries_of(self, steps: Sequence[Step], reading: Reading, where: Where, columns: Columns) -> Tries:
        """Tries of other steps where the phrase was looked for, whatever was done there and how it went."""
        reading = replace(reading, where=_whatever(reading.where))
        where = _whatever(where)
        return tries_of(self._matches(steps, reading, where, columns), self._desk.vocabulary)

    # --- what is chosen -----------------------------------------------------------------------------------

    def _fight_word(self, row: FightRow) -> str:
        columns = self._desk.search.columns()
        words = fight_words(columns)
        return next((words[i] for i, f in enumerate(columns.fights) if f.id == row.id), row.title)

    def _chosen(self, only: Mapping[str, str], columns: Columns) -> dict[str, str]:
        """Values as tables write them. Raises InputError for keys and values that there are not."""
        chosen = {}
        for key, value in only.items():
            key, value = key.strip().casefold(), " ".join(value.split())
            if key not in KEYS:
                near = difflib.get_close_matches(key, KEYS, n=1)
                hint = f"; did you mean “{near[0]}”?" if near else f"; there are {', '.join(KEYS)}"
                raise InputError(f"“{key}” is nothing to choose by{hint}")
            if value.casefold() == "unknown":
                chosen[key] = "unknown"
            elif key in ("fighter", "opponent"):
                chosen[key] = self._finding.fighter_named(value)
            elif key == "fight":
                words = fight_words(columns)
                exact = [word for word in words if word.casefold() == value.casefold()]
                chosen[key] = exact[0] if exact else self._fight_word(self._desk.fight(value))
            else:
                chosen[key] = self._known(key, value, columns)
        return chosen

    def _known(self, key: str, value: str, columns: Columns) -> str:
        if key == "round":
            if not value.isdecimal() or len(value) > 3:
                raise InputError(f"“{value}” is no round; write its number")
            return str(int(value))
        known: tuple[str, ...] = {
            "stance match": ("open", "closed"),
            "technique": (*self._desk.vocabulary.names, *columns.words["technique"]),
            "target": ("head", "body", *columns.words["target"]),
            "outcome": (
                *self._desk.vocabulary.outcomes,
                *(outcome + AS_INFERRED for outcome in self._desk.vocabulary.outcomes),
                "no punch",
            ),
            "place": (*self._desk.vocabulary.places, *columns.words["place"]),
            "period": columns.period_words,
        }[key]
        found = [word for word in known if word.casefold() == value.casefold()]
        if not found:
            near = difflib.get_close_matches(value.casefold(), known, n=1)
            raise InputError(f"“{value}” is no {key}" + (f"; did you mean “{near[0]}”?" if near else ""))
        return found[0]


def _of_anybody(step: Step) -> Step:
    """The same step, whoever takes it."""
    others = tuple(replace(one, fighter=None) for one in step.alternatives)
    return replace(step, fighter=None, alternatives=others)


def _anywhere(where: Where) -> Where:
    """The same filters without those that name a fight, people or a time."""
    return replace(where, fight=None, fighter=None, opponent=None, rounds=(), dates=None)


def _whatever(where: Where) -> Where:
    """The same filters without those that say what was done, by whom, and how it went."""
    return replace(where, technique=None, outcome=None, fighter=None)


def _low(row: AnswerRow) -> float:
    return row.beaten_rate.low if row.beaten_rate else 0.0


def _within(where: Where | None, only: Mapping[str, str]) -> tuple[Where | None, dict[str, str]]:
    """The dates `from` and `to` and the periods out of what is chosen, and into the filters."""
    rest = {" ".join(key.split()).casefold(): value for key, value in only.items()}
    for side in SIDES:
        if (name := rest.pop(side, None)) is not None:
            if where is not None and getattr(where, side) not in (None, name):
                raise InputError(f"{side} is given twice; one period can be chosen at a time")
            where = replace(where or Where(), **{side: name})  # type: ignore[arg-type]
    first, last = rest.pop("from", None), rest.pop("to", None)
    dates = period(first, last)
    if dates is None:
        return where, rest
    if where is not None and where.dates is not None:
        raise InputError("the dates are given twice; one pair can be chosen at a time")
    return replace(where or Where(), dates=dates), rest


def _how_many(fights: int) -> str:
    """What one fight, or several, tell of others."""
    return SEVERAL_FIGHTS.format(fights) if fights > 1 else ONE_FIGHT


def _side(only: Mapping[str, str], where: Where | None, other: Where | None) -> str:
    """What a side is called: what was chosen for it, and what its filters say that the `other`'s do not."""
    said = [value if key in ("fighter", "fight") else f"{key} {value}" for key, value in only.items()]
    where, other = where or Where(), other or Where()
    said += [
        f"{side} “{name}”"
        for side in SIDES
        if (name := getattr(where, side)) is not None and name != getattr(other, side)
    ]
    if where.dates is not None and where.dates != other.dates:
        first, last = where.dates
        if first == last:
            said.append(str(first))
        else:
            ends = (("from", first), ("until", last))
            said.append(" ".join(f"{word} {day}" for word, day in ends if day))
    return ", ".join(said)

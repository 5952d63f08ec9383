"""How much round clock was watched: the denominator of everything "per minute".

A round was watched when at least one exchange of it was logged; it then counts with the fight's full
round length. The last watched round of a fight that ended early (knockout, stoppage, disqualification) counts
up to the end of its last logged exchange, where the bells are known. Rests never count. Fights whose round
length is not known, and exchanges without a round, have no minutes. Of a round that lies in a period only in
part, that part of its clock counts.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from cliplib.core.models import Where
from cliplib.core.periods import NO_PERIOD, NOWHERE, WITHOUT_PERIODS, Course, slots_of
from cliplib.search.patterns import UNKNOWN, Columns
from cliplib.search.patterns.codes import Array, Ints

from .tries import fight_words, people

EARLY_ENDS = ("knockout", "stoppage", "disqualification")
NARROWING = ("fighter", "opponent", "round", "period", "fight")
"""Keys that say which rounds to look at. The others differ from punch to punch within a round."""

SIDES = ("before", "during", "after")


@dataclass(frozen=True, slots=True)
class FightClock:
    """`round_us`: the length of a round. `round_starts_us`: the bells in footage time, if known.
    `last_us`: when a fight that ended early had its last logged exchange end, else None; without bells what
    the round clock showed then, negated. `course`: its periods."""

    round_us: int | None
    round_starts_us: tuple[int, ...] = ()
    last_us: int | None = None
    course: Course = WITHOUT_PERIODS

    def watched_us(self, round_no: int, last_round: int) -> int:
        """How much of a watched round counts; `last_round`: the last round that was logged."""
        if self.round_us is None:
            return 0
        if self.last_us is not None and round_no == last_round:
            elapsed = self.elapsed_us(round_no, self.last_us)
            if elapsed is not None and 0 < elapsed < self.round_us:
                return elapsed
        return self.round_us

    def elapsed_us(self, round_no: int, us: int) -> int | None:
        """How much of a round had run at a moment; None if nobody can tell."""
        if self.course.bells is not None and round_no <= len(self.course.bells.starts_us):
            return self.course.bells.elapsed(round_no, us)
        if round_no <= len(self.round_starts_us):
            return us - self.round_starts_us[round_no - 1]
        if self.round_us is None or self.round_starts_us or us > 0:
            return None
        return self.round_us + us


@dataclass(frozen=True)
class Watched:
    """`whole` [F, R]: microseconds of each fight's rounds that were watched (index 0, round not known: none).
    `us` [F, R]: of them in the periods that are looked at: `slots` of each fight, None for all."""

    columns: Columns
    whole: Ints
    clocks: Mapping[int, FightClock] = field(default_factory=dict)
    slots: tuple[frozenset[int], ...] | None = None

    @cached_property
    def us(self) -> Ints:
        if self.slots is None:
            return self.whole
        us = np.zeros_like(self.whole)
        for place, round_no in np.argwhere(self.whole).tolist():
            us[place, round_no] = sum(end - start for _, start, end in self._parts(place, round_no))
        return us

    def _parts(self, place: int, round_no: int) -> list[tuple[int, int, int]]:
        """(slot, from, to) of what is looked at of a round, in time run."""
        clock = self.clocks.get(self.columns.fights[place].id)
        until = int(self.whole[place, round_no])
        if clock is None or clock.round_us is None:
            return [(0, 0, until)]
        parts = clock.course.parts(round_no, clock.round_us, until)
        return [part for part in parts if self.slots is None or part[0] in self.slots[place]]

    def run_us(self, place: int, round_no: int, elapsed_us: int) -> int:
        """How much of what is looked at of a round had run when so much of the whole round had."""
        parts = self._parts(place, round_no)
        return sum(max(0, min(end, elapsed_us) - start) for _, start, end in parts)

    def during(self, wheres: Sequence[Where]) -> Watched:
        """Only what lies in the periods that the filters ask for."""
        asked = [(side, name) for w in wheres for side in SIDES if (name := getattr(w, side)) is not None]
        if not asked:
            return self
        slots = tuple(
            frozenset.intersection(*(slots_of(fight.periods, name, side) for side, name in asked))
            for fight in self.columns.fights
        )
        if self.slots is not None:
            slots = tuple(a & b for a, b in zip(slots, self.slots, strict=True))
        return replace(self, slots=slots)

    @property
    def total_us(self) -> int:
        return int(self.us.sum())

    def only(self, chosen: Mapping[str, str]) -> Watched:
        """The rounds in which the NARROWING keys can have these values; other keys are passed over."""
        us = self.whole.copy()
        columns = self.columns
        slots = self.slots
        for key, value in chosen.items():
            if key == "round":
                us[:, [n for n in range(us.shape[1]) if str(n) != value]] = 0
            elif key == "period":
                named = self._slots_named(value)
                slots = tuple(named if slots is None else map(frozenset.__and__, named, slots))
            elif key == "fight":
                names = fight_words(columns)
                us[[i for i, name in enumerate(names) if name.casefold() != value.casefold()]] = 0
            elif key in ("fighter", "opponent"):
                us[
                    [value.casefold() not in (f.red.casefold(), f.blue.casefold()) for f in columns.fights]
                ] = 0
        return replace(self, whole=us, slots=slots)

    def _slots_named(self, value: str) -> list[frozenset[int]]:
        """The slots of each fight in a period as tables call it, NO_PERIOD among them."""
        if value == NO_PERIOD:
            return [frozenset(range(0, 2 * len(fight.periods) + 1, 2)) for fight in self.columns.fights]
        if value == UNKNOWN:
            return [frozenset((NOWHERE,)) for _ in self.columns.fights]
        return [slots_of(fight.periods, value, "during") for fight in self.columns.fights]

    def by(self, keys: tuple[str, ...]) -> dict[tuple[int, ...], int]:
        """Microseconds by codes of NARROWING keys, as in `Tries.values`. Without a fighter or opponent among
        them each round counts once; with one, once for each corner."""
        fight, round_no, us, period = self._pieces("period" in keys)
        corners = (0, 1) if {"fighter", "opponent"} & set(keys) else (0,)
        found: dict[tuple[int, ...], int] = {}
        for corner in corners:
            codes: dict[str, Array] = {
                "fight": fight,
                "round": round_no,
                "period": period,
                "fighter": people(self.columns)[fight, corner],
                "opponent": people(self.columns)[fight, 1 - corner],
            }
            for *cell, amount in zip(*(codes[key].tolist() for key in keys), us.tolist(), strict=True):
                found[tuple(cell)] = found.get(tuple(cell), 0) + amount
        return found

    def _pieces(self, apart: bool) -> tuple[Array, Array, Array, Array]:
        """(fight, round, microseconds, code of the period) of the rounds, or of their parts if `apart`."""
        if not apart:
            fight, round_no = np.nonzero(self.us)
            return fight, round_no, self.us[fight, round_no], np.zeros(len(fight), np.int64)
        words = [word.casefold() for word in self.columns.period_words]
        pieces = [
            (place, round_no, end - start, words.index(self._period_of(place, slot).casefold()))
            for place, round_no in np.argwhere(self.whole).tolist()
            for slot, start, end in self._parts(place, round_no)
        ]
        columns = np.array(pieces, np.int64).reshape(-1, 4).T
        return columns[0], columns[1], columns[2], columns[3]

    def _period_of(self, place: int, slot: int) -> str:
        if slot == NOWHERE:
            return UNKNOWN
        return self.columns.fights[place].periods[slot // 2] if slot % 2 else NO_PERIOD


def watched(columns: Columns, clocks: Mapping[int, FightClock], exchanges: Array | None = None) -> Watched:
    """The watched rounds. `clocks` by fight id; `exchanges` [E] bool: only rounds with one of these."""
    logged = columns.counted if exchanges is None else columns.counted & exchanges
    rounds = int(columns.round.max(initial=0)) + 1
    there = np.zeros((len(columns.fights), rounds), np.bool_)
    there[columns.fight_of[logged], columns.round[logged]] = True
    there[:, 0] = False
    us = np.zeros(there.shape, np.int64)
    for place, fight in enumerate(columns.fights):
        clock = clocks.get(fight.id, FightClock(None))
        if clock.round_us is None:
            continue
        us[place, there[place]] = clock.round_us
        last = int(columns.last_round[place])
        if there[place, last]:
            us[place, last] = clock.watched_us(last, last)
    return Watched(columns, us, clocks)

"""How much round clock was watched: the denominator of everything "per minute".

A round was watched when at least one exchange of it was logged; it then counts with the fight's full
round length. The last watched round of a fight that ended early (knockout, stoppage, disqualification) counts
up to the end of its last logged exchange, where the bells are known. Rests never count. Fights whose round
length is not known, and exchanges without a round, have no minutes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from cliplib.search.patterns import Columns
from cliplib.search.patterns.codes import Array, Ints

from .tries import fight_words, people

EARLY_ENDS = ("knockout", "stoppage", "disqualification")
NARROWING = ("fighter", "opponent", "round", "fight")
"""Keys that say which rounds to look at. The others differ from punch to punch within a round."""


@dataclass(frozen=True, slots=True)
class FightClock:
    """`round_us`: the length of a round. `round_starts_us`: the bells in footage time, if known.
    `last_us`: when a fight that ended early had its last logged exchange end, else None."""

    round_us: int | None
    round_starts_us: tuple[int, ...] = ()
    last_us: int | None = None

    def watched_us(self, round_no: int, last_round: int) -> int:
        """How much of a watched round counts; `last_round`: the last round that was logged."""
        if self.round_us is None:
            return 0
        if self.last_us is not None and round_no == last_round and round_no <= len(self.round_starts_us):
            elapsed = self.last_us - self.round_starts_us[round_no - 1]
            if 0 < elapsed < self.round_us:
                return elapsed
        return self.round_us


@dataclass(frozen=True)
class Watched:
    """`us` [F, R]: microseconds of each fight's rounds that were watched (index 0, round not known: none)."""

    columns: Columns
    us: Ints

    @property
    def total_us(self) -> int:
        return int(self.us.sum())

    def only(self, chosen: Mapping[str, str]) -> Watched:
        """The rounds in which the NARROWING keys can have these values; other keys are passed over."""
        us = self.us.copy()
        columns = self.columns
        for key, value in chosen.items():
            if key == "round":
                us[:, [n for n in range(us.shape[1]) if str(n) != value]] = 0
            elif key == "fight":
                names = fight_words(columns)
                us[[i for i, name in enumerate(names) if name.casefold() != value.casefold()]] = 0
            elif key in ("fighter", "opponent"):
                us[
                    [value.casefold() not in (f.red.casefold(), f.blue.casefold()) for f in columns.fights]
                ] = 0
        return Watched(columns, us)

    def by(self, keys: tuple[str, ...]) -> dict[tuple[int, ...], int]:
        """Microseconds by codes of NARROWING keys, as in `Tries.values`. Without a fighter or opponent among
        them each round counts once; with one, once for each corner."""
        fight, round_no = np.nonzero(self.us)
        us = self.us[fight, round_no]
        corners = (0, 1) if {"fighter", "opponent"} & set(keys) else (0,)
        found: dict[tuple[int, ...], int] = {}
        for corner in corners:
            codes: dict[str, Array] = {
                "fight": fight,
                "round": round_no,
                "fighter": people(self.columns)[fight, corner],
                "opponent": people(self.columns)[fight, 1 - corner],
            }
            for *cell, amount in zip(*(codes[key].tolist() for key in keys), us.tolist(), strict=True):
                found[tuple(cell)] = found.get(tuple(cell), 0) + amount
        return found


def watched(columns: Columns, clocks: Mapping[int, FightClock], exchanges: Array | None = None) -> Watched:
    """The watched rounds. `clocks` by fight id; `exchanges` [E] bool: only rounds with one of these."""
    logged = ~columns.second if exchanges is None else ~columns.second & exchanges
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
    return Watched(columns, us)

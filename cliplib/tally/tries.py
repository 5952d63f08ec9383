"""The counted actions, and what each of them is."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Protocol

import numpy as np

from cliplib.core.errors import InputError
from cliplib.search.patterns import UNKNOWN, Columns, Matches
from cliplib.search.patterns.codes import NEITHER, NO_OUTCOME, SETTING, Array, Ints

KEYS = (
    "fighter",
    "opponent",
    "stance match",
    "round",
    "period",
    "fight",
    "technique",
    "target",
    "outcome",
    "place",
)
"""What tries can be grouped by. Each is of the counted action: who did it, to whom, in which round, ..."""

CATEGORIES = ("landed", "partial", "blocked", "missed", "unknown", "other")
"""What became of a try. `landed` includes knockdown and hurt; `unknown`: a punch whose outcome was not
logged; `other`: an action that is no punch, so that it has no outcome."""
LANDED, PARTIAL, BLOCKED, MISSED, NOT_KNOWN, OTHER = range(6)
KNOWN = slice(LANDED, MISSED + 1)

NO_PUNCH = "no punch"
MATCHES = (UNKNOWN, "open", "closed")


class Outcomes(Protocol):
    """What counting needs to know of the vocabulary."""

    def outcome_family(self, outcome: str) -> frozenset[str]: ...


@dataclass(frozen=True)
class Tries:
    """`rows`: the counted actions, ascending, as places in `columns`."""

    columns: Columns = field(repr=False)
    rows: Ints
    outcomes: Outcomes = field(repr=False)

    def __len__(self) -> int:
        return len(self.rows)

    @cached_property
    def kind(self) -> Array:
        return self.columns.kind[self.rows]

    @cached_property
    def exchange(self) -> Array:
        return self.columns.exchange_of[self.rows]

    @cached_property
    def fight(self) -> Array:
        return self.columns.fight_of[self.exchange]

    def some(self, which: Array) -> Tries:
        """Only these of the tries (a mask or places)."""
        return replace(self, rows=self.rows[which])

    def match_of_kind(self) -> tuple[Ints, tuple[str, ...]]:
        """([K] codes, the word for each code) of the stance match, which a kind decides."""
        return _match_of_kind(self.columns), MATCHES

    def category(self) -> Array:
        """[n] what became of each, as a place in CATEGORIES."""
        return categories(self.columns, self.outcomes)[self.kind]

    def said(self) -> Array:
        """[n] what became of each, as a place in CATEGORIES, as far as rates are made of it; -1 where not."""
        category = self.category()
        return np.where(category <= MISSED, category, -1)

    def values(self, key: str) -> tuple[Array, tuple[str, ...]]:
        """([n] codes, the word for each code) of a key; InputError for a key there isn't."""
        return _values(key, self.columns, self.rows)

    def only(self, chosen: Mapping[str, str]) -> Tries:
        """Tries that have these very values; InputError for a key there isn't."""
        found = self
        for key, value in chosen.items():
            codes, words = found.values(key)
            wanted = [i for i, word in enumerate(words) if word.casefold() == value.casefold()]
            found = found.some(np.isin(codes, wanted))
        return found

    def exchange_ids(self) -> Ints:
        """Numbers of the clips behind these tries, in the order of date, round and time, each once."""
        places = self.exchange
        new = np.ones(len(places), np.bool_)
        new[1:] = places[1:] != places[:-1]
        return self.columns.exchange_id[places[new]]


@dataclass(frozen=True)
class Behind:
    """The tries behind the numbers of one row of a table: found when a number is opened, not before.

    `cell` [n]: what each of `tries` was counted as; `parts`: the cells that each number counts.
    """

    tries: Tries
    cell: Array = field(repr=False)
    parts: Mapping[str, Sequence[int] | Ints] = field(repr=False)

    def which(self, part: str) -> Array:
        """[n] bool; InputError for a number there isn't."""
        if part not in self.parts:
            raise InputError(f"“{part}” is nothing that is counted here; there are {', '.join(self.parts)}")
        wanted = np.zeros(int(self.cell.max(initial=0)) + 1, np.bool_)
        cells = np.asarray(self.parts[part])
        wanted[cells[cells < len(wanted)]] = True
        found: Array = wanted[self.cell]
        return found

    def of(self, part: str) -> Tries:
        return self.tries.some(self.which(part))


def tries_of(matches: Matches, outcomes: Outcomes) -> Tries:
    """The action that each match ends with, once."""
    rows = matches.layers[-1].living()
    if len(matches.layers) == 1:  # each once, ascending
        return Tries(matches.columns, rows.astype(np.int64, copy=False), outcomes)
    mask = np.zeros(matches.columns.actions, np.bool_)
    mask[rows] = True
    return Tries(matches.columns, np.flatnonzero(mask), outcomes)


def categories(columns: Columns, outcomes: Outcomes) -> Array:
    """[K] the category of each kind of action."""
    code = columns.of_kind("outcome")
    unknown = (columns.of_kind("doubt") & NO_OUTCOME > 0) | (code > 0)
    found = np.where(unknown, NOT_KNOWN, OTHER).astype(np.int8)
    for place, name in ((MISSED, "missed"), (BLOCKED, "blocked"), (PARTIAL, "partial"), (LANDED, "landed")):
        codes = [columns.tables.code("outcome", word) for word in outcomes.outcome_family(name)]
        found[np.isin(code, [c for c in codes if c > 0])] = place
    return found


def fight_words(columns: Columns) -> tuple[str, ...]:
    """What each fight is called in tables: its title, with its date where two fights have one title."""
    times = Counter(fight.title for fight in columns.fights)
    return tuple(
        f"{f.title}, {f.date.isoformat() if f.date else 'undated'}" if times[f.title] > 1 else f.title
        for f in columns.fights
    )


def _values(key: str, columns: Columns, rows: Ints) -> tuple[Array, tuple[str, ...]]:
    kind = columns.kind[rows]
    if key in ("technique", "target", "place"):
        of = columns.setting[rows] if key in SETTING else kind
        return columns.of_kind(key)[of], (UNKNOWN, *columns.words[key])
    if key == "outcome":
        words = columns.words["outcome"]
        codes = columns.of_kind("outcome")
        unlogged = columns.of_kind("doubt") & NO_OUTCOME > 0
        codes = np.where((codes == 0) & ~unlogged, len(words) + 1, codes)
        return codes[kind], (UNKNOWN, *words, NO_PUNCH)
    if key == "stance match":
        return _match_of_kind(columns)[kind], MATCHES
    exchange = columns.exchange_of[rows]
    if key == "round":
        return columns.round[exchange], (
            UNKNOWN,
            *(str(n) for n in range(1, int(columns.round.max(initial=0)) + 1)),
        )
    if key == "period":
        codes, words = columns.period
        return codes[exchange], words
    fight = columns.fight_of[exchange]
    if key == "fight":
        return fight, fight_words(columns)
    if key in ("fighter", "opponent"):
        corner = columns.corner[rows]
        if key == "opponent":
            corner = np.array([1, 0, NEITHER], np.int8)[corner]
        return people(columns).ravel()[fight * 3 + corner], (*columns.fighters, UNKNOWN)
    raise InputError(f"“{key}” is nothing to group by; there are {', '.join(KEYS)}")


def _match_of_kind(columns: Columns) -> Ints:
    own, other = columns.of_kind("stance"), columns.of_kind("opponent_stance")
    return np.where((own == 0) | (other == 0), 0, np.where(own == other, 2, 1))


def people(columns: Columns) -> Array:
    """[F, 3] places in `Columns.fighters` by corner; for somebody in neither corner, one past the last."""
    nobody = np.full((len(columns.fights), 1), len(columns.fighters), np.int32)
    return np.concatenate([columns.corner_fighter, nobody], axis=1)

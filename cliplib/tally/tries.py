"""The counted actions, and what each of them is."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Protocol

import numpy as np

from cliplib.core.errors import InputError
from cliplib.core.models import AS_INFERRED
from cliplib.search.patterns import UNKNOWN, Columns, Matches
from cliplib.search.patterns.codes import INFERRED as INFERRED_BIT
from cliplib.search.patterns.codes import NEITHER, NO_OUTCOME, SETTING, UNKNOWN_TIME, Array, Ints

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

CATEGORIES = ("landed", "partial", "blocked", "missed", "inferred", "unknown", "other")
"""What became of a try. `landed` includes knockdown and hurt; `inferred`: missed or blocked, as a defence
behind the punch tells, which nobody said; `unknown`: a punch whose outcome was not logged; `other`: there is
no punch, so that there is no outcome."""
LANDED, PARTIAL, BLOCKED, MISSED, INFERRED, NOT_KNOWN, OTHER = range(7)
SAID = slice(LANDED, MISSED + 1)
"""Outcomes that somebody logged. A defence can tell of a miss or a block, never of a hit, so that inferred
outcomes would bias a rate: they are part of it only where there is no unknown one left (`known`)."""

NO_PUNCH = "no punch"
MATCHES = (UNKNOWN, "open", "closed")


def known(counts: Array) -> slice:
    """Which CATEGORIES rates are made of, by how many of each there are: those said, and the inferred ones
    where no outcome is unknown."""
    return slice(LANDED, INFERRED + 1) if not counts[NOT_KNOWN] else SAID


class Outcomes(Protocol):
    """What counting needs to know of the vocabulary."""

    def outcome_family(self, outcome: str) -> frozenset[str]: ...
    def hand(self, name: str) -> str | None: ...


@dataclass(frozen=True)
class Tries:
    """`rows`: the counted actions, ascending, as places in `columns`. `punches`: of each the punch that tells
    how it came off and whose it is: the last one in its match by the same fighter, or else the last one, -1
    for none; None: the action itself, where it is a punch."""

    columns: Columns = field(repr=False)
    rows: Ints
    outcomes: Outcomes = field(repr=False)
    punches: Ints | None = field(default=None, repr=False)

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

    @cached_property
    def turned(self) -> Array:
        """[n] whether the counted action is not of the fighter whose pattern it is: “jab, opponent slips”."""
        if self.punches is None:
            return np.zeros(len(self.rows), np.bool_)
        corner = self.columns.corner
        turned: Array = (self.punches >= 0) & (corner[self.punches] != corner[self.rows])
        return turned

    def next_punch(self, *, own: bool) -> Array:
        """[n] how many actions later whose pattern it is throws the next punch of the exchange, or the
        opponent; 0 or less for not at all."""
        same, other = self.columns.next_own[self.rows], self.columns.next_other[self.rows]
        return np.where(self.turned != own, same, other).astype(np.int32)

    def some(self, which: Array) -> Tries:
        """Only these of the tries (a mask or places)."""
        return replace(
            self, rows=self.rows[which], punches=None if self.punches is None else self.punches[which]
        )

    def match_of_kind(self) -> tuple[Ints, tuple[str, ...]]:
        """([K] codes, the word for each code) of the stance match, which a kind decides."""
        return _match_of_kind(self.columns), MATCHES

    def category(self) -> Array:
        """[n] what became of each, as a place in CATEGORIES."""
        of_kind = categories(self.columns, self.outcomes)
        if self.punches is None:
            return of_kind[self.kind]
        found: Array = np.where(self.punches < 0, OTHER, of_kind[self.columns.kind[self.punches]])
        return found

    def said(self) -> Array:
        """[n] what became of each, as a place in CATEGORIES, as far as rates are made of it; -1 where not."""
        category = self.category()
        within = known(np.bincount(category, minlength=len(CATEGORIES)))
        return np.where(category < within.stop, category, -1)

    def answered(self, window_us: int) -> Array:
        """[n] how the opponent's next punch within the window went, as a place in CATEGORIES; OTHER for no
        such punch."""
        columns = self.columns
        far = self.next_punch(own=False)
        at = self.rows + np.maximum(far, 0)
        begin, end = columns.since[self.rows], columns.since[at]
        timed = (begin != UNKNOWN_TIME) & (end != UNKNOWN_TIME)
        there = (far > 0) & ~(timed & (end.astype(np.int64) - begin > window_us))
        return np.where(there, categories(columns, self.outcomes)[columns.kind[at]], OTHER)

    def values(self, key: str) -> tuple[Array, tuple[str, ...]]:
        """([n] codes, the word for each code) of a key; InputError for a key there isn't."""
        if key == "outcome":
            return _outcomes(self)
        rows = self.rows
        if key in ("fighter", "opponent") and self.punches is not None:
            rows = np.where(self.turned, self.punches, rows)
        return _values(key, self.columns, rows)

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
    """The action that each match ends with, once, and the last punch of its match by the same fighter, or
    else by the opponent; of several matches that end with it, the latest."""
    columns, rows = matches.columns, matches.layers[-1].living()
    if len(matches.layers) == 1:  # each once, ascending
        return Tries(columns, rows.astype(np.int64, copy=False), outcomes)
    own, others = (np.full(columns.actions, -2, np.int64) for _ in range(2))
    for last, found in zip((own, others), _last_punches(matches, outcomes), strict=True):
        np.maximum.at(last, rows, found)
    rows = np.flatnonzero(own > -2)
    return Tries(columns, rows, outcomes, np.where(own[rows] >= 0, own[rows], others[rows]))


def _last_punches(matches: Matches, outcomes: Outcomes) -> tuple[Ints, Ints]:
    """For each living action of the last layer the last punch of its matches, by the same fighter and by the
    opponent, -1 for none."""
    columns = matches.columns
    punch = categories(columns, outcomes) != OTHER
    best: Ints | None = None
    for layer in matches.layers:
        count = len(layer.row)
        latest = np.full((3, count), -1, np.int64)
        if best is not None:
            child = np.arange(len(layer.parent)) if layer.child is None else layer.child
            for corner in range(3):
                np.maximum.at(latest[corner], child, best[corner][layer.parent])
        here = np.flatnonzero(punch[columns.kind[layer.row]])
        latest[columns.corner[layer.row[here]], here] = layer.row[here]
        best = latest
    assert best is not None
    last = matches.layers[-1]
    corners, each = columns.corner[last.row], np.arange(len(last.row))
    own, others = best[corners, each], best[np.where(corners == NEITHER, NEITHER, 1 - corners), each]
    return (own, others) if last.alive is None else (own[last.alive], others[last.alive])


def categories(columns: Columns, outcomes: Outcomes) -> Array:
    """[K] the category of each kind of action."""
    code = columns.of_kind("outcome")
    doubt = columns.of_kind("doubt")
    unknown = (doubt & NO_OUTCOME > 0) | (code > 0)
    found = np.where(unknown, NOT_KNOWN, OTHER).astype(np.int8)
    for place, name in ((MISSED, "missed"), (BLOCKED, "blocked"), (PARTIAL, "partial"), (LANDED, "landed")):
        codes = [columns.tables.code("outcome", word) for word in outcomes.outcome_family(name)]
        found[np.isin(code, [c for c in codes if c > 0])] = place
    found[(found <= MISSED) & (doubt & INFERRED_BIT > 0)] = INFERRED
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


def _outcomes(tries: Tries) -> tuple[Array, tuple[str, ...]]:
    """Outcomes of tries as `Tries.values` has them; inferred ones are words of their own."""
    columns = tries.columns
    words = columns.words["outcome"]
    codes, doubt = columns.of_kind("outcome"), columns.of_kind("doubt")
    codes = np.where((codes == 0) & (doubt & NO_OUTCOME == 0), 2 * len(words) + 1, codes)
    inferred = (codes > 0) & (codes <= len(words)) & (doubt & INFERRED_BIT > 0)
    codes = np.where(inferred, codes + len(words), codes)
    said = (UNKNOWN, *words, *(word + AS_INFERRED for word in words), NO_PUNCH)
    if tries.punches is None:
        return codes[tries.kind], said
    return np.where(tries.punches < 0, len(said) - 1, codes[columns.kind[tries.punches]]), said


def _match_of_kind(columns: Columns) -> Ints:
    own, other = columns.of_kind("stance"), columns.of_kind("opponent_stance")
    return np.where((own == 0) | (other == 0), 0, np.where(own == other, 2, 1))


def people(columns: Columns) -> Array:
    """[F, 3] places in `Columns.fighters` by corner; for somebody in neither corner, one past the last."""
    nobody = np.full((len(columns.fights), 1), len(columns.fighters), np.int32)
    return np.concatenate([columns.corner_fighter, nobody], axis=1)

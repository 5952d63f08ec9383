"""In which order results are shown, and a page of them without sorting the rest."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

import numpy as np

from cliplib.core.errors import InputError
from cliplib.search.patterns.codes import Array
from cliplib.search.patterns.kernel import Hits
from cliplib.search.patterns.layers import Matches

ORDERS = ("fit", "date", "round", "fighter")
"""`fit`: the very technique before its children, tight timing before loose, clean evidence (times and
outcomes known and logged rather than inferred) before doubtful, and then by date. `date`: by date, title,
round, time; undated fights last. `round`: by round, then date. `fighter`: by the name of whoever begins the
match, then date.
"""


class Joined(Protocol):
    """Results that were found apart, as one."""

    @property
    def exchanges(self) -> Array: ...

    def ranks(self, order: str) -> Array: ...


def page(matches: Matches | Hits | Joined, order: str, offset: int, limit: int) -> Array:
    """Places of the exchanges from `offset` on, at most `limit`. Any page costs the same."""
    found = matches.exchanges
    if order not in ORDERS:
        raise InputError(f"“{order}” is no order; choose {', '.join(ORDERS)}")
    first = max(0, offset)
    end = min(first + max(0, limit), len(found))
    if order == "date":
        return found[first:end]
    # Exchanges stand in the order of the date already, so their place breaks ties.
    ranks = rank(matches, order) if isinstance(matches, Matches | Hits) else matches.ranks(order)
    return found.take(_between(ranks, first, end))


def rank(matches: Matches | Hits, order: str) -> Array:
    """[exchanges found] a number for each, the first the smallest; not for the order of the date."""
    return _RANKS[order](matches)


def _between(rank: Array, first: int, end: int) -> Array:
    """The places that come `first` to `end` in the order of `rank`, ties as they stand; without sorting the
    rest."""
    if first >= end:
        return np.zeros(0, np.int64)
    in_order = np.sort(rank)  # numbers alone sort several times as fast as places
    low, high = in_order[first], in_order[end - 1]
    skipped = first - int(np.searchsorted(in_order, low))
    if low == high:
        return np.flatnonzero(rank == low)[skipped : skipped + end - first]
    between = np.flatnonzero((rank > low) & (rank < high))
    between = between.take(np.argsort(rank.take(between), kind="stable"))
    found = [np.flatnonzero(rank == low)[skipped:], between, np.flatnonzero(rank == high)]
    return np.concatenate(found)[: end - first]


def fighters_first(matches: Matches | Hits) -> Array:
    """[exchanges found] alphabetical place of the fighter who begins a match; the first one's, if both do."""
    columns, rows = matches.columns, matches.first_rows()
    exchange = columns.exchange_of[rows]
    # Somebody who is in neither corner comes last.
    names = np.column_stack([columns.corner_fighter, np.full(len(columns.fights), len(columns.fighters))])
    first = np.full(columns.exchanges, len(columns.fighters), np.int64)
    np.minimum.at(first, exchange, names[columns.fight_of[exchange], columns.corner[rows]])
    return first[matches.exchanges]


def _fit(matches: Matches | Hits) -> Array:
    return matches.cost


def _round(matches: Matches | Hits) -> Array:
    rounds = matches.columns.round.take(matches.exchanges).astype(np.int32)
    return np.where(rounds == 0, np.int32(1 << 20), rounds)


_RANKS: dict[str, Callable[[Matches | Hits], Array]] = {
    "fit": _fit,
    "round": _round,
    "fighter": fighters_first,
}

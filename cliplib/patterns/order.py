"""In which order results are shown, and a page of them without sorting the rest."""

from __future__ import annotations

import numpy as np

from cliplib.errors import InputError

from .codes import Array
from .layers import Matches

ORDERS = ("fit", "date", "round", "fighter")
"""`fit`: the very technique before its children, tight timing before loose, clean evidence (times and
outcomes known and logged rather than inferred) before doubtful, and then by date. `date`: by date, title,
round, time; undated fights last. `round`: by round, then date. `fighter`: by the name of whoever begins the
match, then date.
"""


def page(matches: Matches, order: str, offset: int, limit: int) -> Array:
    """Places of the exchanges from `offset` on, at most `limit`. Any page costs the same."""
    found = matches.exchanges
    if order not in ORDERS:
        raise InputError(f"“{order}” is no order; choose {', '.join(ORDERS)}")
    offset, limit = max(0, offset), max(0, limit)
    if order == "date":
        return found[offset : offset + limit]
    if order == "fit":
        rank = matches.cost.astype(np.int64)
    elif order == "round":
        rounds = matches.columns.round[found].astype(np.int64)
        rank = np.where(rounds == 0, 1 << 20, rounds)
    else:
        rank = _fighters(matches)
    # Exchanges stand in the order of the date already, so their place breaks ties.
    key = rank * max(1, matches.columns.exchanges) + found
    if offset >= len(key):
        return found[:0]
    last = min(offset + limit, len(key)) - 1
    if last < offset:
        return found[:0]
    key = np.partition(key, [offset, last])[offset : last + 1]
    return np.sort(key) % max(1, matches.columns.exchanges)


def _fighters(matches: Matches) -> Array:
    """[exchanges found] alphabetical place of the fighter who begins a match; the first one's, if both do."""
    columns, rows = matches.columns, matches.first_rows()
    exchange = columns.exchange_of[rows]
    # Somebody who is in neither corner comes last.
    names = np.column_stack([columns.corner_fighter, np.full(len(columns.fights), len(columns.fighters))])
    first = np.full(columns.exchanges, len(columns.fighters), np.int64)
    np.minimum.at(first, exchange, names[columns.fight_of[exchange], columns.corner[rows]])
    return first[matches.exchanges]

"""Counts of a whole result: in how many exchanges does a matched action have each value."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from operator import itemgetter
from typing import Protocol

import numpy as np

from cliplib.search.patterns.codes import NEITHER, Array, Ints, folded
from cliplib.search.patterns.columns import UNKNOWN, Columns
from cliplib.search.patterns.layers import Matches

_BITS_OF_BYTE = (np.arange(256)[:, None] >> np.arange(8)) & 1


@dataclass(frozen=True)
class Counts:
    """In how many of the exchanges found. `values` [64 for each chunk of `Columns.value_bits`]: has an action
    of a match each value; `by_corner` [F, 2]: is it by the red, by the blue fighter; `rounds`: by number."""

    columns: Columns
    values: Ints
    by_corner: Ints
    rounds: Ints


class Counted(Protocol):
    """A result that was counted while it was found."""

    @property
    def counts(self) -> Counts: ...


def facets(found: Matches | Counted) -> dict[str, dict[str, int]]:
    """`technique`, `fighter`, `outcome`, `round`, `stance`: value -> exchanges, the most frequent first;
    rounds in their order. A value that isn't known counts as "unknown". `outcome` and `fighter` are those of
    the matches' results (see where.py): landed counts knockdowns in, and whoever did it counts, not whom it
    was done to. The others are of any action of a match."""
    counted = _counted(found) if isinstance(found, Matches) else found.counts
    columns = counted.columns
    counts: dict[str, dict[str, int]] = {
        name: {} for name in ("technique", "fighter", "outcome", "round", "stance")
    }
    values = counted.values.tolist()
    for chunk, (some, _, _) in enumerate(columns.value_bits):
        for place, (name, code) in enumerate(some):
            count = values[64 * chunk + place]
            if count and name != "corner":
                counts[name][columns.words[name][code - 1] if code else UNKNOWN] = count
            elif count and code == NEITHER:
                counts["fighter"][UNKNOWN] = count
    fighters = np.zeros(len(columns.fighters))
    for corner in (0, 1):
        theirs = columns.corner_fighter[:, corner]
        fighters += np.bincount(theirs, counted.by_corner[:, corner], len(fighters))
    counts["fighter"] |= {columns.fighters[i]: int(fighters[i]) for i in np.flatnonzero(fighters).tolist()}
    counts["round"] = {
        str(r) if r else UNKNOWN: count for r, count in enumerate(counted.rounds.tolist()) if count
    }
    return _in_order(counts)


def added(some: Sequence[dict[str, dict[str, int]]]) -> dict[str, dict[str, int]]:
    """The facets of several results, none of whose exchanges are the others', as those of one."""
    if len(some) == 1:
        return some[0]
    sums: dict[str, dict[str, int]] = {}
    for one in some:
        for name, counts in one.items():
            into = sums.setdefault(name, {})
            for value, count in counts.items():
                into[value] = into.get(value, 0) + count
    return _in_order(sums)


def _in_order(counts: dict[str, dict[str, int]]) -> dict[str, dict[str, int]]:
    ordered = {
        name: dict(sorted(sorted(c.items()), key=itemgetter(1), reverse=True)) for name, c in counts.items()
    }
    rounds = counts["round"]
    ordered["round"] = {
        r: rounds[r] for r in sorted(rounds, key=lambda r: (r == UNKNOWN, int(r) if r != UNKNOWN else 0))
    }
    return ordered


def _counted(matches: Matches) -> Counts:
    columns, exchanges = matches.columns, matches.exchanges
    values, by_corner = [], np.zeros((len(columns.fights), 2), np.int64)
    for some, bits, outcome_bits in columns.value_bits:
        joined = _joined(matches, bits, outcome_bits)
        values.append(_count_bits(joined))
        for corner in (0, 1):
            if ("corner", corner) in some:
                has = joined >> np.uint64(some.index(("corner", corner))) & np.uint64(1)
                before = np.concatenate([[0], np.cumsum(has, dtype=np.int64)])
                by_corner[:, corner] = np.diff(
                    before.take(np.searchsorted(exchanges, columns.first_exchange))
                )
    rounds = np.bincount(columns.round.take(exchanges), minlength=1)
    return Counts(columns, np.concatenate([np.zeros(0, np.int64), *values]), by_corner, rounds)


def _joined(matches: Matches, bits: Array, outcome_bits: Array) -> Array:
    """[exchanges found] the bits of all matched actions of each exchange together; those of OF_RESULT only of
    the matches' results."""
    columns = matches.columns
    chains = matches.chains()
    if chains is None:
        rows, results = matches.participating(), matches.results()
        everything = _over(bits.take(columns.kind.take(rows)), rows, columns)
        joined: Array = everything | _over(outcome_bits.take(columns.kind.take(results)), results, columns)
        return joined
    joined = np.zeros(len(chains[-1]), np.uint64)
    for layer, rows in enumerate(chains):
        here = bits if matches.result not in (None, layer) else bits | outcome_bits
        joined |= here.take(columns.kind.take(rows))
    return folded(np.bitwise_or, joined, matches.begins)


def _over(bits: Array, rows: Array, columns: Columns) -> Array:
    """Of ascending `rows`, the bits of each exchange together."""
    exchange = columns.exchange_of.take(rows)
    begins = np.flatnonzero(np.concatenate([[True], exchange[1:] != exchange[:-1]]))
    return folded(np.bitwise_or, bits, begins)


def _count_bits(words: Array) -> Ints:
    """[64] how many of `words` (uint64) have each bit set; through the few values that a byte of them can
    have."""
    used = int(np.bitwise_or.reduce(words)) if len(words) else 0
    octets = words.astype("<u8", copy=False).view(np.uint8).reshape(-1, 8)
    counts = np.zeros(64, np.int64)
    for i in range(8):
        if used >> 8 * i & 255:
            counts[8 * i : 8 * i + 8] = np.bincount(octets[:, i], minlength=256) @ _BITS_OF_BYTE
    return counts

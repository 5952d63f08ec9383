"""Counts of a whole result: in how many exchanges does a matched action have each value."""

from __future__ import annotations

import numpy as np

from .codes import NEITHER, Array, folded
from .columns import Columns
from .layers import Matches
from .where import UNKNOWN

_BITS_OF_BYTE = (np.arange(256)[:, None] >> np.arange(8)) & 1


def facets(matches: Matches) -> dict[str, dict[str, int]]:
    """`technique`, `fighter`, `outcome`, `round`, `stance`: value -> exchanges, the most frequent first;
    rounds in their order. A value that isn't known counts as "unknown". `outcome` is that of the matches'
    results (see where.py), the others of any action of a match."""
    columns, exchanges = matches.columns, matches.exchanges
    counts: dict[str, dict[str, int]] = {
        name: {} for name in ("technique", "fighter", "outcome", "round", "stance")
    }
    fighters = np.zeros(len(columns.fighters), np.int64)
    for values, bits, outcome_bits in columns.value_bits:
        joined = _joined(matches, bits, outcome_bits)
        for place, ((name, code), count) in enumerate(zip(values, _count_bits(joined), strict=False)):
            if not count:
                continue
            if name != "corner":
                counts[name][columns.words[name][code - 1] if code else UNKNOWN] = count
            elif code == NEITHER:
                counts["fighter"][UNKNOWN] = count
            else:
                fighters += _by_fighter(joined >> np.uint64(place) & np.uint64(1), code, exchanges, columns)
    counts["fighter"] |= {columns.fighters[i]: int(fighters[i]) for i in np.flatnonzero(fighters)}
    counts = {
        name: dict(sorted(c.items(), key=lambda item: (-item[1], item[0]))) for name, c in counts.items()
    }
    rounds = np.bincount(columns.round.take(exchanges), minlength=1)
    counts["round"] = {str(r): int(rounds[r]) for r in np.flatnonzero(rounds) if r}
    if rounds[0]:
        counts["round"][UNKNOWN] = int(rounds[0])
    return counts


def _joined(matches: Matches, bits: Array, outcome_bits: Array) -> Array:
    """[exchanges found] the bits of all matched actions of each exchange together; those of outcomes only of
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


def _by_fighter(has: Array, corner: int, exchanges: Array, columns: Columns) -> Array:
    """[fighters] in how many of the exchanges that have it the corner was his."""
    before = np.concatenate([[0], np.cumsum(has, dtype=np.int64)])
    by_fight = np.diff(before.take(np.searchsorted(exchanges, columns.first_exchange)))
    counted: Array = np.bincount(columns.corner_fighter[:, corner], by_fight, len(columns.fighters))
    return counted.astype(np.int64)


def _count_bits(words: Array) -> list[int]:
    """How many of `words` (uint64) have each bit set; through the few values that a byte of them can have."""
    used = int(np.bitwise_or.reduce(words)) if len(words) else 0
    octets = words.astype("<u8", copy=False).view(np.uint8).reshape(-1, 8)
    counts = np.zeros(64, np.int64)
    for i in range(8):
        if used >> 8 * i & 255:
            counts[8 * i : 8 * i + 8] = np.bincount(octets[:, i], minlength=256) @ _BITS_OF_BYTE
    found: list[int] = counts.tolist()
    return found

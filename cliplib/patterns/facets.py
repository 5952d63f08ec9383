"""Counts of a whole result: in how many exchanges does a matched action have each value."""

from __future__ import annotations

import numpy as np

from .codes import NEITHER, Array
from .columns import Columns
from .layers import Matches
from .where import UNKNOWN, punches_without_outcome

_NO_OUTCOME = -1


def facets(matches: Matches) -> dict[str, dict[str, int]]:
    """`technique`, `fighter`, `outcome`, `round`, `stance`: value -> exchanges, the most frequent first;
    rounds in their order. A value that isn't known counts as "unknown". `outcome` is that of the matches'
    results (see where.py), the others of any action of a match."""
    columns, exchanges = matches.columns, matches.exchanges
    counts: dict[str, dict[str, int]] = {
        name: {} for name in ("technique", "fighter", "outcome", "round", "stance")
    }
    rows = matches.participating()
    counted, by_corner = _counted(("technique", "stance", "corner"), rows, columns)
    results = rows if matches.result is None else matches.results()
    counted |= _counted(("outcome",), results, columns)[0]
    for (name, code), count in counted.items():
        if name != "corner" and code != _NO_OUTCOME:
            counts[name][columns.words[name][code - 1] if code else UNKNOWN] = count
    fight = columns.fight_of[exchanges]
    fighters = np.zeros(len(columns.fighters), np.int64)
    for corner, by in by_corner.items():
        if corner == NEITHER:
            counts["fighter"][UNKNOWN] = counted["corner", corner]
        else:
            fighters += np.bincount(columns.corner_fighter[fight[by], corner], minlength=len(fighters))
    counts["fighter"] |= {columns.fighters[i]: int(fighters[i]) for i in np.flatnonzero(fighters)}
    counts = {
        name: dict(sorted(c.items(), key=lambda item: (-item[1], item[0]))) for name, c in counts.items()
    }
    rounds = np.bincount(columns.round[exchanges], minlength=1)
    counts["round"] = {str(r): int(rounds[r]) for r in np.flatnonzero(rounds) if r}
    if rounds[0]:
        counts["round"][UNKNOWN] = int(rounds[0])
    return counts


def _counted(
    names: tuple[str, ...], rows: Array, columns: Columns
) -> tuple[dict[tuple[str, int], int], dict[int, Array]]:
    """In how many exchanges some action of ascending `rows` has each value: (name, code) -> count. And for
    each corner that occurs, which exchanges of `rows`, in order, have an action by it."""
    kind = columns.kind[rows]
    kinds = np.flatnonzero(np.bincount(kind, minlength=len(columns.kinds)))
    # A bit for each value that occurs; the bits of an exchange's actions are joined and then counted.
    codes = {name: _codes(name, columns) for name in names}
    bits = [(name, int(code)) for name, of_kind in codes.items() for code in np.unique(of_kind[kinds])]
    begins = _begins(rows, columns)
    counted: dict[tuple[str, int], int] = {}
    by_corner: dict[int, Array] = {}
    for first in range(0, len(bits), 64):
        chunk = bits[first : first + 64]
        joined = _joined(_bits_of_kinds(chunk, codes), kind, begins)
        counted |= dict(zip(chunk, _count_bits(joined, len(chunk)).tolist(), strict=True))
        for place, (name, code) in enumerate(chunk):
            if name == "corner":
                by_corner[code] = joined >> joined.dtype.type(place) & joined.dtype.type(1) > 0
    return counted, by_corner


def _bits_of_kinds(bits: list[tuple[str, int]], codes: dict[str, Array]) -> Array:
    """[K] for each kind the bits of its values."""
    dtype = np.uint32 if len(bits) <= 32 else np.uint64
    out = np.zeros(len(next(iter(codes.values()))), dtype)
    for place, (name, code) in enumerate(bits):
        out[codes[name] == code] |= dtype(1 << place)
    return out


def _codes(name: str, columns: Columns) -> Array:
    """[K] codes of a facet's values. Only a punch has an outcome, known or unknown."""
    codes = columns.of_kind(name)
    return (
        np.where((codes == 0) & ~punches_without_outcome(columns), _NO_OUTCOME, codes)
        if name == "outcome"
        else codes
    )


def _begins(rows: Array, columns: Columns) -> Array:
    """Where in ascending `rows` each exchange begins."""
    exchange = columns.exchange_of[rows]
    return np.flatnonzero(np.concatenate([[True], exchange[1:] != exchange[:-1]])) if len(rows) else rows


def _joined(bits_of_kind: Array, kind: Array, begins: Array) -> Array:
    """The bits of all actions of each exchange together."""
    bits = bits_of_kind[kind]
    return np.bitwise_or.reduceat(bits, begins) if len(begins) and len(begins) < len(bits) else bits


def _count_bits(words: Array, bits: int) -> Array:
    """How many of `words` have each bit set; through the few values that a byte of them can have."""
    octets = np.ascontiguousarray(words.astype(words.dtype.newbyteorder("<"), copy=False)).view(np.uint8)
    octets = octets.reshape(-1, words.dtype.itemsize)
    table = (np.arange(256)[:, None] >> np.arange(8)) & 1
    parts = [np.bincount(octets[:, i], minlength=256) @ table for i in range(-(-bits // 8))]
    return np.concatenate(parts)[:bits] if parts else np.zeros(0, np.int64)

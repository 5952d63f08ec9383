"""Counts of a whole result: in how many exchanges does a matched action have each value."""

from __future__ import annotations

import numpy as np

from .columns import NEITHER, Array, Columns
from .match import Matches
from .where import UNKNOWN

# Small sets of values share one word of bits an exchange: bit = offset + code.
_SMALL = {"outcome": (0, 16), "stance": (16, 8), "corner": (24, 4)}


def facets(matches: Matches) -> dict[str, dict[str, int]]:
    """`technique`, `fighter`, `outcome`, `round`, `stance`: value -> exchanges, the most frequent first;
    rounds in their order. A value that isn't known counts as "unknown"."""
    columns = matches.columns
    rows, exchanges = matches.participating(), matches.exchanges
    counts: dict[str, dict[str, int]] = {}
    begins = _begins(rows, columns)
    kind = columns.kind[rows]

    words = columns.words["technique"]
    technique = columns.of_kind("technique")
    used = np.unique(technique[np.bincount(kind, minlength=len(columns.kinds)) > 0])
    per_code = np.zeros(len(words) + 1, np.int64)
    for first in range(0, len(used), 64):
        chunk = used[first : first + 64]
        bit = np.zeros(len(words) + 1, np.uint64)
        bit[chunk] = np.uint64(1) << np.arange(len(chunk), dtype=np.uint64)
        per_code[chunk] = _count_bits(_joined(bit[technique], kind, begins), len(chunk))
    counts["technique"] = _by_count({words[c - 1]: int(per_code[c]) for c in used if c > 0})

    bits = np.zeros(len(columns.kinds), np.uint32)
    for name, (offset, _) in _SMALL.items():
        bits |= np.uint32(1) << (columns.of_kind(name) + offset).astype(np.uint32)
    small = _joined(bits, kind, begins)
    per_bit = _count_bits(small, 32)
    for name in ("outcome", "stance"):
        offset, _ = _SMALL[name]
        values = (UNKNOWN, *columns.words[name])
        counts[name] = _by_count({v: int(per_bit[offset + code]) for code, v in enumerate(values)})

    fighters = np.zeros(len(columns.fighters), np.int64)
    fight = columns.fight_of[exchanges]
    for corner in (0, 1):
        by = small >> np.uint32(_SMALL["corner"][0] + corner) & np.uint32(1)
        fighters += np.bincount(columns.corner_fighter[fight[by > 0], corner], minlength=len(fighters))
    some = {columns.fighters[i]: int(fighters[i]) for i in np.flatnonzero(fighters)}
    neither = int(per_bit[_SMALL["corner"][0] + NEITHER])
    counts["fighter"] = _by_count(some | ({UNKNOWN: neither} if neither else {}))

    rounds = np.bincount(columns.round[exchanges])
    by_round = {str(r): int(rounds[r]) for r in np.flatnonzero(rounds) if r}
    counts["round"] = by_round | ({UNKNOWN: int(rounds[0])} if len(rounds) and rounds[0] else {})
    return {name: counts[name] for name in ("technique", "fighter", "outcome", "round", "stance")}


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


def _by_count(counts: dict[str, int]) -> dict[str, int]:
    return dict(sorted(((v, n) for v, n in counts.items() if n), key=lambda item: (-item[1], item[0])))

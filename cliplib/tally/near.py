"""Who did something next, or before, in the same exchange; and the time between.

Distances are worked out for the whole archive at once, with one comparison of all actions for each distance,
and kept with the columns: a table of a million tries then looks them up.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from cliplib.search.patterns import Columns
from cliplib.search.patterns.codes import NEITHER, UNKNOWN_TIME, Array, Ints

from .tries import Tries

_DENSE = 8
"""Distances that are tried for all actions; the few that are left are followed one by one."""
_DIGIT = 10


def ahead(columns: Columns, *, own: bool) -> Array:
    """[N] how many actions later the same person, or the opponent, does something next in the exchange; 0 for
    not at all, and for somebody who is in neither corner."""
    name = f"ahead {own}"
    if name not in columns.derived:
        columns.derived[name] = _distances(columns, own=own, backwards=False, suits=None)
    found: Array = columns.derived[name]
    return found


def punch_before(columns: Columns, is_punch: Array) -> Array:
    """[N] how many actions earlier the opponent threw his last punch in the exchange; 0 for none. `is_punch`
    [K]: by kind."""
    name = "punch before"
    if name not in columns.derived:
        suits = is_punch[columns.kind]
        columns.derived[name] = _distances(columns, own=False, backwards=True, suits=suits)
    found: Array = columns.derived[name]
    return found


def _distances(columns: Columns, *, own: bool, backwards: bool, suits: Array | None) -> Array:
    sizes = np.diff(columns.first_action)
    longest = int(sizes.max(initial=1)) - 1
    dtype = np.uint8 if longest < 1 << 8 else np.int64
    edge = columns.first_action[:-1] if backwards else columns.first_action[1:] - 1
    room = np.abs(np.repeat(edge, sizes) - np.arange(columns.actions))  # up to the exchange's end
    room = room.astype(dtype)
    corner = columns.corner
    if backwards:
        corner, room = corner[::-1], room[::-1]
        suits = None if suits is None else suits[::-1]
    found = np.zeros(columns.actions, dtype)
    for far in range(1, min(longest, _DENSE) + 1):
        here: Array = corner[far:] == corner[:-far] if own else corner[far:] + corner[:-far] == 1
        here &= room[:-far] >= far
        here &= found[:-far] == 0
        if suits is not None:
            here &= suits[far:]
        np.putmask(found[:-far], here, far)
    left = np.flatnonzero((found == 0) & (room > _DENSE) & (corner != NEITHER))
    for far in range(_DENSE + 1, longest + 1):
        if not len(left):
            break
        there = left + far
        here = corner[there] == corner[left] if own else corner[there] + corner[left] == 1
        if suits is not None:
            here &= suits[there]
        found[left[here]] = far
        left = left[~here & (room[left] > far)]
    if own:
        found[corner == NEITHER] = 0
    return found[::-1] if backwards else found


def far(tries: Tries, *, own: bool) -> Array:
    """[n] how many actions behind each try whose pattern it is does something next in the exchange, or the
    opponent; 0 for not at all."""
    same = ahead(tries.columns, own=own)[tries.rows]
    if not tries.turned.any():
        return same
    return np.where(tries.turned, ahead(tries.columns, own=not own)[tries.rows], same)


def next_of(tries: Tries, *, own: bool) -> Ints:
    """[n] the first later action of the exchange by whose pattern it is, or by the opponent; -1 for none."""
    distance = far(tries, own=own)
    return np.where(distance > 0, tries.rows + distance, -1)


def gap(earlier: Array, later: Array) -> Array:
    """[n] microseconds from one `Columns.since` to another of the same exchange, -1 where either is not
    known."""
    known = (earlier != UNKNOWN_TIME) & (later != UNKNOWN_TIME)
    return np.where(known, np.maximum(later - earlier, 0), -1)


def quartiles(group: Array, value: Array, groups: int) -> list[tuple[int, int, int] | None]:
    """Lower quartile, median and upper quartile of each group's values, rounded down; None for an empty one.

    `group` [n] of range(groups), `value` [n] whole numbers from 0. Between two values linear (Hyndman and
    Fan 1996, Am Stat 50:361, definition 7, as NumPy's). Nothing is sorted: digit by digit, the values with a
    wanted rank are those that begin with the digits found so far.
    """
    sizes = np.bincount(group, minlength=groups)
    wanted: list[tuple[int, int]] = []  # (group, rank from 0)
    for one in np.flatnonzero(sizes).tolist():
        last = int(sizes[one]) - 1
        wanted += [(one, rank) for q in (1, 2, 3) for rank in (last * q // 4, -(-last * q // 4))]
    found = iter(_of_ranks(group, value, groups, wanted))
    result: list[tuple[int, int, int] | None] = []
    for size in sizes.tolist():
        if not size:
            result.append(None)
            continue
        # In quarters, so that it stays whole.
        low, median, high = (
            (a * (4 - part) + b * part) // 4
            for part, a, b in ((((size - 1) * q) % 4, next(found), next(found)) for q in (1, 2, 3))
        )
        result.append((low, median, high))
    return result


def _of_ranks(group: Array, value: Array, groups: int, wanted: Sequence[tuple[int, int]]) -> list[int]:
    """The value with each wanted rank in its group."""
    node, nodes = group, groups
    of, ranks, prefix = [g for g, _ in wanted], [r for _, r in wanted], [0] * len(wanted)
    bits = int(value.max(initial=0)).bit_length()
    while bits:
        take = min(_DIGIT, bits)
        bits -= take
        cell = (node.astype(np.int64) << take) | ((value >> bits) & ((1 << take) - 1))
        upto = np.bincount(cell, minlength=nodes << take).reshape(nodes, 1 << take).cumsum(axis=1)
        for i, one in enumerate(of):
            digit = int(np.searchsorted(upto[one], ranks[i], side="right"))
            ranks[i] -= int(upto[one][digit - 1]) if digit else 0
            prefix[i] = prefix[i] << take | digit
            of[i] = one << take | digit
        if not bits:
            break
        places = {one: i for i, one in enumerate(dict.fromkeys(of))}
        new = np.full(nodes << take, -1, np.int32)
        new[list(places)] = list(places.values())
        nodes, of = len(places), [places[one] for one in of]
        node = new[cell]
        kept = node >= 0
        node, value = node[kept], value[kept]
    return prefix

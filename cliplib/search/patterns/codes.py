"""How an action's values are packed into numbers, and helpers that every part of the package uses."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
Array = npt.NDArray[Any]

UNKNOWN_TIME = -1
NO_DATE = np.iinfo(np.int32).max
NEITHER = 2
"""Corner code of somebody who is in neither corner: an opponent of nobody."""
ABSENT = -1
"""In place of a fighter's corner, in fights that are not his; no action has it."""

# Bits that an action's values take in its kind and in its setting. Code 0 is "not known". `doubt` says what
# is not clean about the evidence; see its bits below.
# Where something happened varies freely, so it is kept apart: kinds stay few. The technique comes last, in
# the highest bits, so that its kinds lie side by side and what is looked up by kind stays at hand.
KIND_BITS = {
    "hand": 3, "side": 3, "target": 3, "outcome": 4, "stance": 3, "opponent_stance": 3, "roles": 8,
    "corner": 2, "doubt": 3, "technique": 12,
}  # fmt: skip
SETTING_BITS = {"direction": 6, "place": 6, "range": 6}
BITS = KIND_BITS | SETTING_BITS
SHIFT = {
    name: sum(list(bits.values())[:i]) for bits in (KIND_BITS, SETTING_BITS) for i, name in enumerate(bits)
}
NO_TIME, NO_OUTCOME, INFERRED = 1, 2, 4
"""Bits of `doubt`."""

SETTING = tuple(SETTING_BITS)
CODED = ("technique", "hand", "side", "target", "outcome", "direction", "stance", "place", "range")
"""Attributes whose values are words; `Columns.tables` turns codes into words."""


def ranges(starts: Array, sizes: Array) -> Ints:
    """[s0, s0 + 1, ..., s0 + n0 - 1, s1, ...]."""
    total = int(sizes.sum())
    if not total:
        return np.zeros(0, np.int64)
    ends = np.cumsum(sizes)
    within: Ints = np.arange(total, dtype=np.int64) + np.repeat(starts - (ends - sizes), sizes)
    return within


def folded(how: np.ufunc, values: Array, begins: Array) -> Array:
    """`how.reduceat(values, begins)`, in half the time where most groups have a single member."""
    if len(begins) == len(values):
        return values
    later = np.ones(len(values), np.bool_)
    later[begins] = False
    places = np.flatnonzero(later)
    of_groups: Array = values.take(begins)
    how.at(of_groups, places - np.arange(1, len(places) + 1), values.take(places))
    return of_groups

"""How far fights differ in a proportion, for the groups of a table at once."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from cliplib.search.patterns.codes import Array, Ints
from cliplib.stats.pooling import widened
from cliplib.stats.proportions import Interval, wilson

_DENSE = 1 << 22


class Spread(NamedTuple):
    """`design`: the variance of a proportion between fights, as a multiple of what one sample would have;
    `fights`: that have tries of it."""

    design: float = 1.0
    fights: int = 0

    def interval(self, successes: int, tries: int) -> Interval | None:
        """The proportion, with an interval that carries the spread (see `pooling.pooled`)."""
        plain = wilson(successes, tries)
        return None if plain is None else widened(plain, tries, self.design, self.fights)


ALONE = Spread()


def spreads(group: Ints, groups: int, fight: Array, hit: Array, of: Array) -> list[Spread]:
    """Of each of `groups`; [n] `group` and `fight` of each try, if it is a `hit`, and if it counts (`of`)."""
    if not len(fight) or fight[0] == fight[-1]:  # ascending: one fight
        return [ALONE] * groups
    first = int(fight[0])
    fights = int(fight[-1]) - first + 1
    cell = group.astype(np.int64) * fights + (fight - first)
    if groups * fights <= _DENSE:
        hits = np.bincount(cell, hit & of, groups * fights)
        tries = np.bincount(cell, of, groups * fights)
        at = np.flatnonzero(tries)
        hits, tries = hits[at], tries[at]
    else:
        at, place = np.unique(cell, return_inverse=True)
        hits, tries = np.bincount(place, hit & of), np.bincount(place, of)
        at, hits, tries = at[tries > 0], hits[tries > 0], tries[tries > 0]
    return _of_clusters(at // fights, groups, hits, tries)


def shares(code: Array, codes: int, fight: Array) -> list[Spread]:
    """Of each code as a share of all tries."""
    if not len(fight) or fight[0] == fight[-1]:
        return [ALONE] * codes
    there, place = np.unique(fight, return_inverse=True)
    counts = np.bincount(code.astype(np.int64) * len(there) + place, minlength=codes * len(there))
    tries = np.tile(np.bincount(place), codes)
    return _of_clusters(np.repeat(np.arange(codes), len(there)), codes, counts, tries)


def _of_clusters(group: Ints, groups: int, hits: Array, tries: Array) -> list[Spread]:
    sum_hits, sum_tries = np.bincount(group, hits, groups), np.bincount(group, tries, groups)
    clusters = np.bincount(group, minlength=groups)
    rate = sum_hits / np.maximum(sum_tries, 1)
    apart = np.bincount(group, (hits - rate[group] * tries) ** 2, groups)
    alone = rate * (1 - rate) * sum_tries
    more = clusters / np.maximum(clusters - 1, 1)
    design = np.where(alone > 0, more * apart / np.maximum(alone, 1e-12), 1.0)
    return [Spread(float(d), int(m)) for d, m in zip(design, clusters, strict=True)]

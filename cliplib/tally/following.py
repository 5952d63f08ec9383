"""What comes next.

The *next action* of somebody is the first one logged after the try, in the same exchange, by that person. How
an exchange ended is all that its log tells, so "nothing more" means nothing more in that exchange.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from cliplib.search.patterns.codes import Array
from cliplib.stats.proportions import Interval, wilson

from .near import far, gap, quartiles
from .spread import shares
from .tries import CATEGORIES, LANDED, OTHER, Behind, Tries, categories, known

NOTHING = "nothing more"
_C = len(CATEGORIES)


@dataclass(frozen=True, slots=True)
class NextRow:
    """One thing that came next. `times`: after how many of the tries; `share` of them. `median_us`, `low_us`,
    `high_us`: the gap's median and quartiles over the `timed` of them with both times, else None. `landed`
    of `known`: how it went, where it is a punch. `behind`: the tries it followed, of each number."""

    what: str
    times: int
    share: Interval | None
    timed: int
    median_us: int | None
    low_us: int | None
    high_us: int | None
    landed: int
    known: int
    behind: Behind = field(repr=False)

    @property
    def rate(self) -> Interval | None:
        return wilson(self.landed, self.known)

    @property
    def tries(self) -> Tries:
        """The tries it followed."""
        return self.behind.of("times")


@dataclass(frozen=True, slots=True)
class NextTable:
    """`own`: what the same fighter did next; `other`: what the opponent did next; each the most frequent
    first, with NOTHING last. Each sums to `tries`."""

    tries: Tries
    own: tuple[NextRow, ...]
    other: tuple[NextRow, ...]


def following(tries: Tries) -> NextTable:
    """What comes next after each try."""
    since = tries.columns.since[tries.rows]
    return NextTable(tries, _rows(tries, since, own=True), _rows(tries, since, own=False))


def _rows(tries: Tries, since: Array, *, own: bool) -> tuple[NextRow, ...]:
    if not len(tries):
        return ()
    columns = tries.columns
    words = (NOTHING, *columns.words["technique"])
    distance = far(tries, own=own)
    there = distance > 0
    after = tries.rows + distance
    technique = columns.of_kind("technique").astype(np.int32)
    cell = (technique * _C + categories(columns, tries.outcomes))[columns.kind[after]]
    cell[~there] = OTHER
    counts = np.bincount(cell, minlength=len(words) * _C).reshape(len(words), _C)
    between = gap(since, columns.since[after])
    timed = np.flatnonzero(there & (between >= 0))
    group = np.repeat(np.arange(len(words), dtype=np.int32), _C)[cell[timed]]
    how_many = np.bincount(group, minlength=len(words)).tolist()
    spread = quartiles(group, between[timed], len(words))
    spread_of = shares(np.repeat(np.arange(len(words)), _C)[cell], len(words), tries.fight)
    rows = []
    for code in np.flatnonzero(counts.sum(axis=1)).tolist():
        low, median, high = spread[code] or (None, None, None)
        first = code * _C
        within = known(counts[code])
        parts: Mapping[str, range] = {
            "times": range(first, first + _C),
            "landed": range(first + LANDED, first + LANDED + 1),
            "known": range(first + within.start, first + within.stop),
        }
        times = int(counts[code].sum())
        rows.append(
            NextRow(
                what=words[code],
                times=times,
                share=spread_of[code].interval(times, len(tries)),
                timed=how_many[code],
                median_us=median,
                low_us=low,
                high_us=high,
                landed=int(counts[code, LANDED]),
                known=int(counts[code, within].sum()),
                behind=Behind(tries, cell, parts),
            )
        )
    return tuple(sorted(rows, key=lambda row: (row.what == NOTHING, -row.times, row.what)))

"""Tables of tries by any keys: how many, what became of them, how often per minute, and the clips behind."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from cliplib.core.errors import InputError
from cliplib.search.patterns import UNKNOWN
from cliplib.search.patterns.codes import Array, Ints
from cliplib.stats.proportions import Interval

from .clock import NARROWING, Watched
from .spread import ALONE, Spread, spreads
from .tries import CATEGORIES, INFERRED, KEYS, LANDED, NOT_KNOWN, OTHER, SAID, Behind, Tries, known

MINUTE_US = 60_000_000
_DENSE = 1 << 22
_IN_ORDER = {"round", "fight"}  # others stand by how often they were tried


@dataclass(frozen=True, slots=True)
class CountRow:
    """A row of a table. `values`: one for each key. `rate`: landed of those with a known outcome: one that
    was said, and where the table is `complete`, having no unknown outcome, one that was inferred too. `then`:
    of the opponent's next punches within the window, how many there were, landed, and have a known outcome.
    `spread`: of landing between fights. `watched_us`: round clock that these rows were looked for in;
    `timed`: tries within it. Both None where a frequency would not mean anything."""

    values: tuple[str, ...]
    tried: int
    landed: int
    partial: int
    blocked: int
    missed: int
    inferred: int
    unknown: int
    other: int
    exchanges: int
    fights: int
    timed: int | None
    watched_us: int | None
    complete: bool = False
    then: tuple[int, int, int] = (0, 0, 0)
    spread: Spread = ALONE

    @property
    def known(self) -> int:
        said = self.landed + self.partial + self.blocked + self.missed
        return said + self.inferred if self.complete else said

    @property
    def rate(self) -> Interval | None:
        return self.spread.interval(self.landed, self.known)

    @property
    def rate_if(self) -> tuple[float, float] | None:
        """The rate if every unknown outcome were no landing, and if every one were; inferred ones are
        none."""
        known_or_not = self.landed + self.partial + self.blocked + self.missed + self.inferred + self.unknown
        if not known_or_not:
            return None
        return self.landed / known_or_not, (self.landed + self.unknown) / known_or_not

    @property
    def per_minute(self) -> float | None:
        if self.timed is None or not self.watched_us:
            return None
        return self.timed * MINUTE_US / self.watched_us


@dataclass(frozen=True)
class Table:
    """Rows by `by`, the sum of all (`total`), and the tries themselves."""

    by: tuple[str, ...]
    rows: tuple[CountRow, ...]
    total: CountRow
    tries: Tries
    row_of: Ints  # [tries] the row each try is counted in
    complete: bool = False
    window_us: int | None = None

    def behind(self, row: int | None = None) -> Behind:
        """The tries behind the numbers of a row (None: of all): tried, known and each of CATEGORIES."""
        size = len(CATEGORIES)
        places = np.arange(len(self.rows)) if row is None else np.array([row])
        cells = places[:, np.newaxis] * size + np.arange(size)
        parts = {name: cells[:, i] for i, name in enumerate(CATEGORIES)}
        within = slice(LANDED, INFERRED + 1) if self.complete else SAID
        return Behind(self.tries, self._cell, {"tried": cells, "known": cells[:, within], **parts})

    def then(self, row: int | None = None) -> Behind:
        """The tries behind what the opponent then threw: punches, landed, known."""
        size = len(CATEGORIES)
        places = np.arange(len(self.rows)) if row is None else np.array([row])
        cells = places[:, np.newaxis] * size + np.arange(size)
        within = known(np.bincount(self._then_cell % size, minlength=size))
        return Behind(
            self.tries,
            self._then_cell,
            {
                "then_punches": cells[:, :OTHER],
                "then_landed": cells[:, LANDED],
                "then_known": cells[:, within],
            },
        )

    def clips(self, row: int | None = None, category: str | None = None) -> list[int]:
        """Numbers of the clips behind one number: of a row (None: of all), of a category, "known" or "tried"
        (None)."""
        found: list[int] = self.behind(row).of(category or "tried").exchange_ids().tolist()
        return found

    @cached_property
    def _cell(self) -> Array:
        return self.row_of * len(CATEGORIES) + self.tries.category()

    @cached_property
    def _then_cell(self) -> Array:
        assert self.window_us is not None
        return self.row_of * len(CATEGORIES) + self.tries.answered(self.window_us)


def tally(
    tries: Tries,
    by: Sequence[str],
    watched: Watched | None,
    *,
    window_us: int | None = None,
    complete: bool | None = None,
) -> Table:
    """Count tries by keys, in the order of their first key, then the next; rounds and fights in their own
    order, everything else by how often it was tried. `watched`: None where no frequency can be given.
    `window_us`: how soon an opponent's punch counts as what they then did (None: not asked). `complete`: that
    no outcome is unknown (None: as it is)."""
    by = tuple(dict.fromkeys(by))
    for key in by:
        if key not in KEYS:
            raise InputError(f"“{key}” is nothing to group by; there are {', '.join(KEYS)}")
    place, groups, words = _grouped(tries, by)
    n = len(groups)
    category = tries.category()
    counts = np.bincount(place * len(CATEGORIES) + category, minlength=n * len(CATEGORIES))
    counts = counts.reshape(n, len(CATEGORIES))
    of_all = np.bincount(category, minlength=len(CATEGORIES))
    complete = not of_all[NOT_KNOWN] if complete is None else complete
    then = _then(tries, place, n, window_us)
    exchange, fight = tries.exchange, tries.fight
    exchanges, fights = _distinct(place, n, exchange, fight)
    landed, rated = category == LANDED, category < (INFERRED + 1 if complete else SAID.stop)
    spread = spreads(place, n, fight, landed, rated)
    timed: Sequence[int | None] = [None] * n
    clock: Sequence[int | None] = [None] * n
    in_time = None
    if watched is not None and "stance match" not in by:
        in_time = watched.us[fight, tries.columns.round[exchange]] > 0
        timed = np.bincount(place, in_time, n).astype(np.int64).tolist()
        clock = _clock(by, groups, watched)
    rows = tuple(
        CountRow(
            tuple(words[k][code] for k, code in enumerate(group)),
            int(counts[i].sum()),
            **_named(counts[i]),
            exchanges=int(exchanges[i]),
            fights=int(fights[i]),
            timed=timed[i],
            watched_us=clock[i],
            complete=complete,
            then=then[i],
            spread=spread[i],
        )
        for i, group in enumerate(groups)
    )
    everything = CountRow(
        (),
        len(tries),
        **_named(of_all),
        exchanges=_different(exchange),
        fights=_different(fight),
        timed=None if in_time is None else int(in_time.sum()),
        watched_us=None if in_time is None or watched is None else watched.total_us,
        complete=complete,
        spread=spreads(np.zeros_like(place), 1, fight, landed, rated)[0],
        then=(sum(t[0] for t in then), sum(t[1] for t in then), sum(t[2] for t in then)),
    )
    return Table(by, rows, everything, tries, place, complete, window_us)


def _then(tries: Tries, place: Ints, n: int, window_us: int | None) -> list[tuple[int, int, int]]:
    """(punches, landed, known) of what the opponent then threw, by group."""
    if window_us is None:
        return [(0, 0, 0)] * n
    size = len(CATEGORIES)
    went = tries.answered(window_us)
    counts = np.bincount(place * size + went, minlength=n * size).reshape(n, size)
    within = known(np.bincount(went, minlength=size))
    return [(int(c[:OTHER].sum()), int(c[LANDED]), int(c[within].sum())) for c in counts]


def _grouped(tries: Tries, by: tuple[str, ...]) -> tuple[Ints, list[tuple[int, ...]], list[tuple[str, ...]]]:
    """([n] each try's group, the codes of each group in order, the words of each key)."""
    if not by:
        return np.zeros(len(tries), np.int64), [()] if len(tries) else [], []
    words, codes, ranks = [], [], []
    for key in by:
        code, names = tries.values(key)
        words.append(names)
        codes.append(code)
        ranks.append(_rank(key, code, names))
    room = math.prod(map(len, words))
    packed = np.zeros(len(tries), np.int32 if room <= _DENSE else np.int64)
    for code, rank, names in zip(codes, ranks, words, strict=True):
        packed = packed * len(names) + rank.astype(packed.dtype)[code]
    if room <= _DENSE:  # looking a group up is much faster than sorting the tries
        used = np.flatnonzero(np.bincount(packed, minlength=room))
        place = np.zeros(room, np.int32)
        place[used] = np.arange(len(used))
        place = place[packed]
    else:
        used, place = np.unique(packed, return_inverse=True)
    back: list[Ints] = []
    for rank in reversed(ranks):
        back.append(np.argsort(rank)[used % len(rank)])
        used = used // len(rank)
    groups = list(zip(*(code.tolist() for code in reversed(back)), strict=True))
    return place, groups, words


def _named(counts: Array) -> dict[str, int]:
    return dict(zip(CATEGORIES, map(int, counts), strict=True))


def _rank(key: str, codes: Array, names: Sequence[str]) -> Ints:
    """The place of each code in the order of the table; what is not known stands last."""
    count = np.bincount(codes, minlength=len(names))
    unknown = np.array([name == UNKNOWN for name in names])
    order = (
        np.lexsort((np.arange(len(names)), unknown))
        if key in _IN_ORDER
        else np.lexsort((np.array(names), -count, unknown))
    )
    rank = np.empty(len(names), np.int64)
    rank[order] = np.arange(len(names))
    return rank


def _different(ascending: Array) -> int:
    return int(np.count_nonzero(ascending[1:] != ascending[:-1])) + 1 if len(ascending) else 0


def _distinct(place: Ints, n: int, *columns: Array) -> list[Ints]:
    """For each (ascending) column, [n] how many different values each group has."""
    # Small numbers are sorted by their digits.
    small = place.astype(np.uint8 if n < 1 << 8 else np.uint16) if n < 1 << 16 else place
    order = np.argsort(small, kind="stable")
    group = place[order]
    found = []
    other = group[1:] != group[:-1]
    for values in columns:
        ordered = values[order]
        new = np.ones(len(order), np.bool_)
        new[1:] = (ordered[1:] != ordered[:-1]) | other
        found.append(np.bincount(group[new], minlength=n))
    return found


def _clock(by: tuple[str, ...], groups: list[tuple[int, ...]], watched: Watched) -> list[int]:
    narrow = tuple(key for key in by if key in NARROWING)
    cells = watched.by(narrow)
    at = [by.index(key) for key in narrow]
    return [cells.get(tuple(group[k] for k in at), 0) for group in groups]

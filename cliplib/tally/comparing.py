"""Two sides beside each other: fighters, fights, rounds or periods.

Each line compares one proportion. Within one fight: its difference with Newcombe's interval, and Fisher's
exact test. Over several fights they are not one sample: where both sides have tries in the same fights, or
against the same opponents, they are compared within those; where a side is whole fights, fights are the units
(see `stats.pooling`). Since many lines are looked at together, the words go by Benjamini and Hochberg's
adjusted p.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from cliplib.search.patterns.codes import Array, Ints
from cliplib.stats.pooling import clustered, stratified
from cliplib.stats.proportions import Interval, adjusted, difference, fisher, worth

from .counts import tally
from .following import NOTHING, NextRow, following
from .near import next_of
from .tries import INFERRED, LANDED, NOT_KNOWN, SAID, Behind, Tries

Part = tuple[Behind, str]
"""The tries behind one number."""

Method = Literal["one fight", "fights", "opponents", "whole fights"]
"""How sides are compared: in one fight; within fights; within opponents; with fights as the units."""


@dataclass(frozen=True, slots=True)
class Compared:
    """One line: `k1` of `n1` against `k2` of `n2`. `difference`: of the two as they were compared. `p`: None
    where nothing says how fights differ; `q`: adjusted for the lines of its table. `homogeneity`: p that the
    difference is one and the same in all fights or opponents. `behind1`, `behind2`: what k1 and k2 count."""

    what: str
    k1: int
    n1: int
    k2: int
    n2: int
    difference: Interval | None
    p: float | None
    q: float | None
    words: str
    behind1: Part | None = field(default=None, repr=False)
    behind2: Part | None = field(default=None, repr=False)
    homogeneity: float | None = None

    @property
    def clips1(self) -> tuple[int, ...]:
        """Numbers of the clips behind k1."""
        return _clips(self.behind1)

    @property
    def clips2(self) -> tuple[int, ...]:
        """Numbers of the clips behind k2."""
        return _clips(self.behind2)


def _clips(part: Part | None) -> tuple[int, ...]:
    return () if part is None else tuple(part[0].of(part[1]).exchange_ids().tolist())


@dataclass(frozen=True, slots=True)
class Comparison:
    """`side1`, `side2`: the tries. `landed`: of those with a known outcome. `own`, `other`: what came next,
    as shares of the tries. `method`: how they were compared; `fights`: of both sides together."""

    side1: Tries = field(repr=False)
    side2: Tries = field(repr=False)
    landed: tuple[Compared, ...]
    own: tuple[Compared, ...]
    other: tuple[Compared, ...]
    method: Method = "one fight"
    fights: int = 1

    @property
    def tries1(self) -> int:
        return len(self.side1)

    @property
    def tries2(self) -> int:
        return len(self.side2)


@dataclass(frozen=True, slots=True)
class Judged:
    """What a line's counts come to. `turned`: taken together they say the contrary."""

    difference: Interval | None
    p: float | None
    homogeneity: float | None = None
    turned: bool = False


@dataclass(frozen=True)
class _Sides:
    """Both sides, and how they are compared: `strata` of each side's tries, numbered alike, `count` of them;
    `fights`: of both sides together."""

    method: Method
    strata: tuple[Ints, Ints]
    count: int
    fights: int

    def counted(self, side: int, code: Ints | None, codes: int, which: Array | None = None) -> Ints:
        """[codes, count] how many of a side's tries have each code (None: they all have the first) in each
        stratum; `which` of them count."""
        stratum = self.strata[side]
        cell = stratum if code is None else code.astype(np.int64) * self.count + stratum
        counts = np.bincount(cell if which is None else cell[which], minlength=codes * self.count)
        return counts.reshape(codes, self.count)

    def judge(self, counts: Sequence[Ints]) -> Judged:
        """[count] by stratum: hits of the first side, out of how many; of the second."""
        k1, n1, k2, n2 = (int(each.sum()) for each in counts)
        if self.method == "one fight" or not (n1 and n2):
            return Judged(difference(k1, n1, k2, n2), fisher(k1, n1 - k1, k2, n2 - k2))
        if self.method == "whole fights":
            one, two = (np.stack(counts[i : i + 2], axis=1).tolist() for i in (0, 2))
            units = clustered(one, two)
            return Judged(None, None) if units is None else Judged(units.difference, units.p)
        found = stratified(np.stack(counts, axis=1))
        if found is None:
            return Judged(None, 1.0)
        together = k1 / n1 - k2 / n2
        turned = together * found.difference.value < 0
        return Judged(found.difference, found.guarded, found.homogeneity, turned)


def _sides(one: Tries, two: Tries) -> _Sides:
    tries = tuple(np.bincount(side.fight, minlength=len(one.columns.fights)) for side in (one, two))
    there = (tries[0] > 0) | (tries[1] > 0)
    count, place = int(there.sum()), np.cumsum(there) - 1
    strata = place[one.fight], place[two.fight]
    if count < 2:
        return _Sides("one fight", strata, count, count)
    if _shared(*tries):
        return _Sides("fights", strata, count, count)
    opponents = one.values("opponent")[0].astype(np.int64), two.values("opponent")[0].astype(np.int64)
    people = int(max(codes.max(initial=0) for codes in opponents)) + 1
    met = tuple(np.bincount(codes, minlength=people) for codes in opponents)
    if _shared(*met) and np.count_nonzero(met[0] + met[1]) > 1:
        return _Sides("opponents", opponents, people, count)
    return _Sides("whole fights", strata, count, count)


def _shared(one: Ints, two: Ints) -> bool:
    """Whether at least half of both sides' tries are in strata that have both; [strata] tries of each."""
    both = (one > 0) & (two > 0)
    return bool(both.any()) and all(2 * side[both].sum() >= side.sum() for side in (one, two))


def compare(one: Tries, two: Tries, *, by: str | None = None) -> Comparison:
    """`by`: a key by whose values landing is compared too (technique, target, place, round, ...)."""
    sides = _sides(one, two)
    # Both sides by one rule: inferred outcomes count where neither has an unknown one.
    went = one.category(), two.category()
    complete = all(not (category == NOT_KNOWN).any() for category in went)
    known = INFERRED + 1 if complete else SAID.stop
    hits, of = ([category < stop for category in went] for stop in (LANDED + 1, known))
    totals = [tally(side, (), None, complete=complete) for side in (one, two)]
    lines: dict[str, tuple[int, int, int, int]] = {}
    parts: dict[str, tuple[Part | None, Part | None]] = {}
    a, b = (table.total for table in totals)
    lines["all"] = (a.landed, a.known, b.landed, b.known)
    parts["all"] = ((totals[0].behind(), "landed"), (totals[1].behind(), "landed"))
    whole = [sides.counted(side, None, 1, which)[0] for side in (0, 1) for which in (hits[side], of[side])]
    judged = {"all": sides.judge(whole)}
    if by is not None:
        tables = [tally(side, (by,), None, complete=complete) for side in (one, two)]
        rows = [{row.values[0]: (i, row) for i, row in enumerate(table.rows)} for table in tables]
        # One code more than there are rows, for values that a side does not have.
        each = [
            [sides.counted(i, table.row_of, len(table.rows) + 1, which) for which in (hits[i], of[i])]
            for i, table in enumerate(tables)
        ]
        for name in dict.fromkeys([*rows[0], *rows[1]]):
            counts: list[int] = []
            found: list[Part | None] = []
            strata: list[Ints] = []
            for table, of_side, by_row in zip(tables, rows, each, strict=True):
                place, row = of_side.get(name, (None, None))
                counts += [row.landed, row.known] if row is not None else [0, 0]
                found.append((table.behind(place), "landed") if place is not None else None)
                strata += [counted[-1 if place is None else place] for counted in by_row]
            if counts[1] + counts[3]:
                lines[name] = (counts[0], counts[1], counts[2], counts[3])
                parts[name] = (found[0], found[1])
                judged[name] = sides.judge(strata)
    after = following(one), following(two)
    return Comparison(
        one,
        two,
        compared(lines, parts, judged=judged, method=sides.method),
        _shares(sides, (one, two), (after[0].own, after[1].own), own=True),
        _shares(sides, (one, two), (after[0].other, after[1].other), own=False),
        sides.method,
        sides.fights,
    )


def compared(
    lines: Mapping[str, tuple[int, int, int, int]],
    parts: Mapping[str, tuple[Part | None, Part | None]],
    *,
    judged: Mapping[str, Judged],
    method: Method = "one fight",
    q: Sequence[float] | None = None,
) -> tuple[Compared, ...]:
    """Lines of (k1, n1, k2, n2), `judged` one by one and looked at together; `parts`: what each one's k1 and
    k2 count. `q`: adjusted p-values, where they were found in another way."""
    adjusted_p = _adjusted(lines, judged) if q is None else q
    return tuple(
        Compared(
            what, *counts, judged[what].difference, judged[what].p,
            None if judged[what].p is None else adjusted_p[i],
            _words(counts, judged[what], adjusted_p[i], method), *parts[what], judged[what].homogeneity,
        )
        for i, (what, counts) in enumerate(lines.items())
    )  # fmt: skip


def _adjusted(lines: Mapping[str, tuple[int, int, int, int]], judged: Mapping[str, Judged]) -> list[float]:
    """Benjamini and Hochberg's, over the lines that can be looked at: where one side has nothing there is
    nothing to find, so that it is no look."""
    q = [1.0] * len(lines)
    looks = [(i, judged[what].p) for i, (what, (_, n1, _, n2)) in enumerate(lines.items()) if n1 and n2]
    tested = [(i, p) for i, p in looks if p is not None]
    for (i, _), of_look in zip(tested, adjusted([p for _, p in tested]), strict=True):
        q[i] = of_look
    return q


def _words(counts: tuple[int, int, int, int], judged: Judged, q: float, method: Method) -> str:
    k1, n1, k2, n2 = counts
    said = f"{k1} of {n1} against {k2} of {n2}: "
    if not (n1 and n2):
        return said + "nothing to compare"
    if judged.p is None:
        return said + "one fight a side, and nothing says how fights differ"
    if judged.turned and judged.difference is not None:
        more, less = ("more", "less") if k1 / n1 > k2 / n2 else ("less", "more")
        points = abs(100 * judged.difference.value)
        return (
            f"{said}{worth(q)}; taken together the first has {more}, and within {method} it turns round: "
            f"{points:.0f} points {less}"
        )
    differs = judged.homogeneity is not None and judged.homogeneity < 0.05
    return said + worth(q) + (f"; it is not the same in all {method}" if differs else "")


def _order(name: str, one: NextRow | None, two: NextRow | None) -> tuple[bool, int, str]:
    return name == NOTHING, -sum(row.times for row in (one, two) if row is not None), name


def _shares(
    sides: _Sides, tries: tuple[Tries, Tries], rows: tuple[Sequence[NextRow], Sequence[NextRow]], *, own: bool
) -> tuple[Compared, ...]:
    first, second = ({row.what: row for row in some} for some in rows)
    n1, n2 = (len(side) for side in tries)
    words = (NOTHING, *tries[0].columns.words["technique"])
    times, of = [], []
    for i, side in enumerate(tries):
        at = next_of(side, own=own)
        of_kind = side.columns.of_kind("technique")
        code = np.where(at >= 0, of_kind[side.columns.kind[np.maximum(at, 0)]], 0)
        times.append(sides.counted(i, code, len(words)))
        of.append(times[-1].sum(axis=0))
    place = {name: i for i, name in enumerate(words)}
    lines = {}
    parts: dict[str, tuple[Part | None, Part | None]] = {}
    judged = {}
    for name in sorted({*first, *second}, key=lambda n: _order(n, first.get(n), second.get(n))):
        a, b = first.get(name), second.get(name)
        lines[name] = (a.times if a else 0, n1, b.times if b else 0, n2)
        parts[name] = (a.behind, "times") if a else None, (b.behind, "times") if b else None
        judged[name] = sides.judge([times[0][place[name]], of[0], times[1][place[name]], of[1]])
    return compared(lines, parts, judged=judged, method=sides.method)

"""Two sides beside each other: fighters, fights, rounds or periods.

Each line compares one proportion: its difference with Newcombe's interval, Fisher's exact test, and, since
many lines are looked at together, Benjamini and Hochberg's adjusted p-value, by which the words are chosen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from cliplib.stats.proportions import Interval, adjusted, difference, fisher, in_words

from .counts import tally
from .following import NOTHING, NextRow, following
from .tries import NOT_KNOWN, Behind, Tries

Part = tuple[Behind, str]
"""The tries behind one number."""


@dataclass(frozen=True, slots=True)
class Compared:
    """One line: `k1` of `n1` against `k2` of `n2`. `p`: Fisher's; `q`: adjusted for the lines of its table.
    `behind1`, `behind2`: what k1 and k2 count."""

    what: str
    k1: int
    n1: int
    k2: int
    n2: int
    difference: Interval | None
    p: float
    q: float
    words: str
    behind1: Part | None = field(default=None, repr=False)
    behind2: Part | None = field(default=None, repr=False)

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
    as shares of the tries."""

    side1: Tries = field(repr=False)
    side2: Tries = field(repr=False)
    landed: tuple[Compared, ...]
    own: tuple[Compared, ...]
    other: tuple[Compared, ...]

    @property
    def tries1(self) -> int:
        return len(self.side1)

    @property
    def tries2(self) -> int:
        return len(self.side2)


def compare(one: Tries, two: Tries, *, by: str | None = None) -> Comparison:
    """`by`: a key by whose values landing is compared too (technique, target, place, round, ...)."""
    # Both sides by one rule: inferred outcomes count where neither has an unknown one.
    complete = all(not (side.category() == NOT_KNOWN).any() for side in (one, two))
    totals = [tally(side, (), None, complete=complete) for side in (one, two)]
    lines: dict[str, tuple[int, int, int, int]] = {}
    parts: dict[str, tuple[Part | None, Part | None]] = {}
    a, b = (table.total for table in totals)
    lines["all"] = (a.landed, a.known, b.landed, b.known)
    parts["all"] = ((totals[0].behind(), "landed"), (totals[1].behind(), "landed"))
    if by is not None:
        tables = [tally(side, (by,), None, complete=complete) for side in (one, two)]
        rows = [{row.values[0]: (i, row) for i, row in enumerate(table.rows)} for table in tables]
        for name in dict.fromkeys([*rows[0], *rows[1]]):
            counts: list[int] = []
            found: list[Part | None] = []
            for table, of_side in zip(tables, rows, strict=True):
                place, row = of_side.get(name, (None, None))
                counts += [row.landed, row.known] if row is not None else [0, 0]
                found.append((table.behind(place), "landed") if place is not None else None)
            if counts[1] + counts[3]:
                lines[name] = (counts[0], counts[1], counts[2], counts[3])
                parts[name] = (found[0], found[1])
    after1, after2 = following(one), following(two)
    return Comparison(
        one,
        two,
        compared(lines, parts),
        _shares(after1.own, after2.own, len(one), len(two)),
        _shares(after1.other, after2.other, len(one), len(two)),
    )


def compared(
    lines: Mapping[str, tuple[int, int, int, int]],
    parts: Mapping[str, tuple[Part | None, Part | None]],
    *,
    tested: Sequence[tuple[float, float]] | None = None,
) -> tuple[Compared, ...]:
    """Lines of (k1, n1, k2, n2), tested together; `parts`: what each one's k1 and k2 count. `tested`: (p, q)
    of each line, where they were found in another way."""
    p, q = zip(*tested, strict=True) if tested else _tested(lines)
    return tuple(
        Compared(
            what, k1, n1, k2, n2, difference(k1, n1, k2, n2), p[i], q[i], in_words(k1, n1, k2, n2, q[i]),
            *parts[what],
        )
        for i, (what, (k1, n1, k2, n2)) in enumerate(lines.items())
    )  # fmt: skip


def _tested(lines: Mapping[str, tuple[int, int, int, int]]) -> tuple[Sequence[float], Sequence[float]]:
    """(p, q) of each line: Fisher's exact test, and Benjamini and Hochberg's adjustment."""
    p = [fisher(k1, n1 - k1, k2, n2 - k2) for k1, n1, k2, n2 in lines.values()]
    # Where one side has nothing there is nothing to find, so that it is no look.
    looks = [i for i, (_, n1, _, n2) in enumerate(lines.values()) if n1 and n2]
    q = [1.0] * len(p)
    for i, of_look in zip(looks, adjusted([p[i] for i in looks]), strict=True):
        q[i] = of_look
    return p, q


def _order(name: str, one: NextRow | None, two: NextRow | None) -> tuple[bool, int, str]:
    return name == NOTHING, -sum(row.times for row in (one, two) if row is not None), name


def _shares(one: tuple[NextRow, ...], two: tuple[NextRow, ...], n1: int, n2: int) -> tuple[Compared, ...]:
    first, second = {row.what: row for row in one}, {row.what: row for row in two}
    lines = {}
    parts: dict[str, tuple[Part | None, Part | None]] = {}
    for name in sorted({*first, *second}, key=lambda n: _order(n, first.get(n), second.get(n))):
        a, b = first.get(name), second.get(name)
        lines[name] = (a.times if a else 0, n1, b.times if b else 0, n2)
        parts[name] = (a.behind, "times") if a else None, (b.behind, "times") if b else None
    return compared(lines, parts)

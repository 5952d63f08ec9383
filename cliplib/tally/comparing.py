"""Two sides beside each other: fighters, fights, rounds or periods.

Each line compares one proportion: its difference with Newcombe's interval, Fisher's exact test, and, since
many lines are looked at together, Benjamini and Hochberg's adjusted p-value, by which the words are chosen.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from cliplib.proportions import Interval, adjusted, difference, fisher, in_words

from .counts import tally
from .following import NOTHING, NextRow, following
from .tries import Tries


@dataclass(frozen=True, slots=True)
class Compared:
    """One line: `k1` of `n1` against `k2` of `n2`. `p`: Fisher's; `q`: adjusted for the lines of its table.
    `clips1`, `clips2`: numbers of the clips behind k1 and k2."""

    what: str
    k1: int
    n1: int
    k2: int
    n2: int
    difference: Interval | None
    p: float
    q: float
    words: str
    clips1: tuple[int, ...] = ()
    clips2: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Comparison:
    """`landed`: of those with a known outcome. `own`, `other`: what came next, as shares of the tries."""

    tries1: int
    tries2: int
    landed: tuple[Compared, ...]
    own: tuple[Compared, ...]
    other: tuple[Compared, ...]


def compare(one: Tries, two: Tries, *, by: str | None = None) -> Comparison:
    """`by`: a key by whose values landing is compared too (technique, target, place, round, ...)."""
    totals = [tally(side, (), None) for side in (one, two)]
    lines: dict[str, tuple[int, int, int, int]] = {}
    clips: dict[str, tuple[list[int], list[int]]] = {}
    a, b = (table.total for table in totals)
    lines["all"] = (a.landed, a.known, b.landed, b.known)
    clips["all"] = (totals[0].clips(None, "landed"), totals[1].clips(None, "landed"))
    if by is not None:
        tables = [tally(side, (by,), None) for side in (one, two)]
        rows = [{row.values[0]: (i, row) for i, row in enumerate(table.rows)} for table in tables]
        for name in dict.fromkeys([*rows[0], *rows[1]]):
            counts, found = [], []
            for table, of_side in zip(tables, rows, strict=True):
                place, row = of_side.get(name, (None, None))
                counts += [row.landed, row.known] if row is not None else [0, 0]
                found.append(table.clips(place, "landed") if place is not None else [])
            if counts[1] + counts[3]:
                lines[name] = (counts[0], counts[1], counts[2], counts[3])
                clips[name] = (found[0], found[1])
    after1, after2 = following(one), following(two)
    return Comparison(
        len(one),
        len(two),
        compared(lines, clips),
        _shares(after1.own, after2.own, len(one), len(two)),
        _shares(after1.other, after2.other, len(one), len(two)),
    )


def compared(
    lines: Mapping[str, tuple[int, int, int, int]],
    clips: Mapping[str, tuple[list[int], list[int]]] | None = None,
) -> tuple[Compared, ...]:
    """Lines of (k1, n1, k2, n2), tested together."""
    p = [fisher(k1, n1 - k1, k2, n2 - k2) for k1, n1, k2, n2 in lines.values()]
    found = []
    for (what, (k1, n1, k2, n2)), one, q in zip(lines.items(), p, adjusted(p), strict=True):
        behind = (clips or {}).get(what, ([], []))
        found.append(
            Compared(
                what, k1, n1, k2, n2, difference(k1, n1, k2, n2), one, q, in_words(k1, n1, k2, n2, q),
                tuple(behind[0]), tuple(behind[1]),
            )
        )  # fmt: skip
    return tuple(found)


def _order(name: str, one: NextRow | None, two: NextRow | None) -> tuple[bool, int, str]:
    return name == NOTHING, -sum(row.times for row in (one, two) if row is not None), name


def _shares(one: tuple[NextRow, ...], two: tuple[NextRow, ...], n1: int, n2: int) -> tuple[Compared, ...]:
    first, second = {row.what: row for row in one}, {row.what: row for row in two}
    lines, clips = {}, {}
    for name in sorted({*first, *second}, key=lambda n: _order(n, first.get(n), second.get(n))):
        a, b = first.get(name), second.get(name)
        lines[name] = (a.times if a else 0, n1, b.times if b else 0, n2)
        clips[name] = (
            a.tries.exchange_ids().tolist() if a else [],
            b.tries.exchange_ids().tolist() if b else [],
        )
    return compared(lines, clips)

"""What a count is worth: intervals for proportions, differences, exact tests, false discoveries.

Exchanges of one fight are not independent draws; an interval from one fight describes that fight, and every
table that shows one says so. All functions are pure; levels and proportions are fractions of one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import comb, sqrt
from statistics import NormalDist

import numpy as np


@dataclass(frozen=True, slots=True)
class Interval:
    """A value with its lower and upper bound."""

    value: float
    low: float
    high: float


def _checked(successes: int, tries: int) -> None:
    if not 0 <= successes <= tries:
        raise ValueError(f"{successes} of {tries} is not a proportion")


@lru_cache(maxsize=16)
def _z(level: float) -> float:
    return NormalDist().inv_cdf(0.5 + level / 2)


def wilson(successes: int, tries: int, level: float = 0.95) -> Interval | None:
    """Wilson's score interval without continuity correction; None for no tries.

    Newcombe 1998, Stat Med 17:857, method 3.
    """
    _checked(successes, tries)
    if tries == 0:
        return None
    z, p = _z(level), successes / tries
    middle = p + z * z / (2 * tries)
    reach = z * sqrt(p * (1 - p) / tries + z * z / (4 * tries * tries))
    scale = 1 + z * z / tries
    # At 0 and at all, one bound is exact; rounding must not move it off by a hair.
    low = 0.0 if successes == 0 else (middle - reach) / scale
    high = 1.0 if successes == tries else (middle + reach) / scale
    return Interval(p, low, high)


def difference(
    successes1: int, tries1: int, successes2: int, tries2: int, level: float = 0.95
) -> Interval | None:
    """First proportion less the second, with Newcombe's hybrid score interval; None if either has no tries.

    Newcombe 1998, Stat Med 17:873, method 10.
    """
    one, two = wilson(successes1, tries1, level), wilson(successes2, tries2, level)
    if one is None or two is None:
        return None
    value = one.value - two.value
    return Interval(
        value,
        value - sqrt((one.value - one.low) ** 2 + (two.high - two.value) ** 2),
        value + sqrt((one.high - one.value) ** 2 + (two.value - two.low) ** 2),
    )


def fisher(a: int, b: int, c: int, d: int) -> float:
    """Two-sided p of Fisher's exact test on [[a, b], [c, d]]: all tables at most as likely as this one.

    In whole numbers, so that ties are ties; for large tables in logarithms, where tables within one in ten
    million of each other count as ties. Fisher 1935, The Design of Experiments, chapter II.
    """
    if min(a, b, c, d) < 0:
        raise ValueError("counts cannot be negative")
    row, column, total = a + b, a + c, a + b + c + d
    low, high = max(0, column - (total - row)), min(row, column)
    if total > _LARGE:
        return _fisher_large(a, row, column, total, low, high)
    ways = [comb(row, low) * comb(total - row, column - low)]
    for k in range(low, high):
        ways.append(ways[-1] * (row - k) * (column - k) // ((k + 1) * (total - row - column + k + 1)))
    return sum(w for w in ways if w <= ways[a - low]) / comb(total, column)


_LARGE = 1000


def _fisher_large(a: int, row: int, column: int, total: int, low: int, high: int) -> float:
    """Beyond 40 standard deviations and 200 tables of the likeliest table a probability is less than the
    least number there is."""
    middle = (row + 1) * (column + 1) // (total + 2)
    spread = sqrt(row * column * (total - row) * (total - column) / (total * total * (total - 1)))
    reach = int(40 * spread) + 200
    first, last = max(low, middle - reach), min(high, middle + reach)
    if not first <= a <= last:
        return 0.0
    k = np.arange(first, last, dtype=np.float64)
    step = np.log((row - k) * (column - k)) - np.log((k + 1) * (total - row - column + k + 1))
    ways = np.concatenate([[0.0], np.cumsum(step)])
    shares = np.exp(ways - ways.max())
    p = shares[shares <= shares[a - first] * (1 + 1e-7)].sum() / shares.sum()
    return min(1.0, float(p))


def fisher_greater(a: int, b: int, c: int, d: int) -> float:
    """One-sided p: tables with at least `a` in the first cell."""
    row, column, total = a + b, a + c, a + b + c + d
    upper = sum(comb(row, k) * comb(total - row, column - k) for k in range(a, min(row, column) + 1))
    return upper / comb(total, column)


def adjusted(p_values: Sequence[float]) -> list[float]:
    """Benjamini and Hochberg's adjusted p-values, in the order given: reject those up to your rate.

    Benjamini and Hochberg 1995, J R Stat Soc B 57:289.
    """
    order = sorted(range(len(p_values)), key=lambda i: p_values[i])
    result, least = [1.0] * len(p_values), 1.0
    for rank in range(len(order), 0, -1):
        least = min(least, p_values[order[rank - 1]] * len(order) / rank)
        result[order[rank - 1]] = least
    return result


def in_words(successes1: int, tries1: int, successes2: int, tries2: int, p: float) -> str:
    """`4 of 9 against 1 of 12: could be chance`."""
    counts = f"{successes1} of {tries1} against {successes2} of {tries2}"
    if min(tries1, tries2) == 0:
        return f"{counts}: nothing to compare"
    return f"{counts}: {worth(p)}"


def worth(p: float) -> str:
    """What a p-value, plain or adjusted, is worth in words. The bounds .05 and .005 are convention."""
    if p < 0.005:
        return "chance alone would hardly do this"
    if p < 0.05:
        return "probably not chance alone"
    return "could be chance"


def said_p(p: float | None) -> str:
    """A p-value for people, never nought: what was not seen in so many arrangements can happen."""
    if p is None:
        return ""
    return "< 0.001" if p < 0.001 else f"{p:.3f}"


def told_apart(low: float, high: float, places: int, sign: str = "") -> tuple[str, str]:
    """Both ends of an interval for people, with so many decimal places; with more where rounding would leave
    an interval of no width, which nothing that is counted has. `sign`: "+" where a plus is shown, too."""
    for more in range(places, places + 4):
        ends = f"{low:{sign}.{more}f}", f"{high:{sign}.{more}f}"
        if ends[0].lstrip("+-") != ends[1].lstrip("+-"):
            return ends
    return f"{low:{sign}.{places}f}", f"{high:{sign}.{places}f}"

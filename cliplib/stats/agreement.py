"""How far two people who logged the same fight agree. Pure functions over counts and tables.

A square table has one person's categories down and the other's across; shape (k, k), whole numbers.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from cliplib.stats.proportions import Interval, wilson

Table = Sequence[Sequence[int]] | npt.NDArray[np.int64]

BANDS = (
    (0.20, "slight"),
    (0.40, "fair"),
    (0.60, "moderate"),
    (0.80, "substantial"),
    (1.00, "almost perfect"),
)
"""Landis and Koch 1977, Biometrics 33:159."""


def _shares(table: Table) -> tuple[npt.NDArray[np.float64], int]:
    counts = np.asarray(table, dtype=np.float64)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1] or (counts < 0).any():
        raise ValueError("an agreement table is square and holds counts")
    total = counts.sum()
    if total == 0:
        raise ValueError("an agreement table needs at least one pair")
    return counts / total, int(total)


def kappa_from_margins(observed: float, rows: Sequence[int], columns: Sequence[int]) -> float:
    """Cohen's kappa when only the share of agreement and both people's totals are known."""
    expected = sum(r * c for r, c in zip(rows, columns, strict=True)) / (sum(rows) * sum(columns))
    return (observed - expected) / (1 - expected)


def kappa(table: Table, level: float = 0.95) -> Interval | None:
    """Cohen's kappa with its large-sample interval; None where it says nothing: all pairs fall into one
    category for both, or the interval would have no width, as where all are alike.

    Cohen 1960, Educ Psychol Meas 20:37; variance of Fleiss, Cohen and Everitt 1969, Psychol Bull 72:323.
    """
    p, total = _shares(table)
    rows, columns = p.sum(axis=1), p.sum(axis=0)
    observed, expected = float(np.trace(p)), float(rows @ columns)
    if expected >= 1:
        return None
    value = (observed - expected) / (1 - expected)
    diagonal = np.diag(p) * ((1 - expected) - (rows + columns) * (1 - observed)) ** 2
    beside = p * (columns[:, None] + rows[None, :]) ** 2
    off = (beside.sum() - np.trace(beside)) * (1 - observed) ** 2
    last = (observed * expected - 2 * expected + observed) ** 2
    variance = (diagonal.sum() + off - last) / (total * (1 - expected) ** 4)
    if variance < 1e-12:
        return None
    reach = NormalDist().inv_cdf(0.5 + level / 2) * sqrt(max(0.0, float(variance)))
    return Interval(value, max(-1.0, value - reach), min(1.0, value + reach))


def positive_agreement(both: int, first: int, second: int, level: float = 0.95) -> Interval | None:
    """How far two people agree on what was there: twice what both have, of all that either has (F1; Dice
    1945, Ecology 26:297). Of `first` and `second`, how much each has; None where neither has anything.

    Interval: Wilson's for what both have out of what at least one has (J), carried over: F1 = 2 J / (1 + J).
    """
    shared = wilson(both, first + second - both, level)
    if shared is None:
        return None
    return Interval(*(2 * j / (1 + j) for j in (shared.value, shared.low, shared.high)))


def ac1(table: Table) -> float:
    """Gwet's AC1, steadier than kappa where one category is rare. Gwet 2008, Br J Math Stat Psychol 61:29."""
    p, _ = _shares(table)
    share = (p.sum(axis=1) + p.sum(axis=0)) / 2
    expected = float((share * (1 - share)).sum()) / (len(share) - 1)
    return (float(np.trace(p)) - expected) / (1 - expected)


def percent_error(first: Sequence[int], second: Sequence[int]) -> float | None:
    """100 * sum|V1 - V2| / mean total; None when both counted nothing.

    Hughes, Cooper and Nevill 2002. They take 5 % as the limit (from memory).
    """
    both = sum(first) + sum(second)
    if both == 0:
        return None
    return 100 * sum(abs(a - b) for a, b in zip(first, second, strict=True)) / (both / 2)


def band(value: float) -> str:
    """The word that Landis and Koch gave a kappa."""
    if value < 0:
        return "poor"
    return next(word for upper, word in BANDS if value <= upper + 1e-12)

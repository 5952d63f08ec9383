"""Counts that come from several fights are not one sample: fights differ among themselves.

`stratified` compares two sides within strata that hold both of them (fights, opponents); `clustered` compares
sides that are whole fights, with fights as the units; `pooled` is a proportion over fights whose interval
carries the spread between them. Pure functions; a stratum is (successes, tries) of each side.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import atan, cos, erfc, exp, inf, lgamma, log, pi, sin, sqrt
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from cliplib.stats.proportions import Interval, wilson

Stratum = tuple[int, int, int, int]
"""Successes and tries of the first side, successes and tries of the second."""
Strata = npt.NDArray[np.float64]  # [n, 4]
Cluster = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Stratified:
    """`chi_squared`, `p`: Cochran, Mantel and Haenszel, with continuity correction. `guarded`: p where strata
    differ in what they say more than chance would have it, by Student's t with the strata as units; else as
    `p`. `odds`: the common odds ratio. `difference`: the common difference of proportions. `homogeneity`:
    Breslow and Day's p, that the odds ratio is one and the same; None for a single stratum or an odds ratio
    of 0 or infinity."""

    chi_squared: float
    p: float
    guarded: float
    odds: Interval
    difference: Interval
    homogeneity: float | None


_APART = 1.0
_APART_OF_TWO = 0.3
"""Strata differ in what they say when their chi-squared is more than so many degrees of freedom; of two
there is one degree only, so that less has to do. Found by simulation (see the tests)."""


def stratified(strata: Sequence[Stratum] | npt.NDArray[np.int64], level: float = 0.95) -> Stratified | None:
    """Two sides compared within strata; None where no stratum has tries of both and an outcome to compare.

    Mantel and Haenszel 1959, J Natl Cancer Inst 22:719; variance of the odds ratio: Robins, Breslow and
    Greenland 1986, Biometrics 42:311; of the difference: Sato 1989, Biometrics 45:1323; homogeneity: Breslow
    and Day 1980, IARC Sci Publ 32.
    """
    both = np.asarray(strata, np.float64).reshape(-1, 4)
    both = both[(both[:, 1] > 0) & (both[:, 3] > 0)]
    k1, n1, k2, n2 = both.T
    n, k = n1 + n2, k1 + k2
    surplus = float((k1 - n1 * k / n).sum())
    variance = float((n1 * n2 * k * (n - k) / (n * n * (n - 1))).sum())  # both have tries, so that n > 1
    if variance <= 0:
        return None
    chi = max(0.0, abs(surplus) - 0.5) ** 2 / variance
    z = NormalDist().inv_cdf(0.5 + level / 2)
    odds = _odds(both, z)
    plain, difference = erfc(sqrt(chi / 2)), _difference(both, z)
    return Stratified(
        chi, plain, _guarded(both, chi, plain, difference.value), odds, difference,
        _breslow_day(both, odds.value),
    )  # fmt: skip


def _guarded(strata: Strata, chi: float, plain: float, difference: float) -> float:
    k1, n1, k2, n2 = strata.T
    rate = (k1 + k2) / (n1 + n2)
    some = (rate > 0) & (rate < 1)
    off, alone = k1 / n1 - k2 / n2 - difference, rate * (1 - rate) * (1 / n1 + 1 / n2)
    apart = float((off[some] ** 2 / alone[some]).sum())
    freedom = len(strata) - 1
    if not freedom or apart <= freedom * (_APART if freedom > 1 else _APART_OF_TWO):
        return plain
    return max(plain, t_beyond(sqrt(chi / max(1.0, apart / freedom)), freedom))


def _odds(strata: Strata, z: float) -> Interval:
    k1, n1, k2, n2 = strata.T
    n = n1 + n2
    p, q = (k1 + n2 - k2) / n, (k2 + n1 - k1) / n
    a, b = k1 * (n2 - k2) / n, k2 * (n1 - k1) / n
    r, s, pr, ps_qr, qs = (float(each.sum()) for each in (a, b, p * a, p * b + q * a, q * b))
    if not r or not s:
        return Interval(inf if r else 0.0, 0.0, inf)
    reach = z * sqrt(pr / (2 * r * r) + ps_qr / (2 * r * s) + qs / (2 * s * s))
    return Interval(r / s, r / s * exp(-reach), r / s * exp(reach))


def _difference(strata: Strata, z: float) -> Interval:
    k1, n1, k2, n2 = strata.T
    n = n1 + n2
    weight = float((n1 * n2 / n).sum())
    value = float(((k1 * n2 - k2 * n1) / n).sum()) / weight
    p = float(((n1 * n1 * k2 - n2 * n2 * k1 + n1 * n2 * (n2 - n1) / 2) / n**2).sum())
    q = float(((k1 * (n2 - k2) + k2 * (n1 - k1)) / (2 * n)).sum())
    reach = z * sqrt(max(0.0, value * p + q)) / weight
    return Interval(value, max(-1.0, value - reach), min(1.0, value + reach))


def _breslow_day(strata: Strata, odds: float) -> float | None:
    if len(strata) < 2 or not 0 < odds < inf:
        return None
    k1, n1, k2, n2 = strata.T
    k = k1 + k2
    low, high = np.maximum(0, k - n2), np.minimum(n1, k)
    some = low < high
    k1, n1, n2, k, low, high = (each[some] for each in (k1, n1, n2, k, low, high))
    if len(k) < 2:
        return None
    # The count that has this odds ratio within the stratum's margins: a x^2 + b x + c = 0.
    a, b, c = 1 - odds, n2 - k + odds * (n1 + k), -odds * n1 * k
    if abs(a) < 1e-12:
        expected = -c / b
    else:
        root = np.sqrt(np.maximum(0.0, b * b - 4 * a * c))
        expected = low
        for one in ((-b - root) / (2 * a), (-b + root) / (2 * a)):
            expected = np.where((one >= low - 1e-9) & (one <= high + 1e-9), one, expected)
    cells = np.maximum([expected, n1 - expected, k - expected, n2 - k + expected], 1e-12)
    chi = float(((k1 - expected) ** 2 * (1 / cells).sum(axis=0)).sum())
    return chi_squared_above(chi, len(k) - 1)


# --- fights as units ----------------------------------------------------------------------------------------


def _spread(clusters: Sequence[Cluster]) -> tuple[float, float]:
    """(variance of the pooled proportion between clusters, if they were one sample): Cochran 1977, Sampling
    Techniques, 3rd edition, section 3.12 (ratio of two totals)."""
    k, n, m = sum(c[0] for c in clusters), sum(c[1] for c in clusters), len(clusters)
    rate = k / n
    between = m / (m - 1) * sum((a - rate * b) ** 2 for a, b in clusters) / (n * n) if m > 1 else 0.0
    return between, rate * (1 - rate) / n


def pooled(clusters: Sequence[Cluster], level: float = 0.95) -> Interval | None:
    """A proportion over several fights with Wilson's interval at the effective number of tries: fewer than
    there are, by how much more fights differ than chance would have it (Rao and Scott 1992, Biometrics
    48:577), with Student's t for few fights (Korn and Graubard 1998, Survey Methodology 24:193). None for no
    tries."""
    some = [c for c in clusters if c[1]]
    k, n = sum(c[0] for c in some), sum(c[1] for c in some)
    plain = wilson(k, n, level)
    if plain is None or len(some) < 2:
        return plain
    between, alone = _spread(some)
    return widened(plain, n, between / alone if alone else 1.0, len(some), level)


def widened(plain: Interval, tries: int, design: float, clusters: int, level: float = 0.95) -> Interval:
    """Wilson's plain interval of so many tries made as wide as `design`, the ratio of the variance between
    clusters to that of one sample, and their number ask for; see `pooled`."""
    if clusters < 2 or design <= 1:
        return plain
    z = NormalDist().inv_cdf(0.5 + level / 2)
    fewer = tries / design * (z / t_quantile(0.5 + level / 2, clusters - 1)) ** 2
    wide = _wilson_of(plain.value, fewer, z)
    return Interval(plain.value, min(plain.low, wide.low), max(plain.high, wide.high))


def _wilson_of(p: float, n: float, z: float) -> Interval:
    middle, scale = p + z * z / (2 * n), 1 + z * z / n
    reach = z * sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    return Interval(p, max(0.0, (middle - reach) / scale), min(1.0, (middle + reach) / scale))


@dataclass(frozen=True, slots=True)
class Clustered:
    difference: Interval
    p: float


def clustered(one: Sequence[Cluster], two: Sequence[Cluster], level: float = 0.95) -> Clustered | None:
    """Two sides that are whole fights: their difference by Student's t, with the spread between the fights of
    both sides together and as many degrees of freedom as fights beyond the first of each side. None for no
    tries, or one fight a side: nothing then says how fights differ."""
    sides = [[c for c in side if c[1]] for side in (one, two)]
    if not all(sides) or len(sides[0]) + len(sides[1]) < 3:
        return None
    sums = [(sum(c[0] for c in side), sum(c[1] for c in side)) for side in sides]
    freedom = len(sides[0]) + len(sides[1]) - 2
    # How much more tries vary than as one sample: from both sides, so that one fight on a side will do.
    excess = 0.0
    for side, (k, n) in zip(sides, sums, strict=True):
        rate = k / n
        if 0 < rate < 1:
            excess += sum((a - rate * b) ** 2 / (b * rate * (1 - rate)) for a, b in side)
    design = max(1.0, excess / freedom)
    value = sums[0][0] / sums[0][1] - sums[1][0] / sums[1][1]
    rate = (sums[0][0] + sums[1][0]) / (sums[0][1] + sums[1][1])
    error = sqrt(design * rate * (1 - rate) * (1 / sums[0][1] + 1 / sums[1][1]))
    own = sqrt(design * sum((k + 1) / (n + 2) * (1 - (k + 1) / (n + 2)) / n for k, n in sums))
    reach = t_quantile(0.5 + level / 2, freedom) * own
    p = 1.0 if not error else t_beyond(value / error, freedom)
    return Clustered(Interval(value, max(-1.0, value - reach), min(1.0, value + reach)), p)


# --- distributions ------------------------------------------------------------------------------------------


def chi_squared_above(value: float, freedom: int) -> float:
    """P(chi-squared >= value): in closed form (Abramowitz and Stegun 1964, 26.4.4 and 26.4.5)."""
    if value <= 0:
        return 1.0
    half = value / 2
    # Each term by its logarithm: with a thousand degrees of freedom e^-half is too small for a number of the
    # machine, and the sum that it is multiplied by too large.
    shift = 0.5 if freedom % 2 else 0.0
    power = np.arange(freedom // 2) + shift
    logs = power * log(half) - half - lgamma(1 + shift)
    logs[1:] -= np.cumsum(np.log(power[1:]))
    found = float(np.exp(logs).sum())
    return min(1.0, found + (erfc(sqrt(half)) if shift else 0.0))


def t_beyond(value: float, freedom: int) -> float:
    """P(|t| >= value), Student's t, in closed form (Abramowitz and Stegun 1964, 26.7.3 and 26.7.4)."""
    angle = atan(abs(value) / sqrt(freedom))
    square = cos(angle) ** 2
    terms, term = 0.0, 1.0
    if freedom % 2 == 0:
        for i in range(freedom // 2):
            terms += term
            term *= (2 * i + 1) / (2 * i + 2) * square
        within = sin(angle) * terms
    else:
        term = cos(angle)
        for i in range((freedom - 1) // 2):
            terms += term
            term *= (2 * i + 2) / (2 * i + 3) * square
        within = 2 / pi * (angle + sin(angle) * terms)
    return min(1.0, max(0.0, 1 - within))


@lru_cache(maxsize=256)
def t_quantile(level: float, freedom: int) -> float:
    """The value that t does not exceed with a probability of `level` (above one half); by bisection."""
    low, high = 0.0, 1e6
    for _ in range(200):
        middle = (low + high) / 2
        if 1 - t_beyond(middle, freedom) / 2 < level:
            low = middle
        else:
            high = middle
    return (low + high) / 2

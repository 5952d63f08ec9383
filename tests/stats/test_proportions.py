"""Intervals and tests against published tables, and against statsmodels and SciPy on random tables."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from cliplib.stats import proportions


# Newcombe 1998, Stat Med 17:857, table I, method 3 (read in a secondary text).
@pytest.mark.parametrize(
    ("k", "n", "low", "high"),
    [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_wilson_as_published(k: int, n: int, low: float, high: float) -> None:
    found = proportions.wilson(k, n)
    assert found is not None
    assert found.low == pytest.approx(low, abs=5e-5)
    assert found.high == pytest.approx(high, abs=5e-5)


# Newcombe 1998, Stat Med 17:873, table II, method 10 (read in a secondary text).
@pytest.mark.parametrize(
    ("counts", "low", "high"),
    [
        ((56, 70, 48, 80), 0.0524, 0.3339),
        ((9, 10, 3, 10), 0.1705, 0.8090),
        ((6, 7, 2, 7), 0.0582, 0.8062),
        ((5, 56, 0, 29), -0.0381, 0.1926),
        ((0, 10, 0, 20), -0.1611, 0.2775),
        ((10, 10, 0, 20), 0.6791, 1.0),
    ],
)
def test_difference_as_published(counts: tuple[int, int, int, int], low: float, high: float) -> None:
    found = proportions.difference(*counts)
    assert found is not None
    assert found.low == pytest.approx(low, abs=5e-5)
    assert found.high == pytest.approx(high, abs=5e-5)


def test_fisher_tasting_tea() -> None:
    """Fisher 1935, chapter II: the lady tasting tea."""
    assert proportions.fisher_greater(4, 0, 0, 4) == pytest.approx(1 / 70)
    assert proportions.fisher_greater(3, 1, 1, 3) == pytest.approx(0.2429, abs=5e-5)
    assert proportions.fisher(3, 1, 1, 3) == pytest.approx(0.4857, abs=5e-5)  # computed from the table


def test_false_discoveries_as_published() -> None:
    """Benjamini and Hochberg 1995, the fifteen p-values of their example (from memory)."""
    p = [.0001, .0004, .0019, .0095, .0201, .0278, .0298, .0344,
         .0459, .3240, .4262, .5719, .6528, .7590, 1]  # fmt: skip
    assert sum(q <= 0.05 for q in proportions.adjusted(p)) == 4
    assert sum(multipletests(p, 0.05, "holm")[0]) == 3  # the stricter method they compare with


def test_against_reference_libraries() -> None:
    rng = np.random.default_rng(5)
    for _ in range(300):
        n1, n2 = rng.integers(1, 60, 2).tolist()
        k1, k2 = int(rng.integers(0, n1 + 1)), int(rng.integers(0, n2 + 1))
        one = proportions.wilson(k1, n1)
        assert one is not None
        assert (one.low, one.high) == pytest.approx(proportion_confint(k1, n1, method="wilson"), abs=1e-12)
        both = proportions.difference(k1, n1, k2, n2)
        assert both is not None
        theirs = confint_proportions_2indep(k1, n1, k2, n2, compare="diff", method="newcomb")
        assert (both.low, both.high) == pytest.approx(theirs, abs=1e-9)
        table = (k1, n1 - k1, k2, n2 - k2)
        p = stats.fisher_exact([table[:2], table[2:]]).pvalue
        assert proportions.fisher(*table) == pytest.approx(p, abs=1e-9)


def test_large_tables_against_reference_library() -> None:
    """Counts of a whole archive: too large for whole numbers in a moment, the same to six digits."""
    rng = np.random.default_rng(8)
    for _ in range(100):
        n1, n2 = rng.integers(300, 200_000, 2).tolist()
        share = float(rng.random() ** 3)
        k1 = int(rng.binomial(n1, share))
        k2 = int(rng.binomial(n2, min(1.0, share * float(rng.choice([1, 1.01, 1.05, 2])))))
        p = stats.fisher_exact([[k1, n1 - k1], [k2, n2 - k2]]).pvalue
        assert proportions.fisher(k1, n1 - k1, k2, n2 - k2) == pytest.approx(p, rel=1e-6, abs=1e-300)
    assert proportions.fisher(0, 100_000, 100_000, 0) == 0


def test_adjusted_against_reference_library() -> None:
    rng = np.random.default_rng(6)
    for size in (1, 2, 7, 40):
        p = rng.random(size).tolist()
        assert proportions.adjusted(p) == pytest.approx(multipletests(p, method="fdr_bh")[1].tolist())
    assert proportions.adjusted([]) == []


def test_nothing_tried_has_no_rate() -> None:
    assert proportions.wilson(0, 0) is None
    assert proportions.difference(0, 0, 1, 2) is None
    with pytest.raises(ValueError, match="3 of 2"):
        proportions.wilson(3, 2)


def test_words_for_a_coach() -> None:
    p = proportions.fisher(4, 5, 1, 11)
    assert proportions.in_words(4, 9, 1, 12, p) == "4 of 9 against 1 of 12: could be chance"
    assert "hardly" in proportions.in_words(10, 10, 0, 20, proportions.fisher(10, 0, 0, 20))
    assert "nothing to compare" in proportions.in_words(0, 0, 1, 2, 1.0)


def test_no_interval_is_said_without_a_width() -> None:
    """1,122 of 1,122: n / (n + z^2) by Wilson's formula, which rounds to 100 %."""
    found = proportions.wilson(1122, 1122)
    assert found is not None
    assert found.low == pytest.approx(1122 / (1122 + 1.959964**2), abs=1e-6)
    assert proportions.told_apart(100 * found.low, 100 * found.high, 0) == ("99.7", "100.0")
    assert proportions.told_apart(20.6, 47.2, 0) == ("21", "47")
    assert proportions.told_apart(-0.3, 0.2, 0, "+") == ("-0.3", "+0.2")
    assert proportions.told_apart(0.5, 0.5, 2) == ("0.50", "0.50")

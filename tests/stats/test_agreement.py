"""Agreement against worked examples in print, and against scikit-learn and statsmodels on random tables."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.inter_rater import cohens_kappa

from cliplib.stats import agreement


def test_handbook_table() -> None:
    """O'Donoghue 2010, chapter 7, tables 7.1 and 7.2 (totals and diagonal read there; kappa computed)."""
    rows = [79, 42, 237, 19, 169, 92, 718]
    columns = [80, 41, 243, 19, 151, 78, 744]
    diagonal = [78, 38, 232, 17, 131, 70, 690]
    assert sum(rows) == sum(columns) == 1356
    observed = sum(diagonal) / 1356
    assert observed == pytest.approx(0.9263, abs=5e-5)
    assert agreement.kappa_from_margins(observed, rows, columns) == pytest.approx(0.8875, abs=5e-5)
    printed = [1.3, 2.4, 2.5, 0, 11.3, 16.5, 3.6]
    for a, b, percent in zip(rows, columns, printed, strict=True):
        assert agreement.percent_error([a], [b]) == pytest.approx(percent, abs=0.0501)


def test_percent_error_of_a_session() -> None:
    """Hughes 2004, table 9.3 (counts read there; the result computed)."""
    found = agreement.percent_error([51, 102, 39, 49, 6, 14], [53, 108, 40, 49, 6, 15])
    assert found == pytest.approx(3.76, abs=0.005)
    assert agreement.percent_error([0], [0]) is None


def test_known_tables() -> None:
    """Textbook tables (from memory), confirmed by scikit-learn below."""
    first = agreement.kappa([[20, 5], [10, 15]])
    assert first is not None
    assert first.value == pytest.approx(0.4)
    assert agreement.ac1([[20, 5], [10, 15]]) == pytest.approx(0.4059, abs=5e-5)
    rare = agreement.kappa([[118, 5], [2, 0]])
    assert rare is not None
    assert rare.value == pytest.approx(-0.0234, abs=5e-5)
    assert agreement.ac1([[118, 5], [2, 0]]) == pytest.approx(0.9408, abs=5e-5)
    three = agreement.kappa([[75, 1, 4], [5, 4, 1], [0, 0, 10]])
    assert three is not None
    assert three.value == pytest.approx(0.6765, abs=5e-5)


def test_against_reference_libraries() -> None:
    rng = np.random.default_rng(7)
    for _ in range(100):
        k = int(rng.integers(2, 6))
        table = rng.integers(0, 15, (k, k)) + np.eye(k, dtype=int)
        pairs = [(i, j) for i in range(k) for j in range(k) for _ in range(table[i, j])]
        ours = agreement.kappa(table)
        assert ours is not None
        assert ours.value == pytest.approx(cohen_kappa_score(*zip(*pairs, strict=True)), abs=1e-12)
        theirs = cohens_kappa(table)
        assert ours.low == pytest.approx(max(-1, theirs.kappa_low), abs=1e-9)
        assert ours.high == pytest.approx(min(1, theirs.kappa_upp), abs=1e-9)


def test_one_category_has_no_kappa() -> None:
    assert agreement.kappa([[9, 0], [0, 0]]) is None
    with pytest.raises(ValueError, match="at least one pair"):
        agreement.kappa([[0, 0], [0, 0]])


# Landis and Koch 1977 (read).
@pytest.mark.parametrize(
    ("value", "word"),
    [
        (-0.1, "poor"),
        (0.2, "slight"),
        (0.4, "fair"),
        (0.6, "moderate"),
        (0.8, "substantial"),
        (0.81, "almost perfect"),
    ],
)
def test_bands(value: float, word: str) -> None:
    assert agreement.band(value) == word


def test_positive_agreement_is_scikit_learns_f1() -> None:
    """Actions that each of two people has or has not: F1 of one against the other."""
    from sklearn.metrics import f1_score

    rng = np.random.default_rng(3)
    for _ in range(30):
        one, two = rng.random((2, 40)) < rng.uniform(0.2, 0.9)
        found = agreement.positive_agreement(int((one & two).sum()), int(one.sum()), int(two.sum()))
        assert found is not None
        assert found.value == pytest.approx(f1_score(one, two))
        assert found.low < found.value <= found.high
    # 28 of both, 38 in one log only: 2 x 28 / (66 + 28), by arithmetic; no interval is without width.
    found = agreement.positive_agreement(28, 66, 28)
    assert found is not None
    assert found.value == pytest.approx(56 / 94)
    alike = agreement.positive_agreement(28, 28, 28)
    assert alike is not None
    assert alike.low < alike.value == 1
    assert agreement.positive_agreement(0, 0, 0) is None


def test_pairs_that_are_all_alike_have_no_kappa() -> None:
    """Its interval would have no width, from however few pairs."""
    assert agreement.kappa([[20, 0], [0, 8]]) is None

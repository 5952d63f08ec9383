"""The fit of action, against scikit-learn's, and whether it says so where there is nothing to learn."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import roc_auc_score

from cliplib.watching import bursts

# Private parts: the arithmetic alone is tried, without film.

ROUNDS = [(0.0, 180.0), (240.0, 420.0), (480.0, 660.0)]


def fight(seed: int, told: float) -> tuple[np.ndarray, list[tuple[float, float]]]:
    """Signals at ten a second and exchanges; `told`: how far the signals rise in these."""
    rng = np.random.default_rng(seed)
    spans = [
        (t, t + float(rng.uniform(1, 3)))
        for a, b in ROUNDS
        for t in np.arange(a + 4, b - 6, 14.0) + rng.uniform(0, 4)
    ]
    table = rng.normal(0, 1, (6700, 8))
    times = np.arange(6700) / 10
    busy = bursts._inside(times, spans)
    table[busy, :3] += told * rng.uniform(0.2, 1.8, (int(busy.sum()), 3))
    wide = np.apply_along_axis(lambda c: np.convolve(c, np.ones(11) / 11, "same"), 0, table)
    return np.hstack([table, wide]), spans


def test_action_is_learnt_from_one_round_and_found_in_the_others() -> None:
    table, spans = fight(1, 2.0)
    logged = [s for s in spans if s[0] < 180]
    learnt = bursts.learn(table, 0.0, logged, ROUNDS[:1], ROUNDS, [])
    assert learnt.useful
    assert learnt.auc > 0.9
    covered = [
        any(min(b, y) - max(a, x) >= 0.5 * (b - a) for x, y in learnt.spans) for a, b in spans if a > 180
    ]
    assert np.mean(covered) > 0.9
    assert learnt.kept < 0.9
    assert not learnt.may_skip, "12 logged exchanges are too few for skipping"
    assert learnt.at_least == pytest.approx(0.05 ** (1 / len(logged)))


@pytest.mark.parametrize("seed", range(6))
def test_a_film_that_tells_nothing_is_called_useless(seed: int) -> None:
    table, spans = fight(seed, 0.0)
    learnt = bursts.learn(table, 0.0, [s for s in spans if s[0] < 180], ROUNDS[:1], ROUNDS, [])
    assert not learnt.useful
    assert learnt.spans == ()
    assert "useless" in learnt.said[0]


def test_too_few_exchanges_are_not_learnt_from() -> None:
    table, spans = fight(2, 2.0)
    learnt = bursts.learn(table, 0.0, spans[:2], ROUNDS[:1], ROUNDS, [])
    assert not learnt.useful
    assert "too few" in learnt.said[0]


def test_replays_are_neither_learnt_from_nor_proposed() -> None:
    table, spans = fight(3, 2.0)
    learnt = bursts.learn(table, 0.0, [s for s in spans if s[0] < 180], ROUNDS[:1], ROUNDS, [(300.0, 330.0)])
    assert learnt.useful
    assert not any(a < 329.7 and b > 300.3 for a, b in learnt.spans)


def test_the_fit_is_scikit_learns() -> None:
    """scikit-learn 1.x, LogisticRegression(C=0.05): the same penalty, the constant left free."""
    table, spans = fight(4, 1.0)
    labels = bursts._inside(np.arange(len(table)) / 10, spans)
    theirs = LogisticRegression(C=0.05, tol=1e-8, max_iter=1000).fit(table, labels)
    mine = bursts._fit(table, labels)
    assert mine[1:] == pytest.approx(theirs.coef_[0], abs=1e-4)
    assert mine[0] == pytest.approx(theirs.intercept_[0], abs=1e-4)


def test_the_area_is_scikit_learns() -> None:
    rng = np.random.default_rng(5)
    labels = rng.random(500) < 0.3
    scores = np.round(rng.normal(0, 1, 500) + labels, 1)  # with ties
    assert bursts.area(scores, labels) == pytest.approx(roc_auc_score(labels, scores))

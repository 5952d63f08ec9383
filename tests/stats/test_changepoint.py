"""The most likely moment of change: where it is put, and what is refused. What it is worth: test_chance.py."""

from __future__ import annotations

from math import comb, log

import numpy as np
import pytest

from cliplib.stats.changepoint import (
    LEAST_EXCHANGES,
    LEAST_TRIES,
    Change,
    TooLittle,
    change_in_frequency,
    change_in_rate,
)

MINUTE = 60_000_000


def test_a_plain_change_in_rate() -> None:
    found = change_in_rate([1] * 9 + [0] * 11, [1] * 20)
    assert isinstance(found, Change)
    assert (found.first_after, found.before, found.after) == (9, (9, 9), (0, 11))
    # The one best arrangement and its mirror image are 2 of C(20, 9) = 167960 orders (arithmetic), so that in
    # 4999 of them none or one is as good, and p is 1/5000, or 2/5000.
    assert comb(20, 9) == 167960
    assert 1 / 5000 <= found.p <= 2 / 5000


def test_p_is_the_share_of_all_orders() -> None:
    """With few exchanges all orders can be counted: six exchanges of two tries, three with two hits and three
    without one. Only C(6, 3) = 20 orders differ; the two sorted ones are as good as the one that was logged,
    which is 2 of 20 (arithmetic)."""
    found = change_in_rate([2, 2, 2, 0, 0, 0], [2] * 6)
    assert isinstance(found, Change)
    assert found.p == pytest.approx(2 / 20, abs=4 * (0.1 * 0.9 / 4999) ** 0.5)


def test_the_split_is_the_best_of_all() -> None:
    """Against the likelihood written out in the plainest way."""
    rng = np.random.default_rng(1)
    for _ in range(30):
        tries = rng.integers(1, 4, 12)
        hits = rng.binomial(tries, 0.5)

        def fit(some: slice, tries: np.ndarray = tries, hits: np.ndarray = hits) -> float:  # type: ignore[type-arg]
            k, n = int(hits[some].sum()), int(tries[some].sum())
            return sum(x * log(x / n) for x in (k, n - k) if x)

        allowed = [i for i in range(1, 12) if tries[:i].sum() >= 3 and tries[i:].sum() >= 3]
        best = max(fit(slice(0, i)) + fit(slice(i, 12)) for i in allowed)
        found = change_in_rate(hits.tolist(), tries.tolist(), shuffles=9)
        assert isinstance(found, Change)
        i = found.first_after
        assert i in allowed
        assert fit(slice(0, i)) + fit(slice(i, 12)) == pytest.approx(best)
        assert found.before == (hits[:i].sum(), tries[:i].sum())
        assert found.after == (hits[i:].sum(), tries[i:].sum())


def test_too_little_is_refused() -> None:
    refused = change_in_rate([1, 0] * 3, [1] * 6)
    assert refused == TooLittle(6, LEAST_TRIES, 6)
    assert "6 tries are too few" in str(refused)
    assert isinstance(change_in_frequency([1, 2, 3], [1, 1, 1], MINUTE), TooLittle)
    # Many tries in few exchanges say nothing either: the exchange is the unit.
    refused = change_in_rate([5, 5, 5, 0, 0], [5] * 5)
    assert refused == TooLittle(25, LEAST_TRIES, 5)
    assert f"it takes {LEAST_EXCHANGES} exchanges" in str(refused)
    # One exchange with nearly all of them leaves no split with three tries on both sides.
    assert isinstance(change_in_rate([0, 0, 9, 0, 0, 0], [1, 1, 9, 1, 1, 0][:5] + [1]), Change | TooLittle)
    assert isinstance(change_in_rate([0, 9, 0, 0, 0, 0], [1, 9, 1, 1, 1, 1]), Change)


def test_a_plain_change_in_frequency() -> None:
    early = [round(MINUTE * x / 20) for x in range(1, 20)]
    late = [MINUTE + round(MINUTE * x / 4) for x in range(1, 4)]
    found = change_in_frequency(early + late, [1] * 22, 2 * MINUTE)
    assert isinstance(found, Change)
    assert 17 <= found.first_after <= 19
    assert found.before[1] + found.after[1] == 2 * MINUTE
    assert found.p < 0.01


def test_a_bunch_is_no_change() -> None:
    """Three exchanges of eight among twenty of one: as single moments that would be a change; the exchanges are
    as regular as can be, and in any other order such bunches turn up as well."""
    starts = [MINUTE * i // 4 for i in range(1, 24)]
    tries = [8 if i in (3, 4, 5) else 1 for i in range(23)]
    found = change_in_frequency(starts, tries, 6 * MINUTE)
    assert isinstance(found, Change)
    assert found.p > 0.01


def test_rounds_that_differ_anyway_are_no_change() -> None:
    """Landing 8, 1, 9, 2, 7, 1 of 10 by round: some split always looks good, and none stands out."""
    hits = [h for of_round in (8, 1, 9, 2, 7, 1) for h in [1] * of_round + [0] * (10 - of_round)]
    rounds = [r for r in range(1, 7) for _ in range(10)]
    found = change_in_rate(hits, [1] * 60, rounds)
    assert isinstance(found, Change)
    assert found.p > 0.05


def test_what_could_have_been_found_grows_with_the_fight() -> None:
    shares = []
    for n in (8, 24, 96):
        found = change_in_rate([1, 0] * (n // 2), [1] * n, shuffles=999)
        assert isinstance(found, Change)
        (power,) = found.power
        assert power.effect == "landing that falls from 70 % to 30 %"
        shares.append(power.share)
    assert shares == sorted(shares)
    assert shares[0] < 0.4 < 0.8 < shares[2]


def test_the_sides_of_every_rearrangement_are_kept() -> None:
    found = change_in_rate([1] * 6 + [0] * 6, [1] * 12, shuffles=99)
    assert isinstance(found, Change)
    assert found.earlier.shape == (100, 12)
    assert found.earlier[0].tolist() == [True] * 6 + [False] * 6
    assert ((found.earlier.sum(axis=1) >= 3) & (found.earlier.sum(axis=1) <= 9)).all()
    # In another order other exchanges come first.
    assert len({tuple(row) for row in found.earlier.tolist()}) > 50


def test_what_makes_no_sense_is_refused() -> None:
    with pytest.raises(ValueError, match="ascending"):
        change_in_frequency([5, 4, 6, 7, 8, 9, 10, 11], [1] * 8, MINUTE)
    with pytest.raises(ValueError, match="no more successes than tries"):
        change_in_rate([2] * 8, [1] * 8)

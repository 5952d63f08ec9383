"""Changes are found where they are, and not where they are not: by simulation, with stated levels."""

from __future__ import annotations

import numpy as np
import pytest

from cliplib.stats.changepoint import LEAST_TRIES, Change, TooLittle, change_in_frequency, change_in_rate

MINUTE = 60_000_000


def _upper(level: float, runs: int) -> float:
    """Four standard errors above the level: a right test fails here once in thirty thousand times."""
    return level + 4 * (level * (1 - level) / runs) ** 0.5


def test_a_plain_change_in_rate() -> None:
    found = change_in_rate([True] * 9 + [False] * 11)
    assert isinstance(found, Change)
    assert (found.first_after, found.before, found.after) == (9, (9, 9), (0, 11))
    # The one best arrangement and its mirror image are 2 of C(20, 9) = 167960 orders (arithmetic).
    assert found.p < 0.001


def test_the_split_is_the_best_of_all() -> None:
    """Against the likelihood written out in the plainest way."""
    from math import log

    rng = np.random.default_rng(1)
    for _ in range(30):
        series = (rng.random(15) < 0.5).tolist()

        def fit(part: list[bool]) -> float:
            k, n = sum(part), len(part)
            return sum(x * log(x / n) for x in (k, n - k) if x)

        best = max(fit(series[:i]) + fit(series[i:]) for i in range(3, 13))
        found = change_in_rate(series, shuffles=9)
        assert isinstance(found, Change)
        i = found.first_after
        assert fit(series[:i]) + fit(series[i:]) == pytest.approx(best)
        assert found.before == (sum(series[:i]), i)
        assert found.after == (sum(series[i:]), 15 - i)


def test_too_little_is_refused() -> None:
    refused = change_in_rate([True, False] * 3)
    assert refused == TooLittle(6, LEAST_TRIES)
    assert "6 tries are too few" in str(refused)
    assert isinstance(change_in_frequency([1, 2, 3], MINUTE), TooLittle)


@pytest.mark.parametrize("rate", [0.2, 0.5])
def test_false_alarms_in_rate_stay_within_the_level(rate: float) -> None:
    rng, runs = np.random.default_rng(2), 400
    alarms = 0
    for _ in range(runs):
        found = change_in_rate((rng.random(24) < rate).tolist(), shuffles=199)
        assert isinstance(found, Change)
        alarms += found.p <= 0.05
    assert alarms / runs <= _upper(0.05, runs)


def test_power_in_rate(record_property: pytest.RecordProperty) -> None:
    """From 6 of 10 to 1 of 10 after 15 of 30 tries is found more often than not."""
    rng, runs = np.random.default_rng(3), 200
    hits = 0
    for _ in range(runs):
        series = np.concatenate([rng.random(15) < 0.6, rng.random(15) < 0.1]).tolist()
        found = change_in_rate(series, shuffles=199)
        assert isinstance(found, Change)
        hits += found.p <= 0.05
    record_property("power", hits / runs)
    print(f"power, .6 to .1 at 15 of 30 tries: {hits / runs:.2f}")
    assert hits / runs > 0.5


def test_a_plain_change_in_frequency() -> None:
    early = [round(MINUTE * x / 20) for x in range(1, 20)]
    late = [MINUTE + round(MINUTE * x / 4) for x in range(1, 4)]
    found = change_in_frequency(early + late, 2 * MINUTE)
    assert isinstance(found, Change)
    assert 17 <= found.first_after <= 19
    assert found.before[1] + found.after[1] == 2 * MINUTE
    assert found.p < 0.01


def test_false_alarms_in_frequency_stay_within_the_level() -> None:
    rng, runs = np.random.default_rng(4), 400
    alarms = 0
    for _ in range(runs):
        times = sorted(rng.integers(0, 9 * MINUTE, 20).tolist())
        found = change_in_frequency(times, 9 * MINUTE, shuffles=199)
        assert isinstance(found, Change)
        alarms += found.p <= 0.05
    assert alarms / runs <= _upper(0.05, runs)


def test_times_are_checked() -> None:
    with pytest.raises(ValueError, match="ascending"):
        change_in_frequency([5, 4, 6, 7, 8, 9, 10, 11], MINUTE)

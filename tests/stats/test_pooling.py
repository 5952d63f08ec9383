"""Several fights are not one sample: against statsmodels and SciPy, a published paradox, and by simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.contingency_tables import StratifiedTable

from cliplib.stats.pooling import (
    chi_squared_above,
    clustered,
    pooled,
    stratified,
    t_beyond,
    t_quantile,
)

# Bickel, Hammel and O'Connell 1975, Science 187:398, as R's data set UCBAdmissions (from memory): admitted and
# rejected, men then women, departments A to F.
BERKELEY = [
    (512, 313, 89, 19), (353, 207, 17, 8), (120, 205, 202, 391), (138, 279, 131, 244), (53, 138, 94, 299),
    (22, 351, 24, 317),
]  # fmt: skip
STRATA = [(a, a + b, c, c + d) for a, b, c, d in BERKELEY]


def reference(strata: list[tuple[int, int, int, int]]) -> StratifiedTable:
    return StratifiedTable([np.array([[k1, n1 - k1], [k2, n2 - k2]]) for k1, n1, k2, n2 in strata])


def test_simpsons_paradox_of_berkeley() -> None:
    """Men .445 against women .304 over all; within departments the odds ratio is .9047 (.7719-1.0603),
    chi-squared 1.4269, p .2323, homogeneity 18.83, p .0021 (statsmodels)."""
    k1, n1, k2, n2 = (sum(s[i] for s in STRATA) for i in range(4))
    assert (round(k1 / n1, 3), round(k2 / n2, 3)) == (0.445, 0.304)
    found = stratified(STRATA)
    assert found is not None
    assert round(found.chi_squared, 4) == 1.4269
    assert round(found.p, 4) == 0.2323
    assert [round(x, 4) for x in (found.odds.value, found.odds.low, found.odds.high)] == [
        0.9047,
        0.7719,
        1.0603,
    ]
    assert found.homogeneity is not None
    assert round(found.homogeneity, 4) == 0.0021
    # Turned round: within departments women were admitted a little more often.
    assert found.difference.value < 0 < k1 / n1 - k2 / n2


def test_strata_agree_with_statsmodels() -> None:
    rng = np.random.default_rng(1)
    for _ in range(60):
        strata = []
        for _ in range(int(rng.integers(2, 7))):
            n1, n2 = (int(n) for n in rng.integers(3, 40, 2))
            strata.append(
                (
                    int(rng.binomial(n1, rng.uniform(0.2, 0.8))),
                    n1,
                    int(rng.binomial(n2, rng.uniform(0.2, 0.8))),
                    n2,
                )
            )
        found, table = stratified(strata), reference(strata)
        assert found is not None
        null = table.test_null_odds(correction=True)
        if (
            abs(found.chi_squared) > 1e-9
        ):  # statsmodels has the square of a negative rest where we have nought
            assert found.chi_squared == pytest.approx(null.statistic, rel=1e-9)
            assert found.p == pytest.approx(null.pvalue, rel=1e-9)
        assert found.odds.value == pytest.approx(table.oddsratio_pooled, rel=1e-9)
        assert (found.odds.low, found.odds.high) == pytest.approx(table.oddsratio_pooled_confint(), rel=1e-9)
        if found.homogeneity is not None:
            assert found.homogeneity == pytest.approx(table.test_equal_odds().pvalue, rel=1e-6, abs=1e-9)


def test_one_stratum_is_the_plain_difference() -> None:
    found = stratified([(8, 20, 3, 15)])
    assert found is not None
    assert found.difference.value == pytest.approx(8 / 20 - 3 / 15)
    assert stratified([(3, 5, 0, 0), (0, 0, 2, 5)]) is None  # no stratum has both
    assert stratified([(5, 5, 4, 4)]) is None  # nothing to compare


def test_distributions_are_scipys() -> None:
    for freedom in (1, 2, 3, 6, 11):
        for value in (0.01, 0.5, 2.0, 9.0, 40.0):
            assert chi_squared_above(value, freedom) == pytest.approx(stats.chi2.sf(value, freedom), rel=1e-9)
            assert t_beyond(value, freedom) == pytest.approx(
                2 * stats.t.sf(value, freedom), rel=1e-6, abs=1e-12
            )
        assert t_quantile(0.975, freedom) == pytest.approx(stats.t.ppf(0.975, freedom), rel=1e-6)


def test_thousands_of_fights_are_no_too_large_number() -> None:
    """e^-half of chi-squared is nought for a machine from 1,490 on, and the sum beside it endless."""
    for freedom in (999, 1600, 1601, 9998):
        for value in (freedom * 0.95, freedom, freedom + 3 * (2 * freedom) ** 0.5):
            assert chi_squared_above(value, freedom) == pytest.approx(stats.chi2.sf(value, freedom), rel=1e-8)


def fights(
    rng: np.random.Generator, count: int, tries: int, mean: float, spread: float
) -> list[tuple[int, int]]:
    """Each with a rate of its own (normal, cut at 2 and 98 %)."""
    rates = np.clip(rng.normal(mean, spread, count), 0.02, 0.98)
    return [(int(rng.binomial(tries, rate)), tries) for rate in rates]


def test_spread_between_fights_is_no_finding(record_property: pytest.RecordProperty) -> None:
    """Four fights of 25 tries a side, rates that spread by .12, nothing to find. As one sample a sixth of them
    would be below .05; with fights as the units, and within fights, at most 6 % are (2,000 comparisons)."""
    rng, runs = np.random.default_rng(5), 2000
    one_sample = by_fights = within = found = found_within = 0
    for _ in range(runs):
        one, two = (fights(rng, 4, 25, 0.4, 0.12) for _ in range(2))
        k1, k2 = (sum(k for k, _ in side) for side in (one, two))
        one_sample += stats.fisher_exact([[k1, 100 - k1], [k2, 100 - k2]])[1] < 0.05
        result = clustered(one, two)
        assert result is not None
        by_fights += result.p < 0.05
        # Both sides in the same fights, each with its own rate.
        rates = np.clip(rng.normal(0.4, 0.12, 4), 0.02, 0.98)
        strata = [(int(rng.binomial(25, r)), 25, int(rng.binomial(25, r)), 25) for r in rates]
        same = stratified(strata)
        within += same is not None and same.p < 0.05
        better = clustered(fights(rng, 4, 25, 0.65, 0.12), two)
        found += better is not None and better.p < 0.05
        strata = [
            (int(rng.binomial(25, min(0.98, r + 0.2))), 25, int(rng.binomial(25, r)), 25) for r in rates
        ]
        same = stratified(strata)
        found_within += same is not None and same.p < 0.05
    for name, count in (
        ("one sample, nothing to find", one_sample),
        ("fights as units, nothing to find", by_fights),
        ("within fights, nothing to find", within),
        ("fights as units, 65 against 40 %", found),
        ("within fights, 20 points", found_within),
    ):
        record_property(name, float(count / runs))  # a number of Python: workers send no other
        print(f"{name}: {100 * count / runs:.1f} %")
    assert one_sample / runs > 0.12
    assert by_fights / runs <= 0.06
    assert within / runs <= 0.06
    assert found / runs > 0.4
    assert found_within / runs > 0.6


def test_fights_in_which_each_side_has_its_own_day() -> None:
    """Both sides in the same fights, but with rates that spread by .12 each for itself: Cochran, Mantel and
    Haenszel's test alone finds something in a sixth of them, guarded by what fights say in at most 6 %."""
    for count in (2, 4, 8):
        rng, runs, alone, guarded = np.random.default_rng(count), 1500, 0, 0
        for _ in range(runs):
            one, two = (fights(rng, count, 25, 0.4, 0.12) for _ in range(2))
            found = stratified([(*a, *b) for a, b in zip(one, two, strict=True)])
            assert found is not None
            alone += found.p < 0.05
            guarded += found.guarded < 0.05
        print(f"{count} fights: alone {100 * alone / runs:.1f} %, guarded {100 * guarded / runs:.1f} %")
        assert alone / runs > 0.12
        assert guarded / runs <= 0.06


def test_intervals_carry_the_spread_between_fights() -> None:
    """A pooled rate over six fights whose rates spread by .12 lies in its interval in 93 of 100 or more (800
    samples, four standard errors below 95 %); in Wilson's plain one it does not."""
    from cliplib.stats.proportions import wilson

    rng, runs, plain, wide = np.random.default_rng(6), 800, 0, 0
    for _ in range(runs):
        some = fights(rng, 6, 25, 0.4, 0.12)
        alone, found = wilson(sum(k for k, _ in some), 150), pooled(some)
        assert alone is not None
        assert found is not None
        plain += alone.low <= 0.4 <= alone.high
        wide += found.low <= 0.4 <= found.high
    print(f"coverage: plain {plain / runs:.3f}, with the spread {wide / runs:.3f}")
    assert plain / runs < 0.88
    assert wide / runs >= 0.92


def test_fights_that_are_alike_are_one_sample() -> None:
    from cliplib.stats.proportions import wilson

    assert pooled([(4, 10), (4, 10), (4, 10)]) == wilson(12, 30)
    assert pooled([(4, 10)]) == wilson(4, 10)
    assert pooled([]) is None
    assert clustered([(4, 10)], [(5, 10)]) is None  # one fight a side: nobody knows how fights differ

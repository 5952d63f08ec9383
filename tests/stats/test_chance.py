"""False alarms of a change, and of what was done instead, at their stated level: a part of `bench.chance`."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from cliplib.stats.changepoint import Change, change_in_rate
from tests.bench.chance import NOTHING_CHANGES, SOMETHING_CHANGES, Fight, p_values

FIGHTS, SHUFFLES = 60, 199


@pytest.mark.parametrize("name", NOTHING_CHANGES)
@pytest.mark.parametrize("what", ["frequency", "rate"])
def test_nothing_is_found_where_nothing_changes(name: str, what: str) -> None:
    """At most as many as one row of bad luck in ten thousand would have (binomial)."""
    p = np.array(list(p_values(NOTHING_CHANGES[name], what, FIGHTS, seed=7, shuffles=SHUFFLES)))
    assert len(p) > FIGHTS // 2
    assert int((p <= 0.05).sum()) <= binom.ppf(0.9999, len(p), 0.05)
    assert p.min() >= 1 / (SHUFFLES + 1)


def test_single_tries_would_cry_wolf() -> None:
    """The check bites: where all tries of an exchange go alike, each taken for a draw of its own is a false
    alarm every few fights; whole exchanges are not."""
    rng, single, whole = np.random.default_rng(1), 0, 0
    for i in range(40):
        drawn = Fight(bunch=8, alike=1.0).draw(rng)
        outcomes = [x for k, n in zip(drawn.hits, drawn.tries, strict=True) for x in [1] * k + [0] * (n - k)]
        found = change_in_rate(outcomes, [1] * len(outcomes), seed=i, shuffles=199)
        other = drawn.rate(i, 199)
        assert isinstance(found, Change)
        assert isinstance(other, Change)
        single, whole = single + (found.p <= 0.05), whole + (other.p <= 0.05)
    assert single >= 10
    assert whole <= binom.ppf(0.9999, 40, 0.05)


def test_what_changes_is_found(record_property: pytest.RecordProperty) -> None:
    for name, what, least in (
        ("pace tripled from round 4", "frequency", 0.6),
        ("landing 65 to 25 % from round 4", "rate", 0.4),
    ):
        p = np.array(list(p_values(SOMETHING_CHANGES[name], what, 40, seed=3, shuffles=SHUFFLES)))
        record_property(name, float((p <= 0.05).mean()))
        assert (p <= 0.05).mean() > least

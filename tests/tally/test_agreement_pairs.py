"""Two logs of one fight: pairing by least cost, against brute force and SciPy; decisions; the agreed log."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment
from sklearn.metrics import cohen_kappa_score

from cliplib.core.models import Action
from cliplib.tally.pairing import Logged, Pair, agreement, cost, pair
from cliplib.vocabulary import load_vocabulary

WORDS = load_vocabulary()
SECOND = 1_000_000
RED = "Ada Okoro"


def logged(
    at: int, technique: str = "jab", outcome: str | None = None, number: int = 0, until: int | None = None
) -> Logged:
    action = Action(technique, fighter=RED, time_us=at if until is None else None, outcome=outcome)
    return Logged(action, at, at if until is None else until, 1, number, 0)


def log_of(moments: list[tuple[int, str]]) -> list[Logged]:
    return [logged(at * SECOND // 10, t, number=i) for i, (at, t) in enumerate(sorted(moments))]


def total(pairs: tuple[Pair, ...], window: int) -> int:
    found = 0
    for p in pairs:
        together = None if p.one is None or p.two is None else cost(p.one, p.two, window)
        assert (p.one is None or p.two is None) or together is not None
        found += 2 * window if together is None else together
    return found


def least(a: list[Logged], b: list[Logged], window: int) -> int:
    """The least cost of any pairing that keeps both orders, by trying them all."""
    best = 2 * window * (len(a) + len(b))
    for k in range(1, min(len(a), len(b)) + 1):
        for left in itertools.combinations(a, k):
            for right in itertools.combinations(b, k):
                costs = [cost(x, y, window) for x, y in zip(left, right, strict=True)]
                if None not in costs:
                    alone = 2 * window * (len(a) + len(b) - 2 * k)
                    best = min(best, alone + sum(c for c in costs if c is not None))
    return best


moments = st.lists(st.tuples(st.integers(0, 60), st.sampled_from(["jab", "cross", "slip"])), max_size=6)


@given(one=moments, two=moments, tenths=st.sampled_from([3, 10, 25]))
@settings(max_examples=150, deadline=None)
def test_pairs_cost_least(one: list[tuple[int, str]], two: list[tuple[int, str]], tenths: int) -> None:
    a, b = log_of(one), log_of(two)
    window = tenths * SECOND // 10
    pairs = pair(a, b, window)
    assert total(pairs, window) == least(a, b, window)
    assert sorted(p.one.exchange_id for p in pairs if p.one) == list(range(len(a)))
    assert sorted(p.two.exchange_id for p in pairs if p.two) == list(range(len(b)))


def test_agrees_with_an_assignment_by_scipy() -> None:
    """With one technique, keeping the order costs nothing: SciPy's unrestricted assignment costs the same."""
    rng = np.random.default_rng(11)
    for _ in range(40):
        n, m = rng.integers(1, 25, 2).tolist()
        window = SECOND
        a, b = (log_of([(int(t), "jab") for t in rng.integers(0, 150, size)]) for size in (n, m))
        far = 4 * window  # two actions left alone
        matrix = np.array([[far if (c := cost(x, y, window)) is None else min(c, far) for y in b] for x in a])
        rows, columns = linear_sum_assignment(matrix)
        theirs = int(matrix[rows, columns].sum()) + 2 * window * abs(n - m)
        assert total(pair(a, b, window), window) == theirs


def test_a_cue_without_times_pairs_within_its_span() -> None:
    one = [logged(8_200_000, "jab", number=1), logged(8_600_000, "cross", number=1)]
    cue = [Action("jab", fighter=RED), Action("cross", fighter=RED)]
    two = [Logged(action, 7_300_000, 9_900_000, 1, 2, i) for i, action in enumerate(cue)]
    pairs = pair(one, two)
    assert [(p.one and p.one.action.technique, p.two and p.two.action.technique) for p in pairs] == [
        ("jab", "jab"),
        ("cross", "cross"),
    ]


def test_out_of_the_window_is_two_actions() -> None:
    found = pair([logged(0)], [logged(SECOND)], SECOND)
    assert [(p.one is None, p.two is None) for p in found] == [(False, True), (True, False)]


def test_other_people_never_pair() -> None:
    mine = logged(0)
    theirs = Logged(Action("jab", fighter="Bram Visser", time_us=0), 0, 0, 1, 5, 0)
    assert len(pair([mine], [theirs])) == 2


def test_kappa_of_pairs_as_scikit_learn_has_it() -> None:
    rng = np.random.default_rng(12)
    names = ["jab", "cross", "hook"]
    first = [str(rng.choice(names)) for _ in range(60)]
    second = [t if rng.random() < 0.7 else str(rng.choice(names)) for t in first]
    # Two seconds apart, so that each is paired with its own.
    one = [logged(2 * SECOND * i, t, number=i) for i, t in enumerate(first)]
    two = [logged(2 * SECOND * i + 100_000, t, number=i) for i, t in enumerate(second)]
    found = agreement(one, two, WORDS.is_punch)
    assert found.paired == 60
    assert found.techniques.kappa is not None
    assert found.techniques.kappa.value == pytest.approx(cohen_kappa_score(first, second))
    for row in found.of_technique:
        theirs = cohen_kappa_score([t == row.name for t in first], [t == row.name for t in second])
        assert row.kappa is not None
        assert row.kappa.value == pytest.approx(theirs)


def test_counts_by_hand() -> None:
    one = [logged(0, "jab", "landed"), logged(2 * SECOND, "cross", "missed"), logged(4 * SECOND, "slip")]
    two = [logged(0, "jab", "blocked"), logged(2 * SECOND, "cross", "missed")]
    found = agreement(one, two, WORDS.is_punch)
    assert (found.paired, found.only_one, found.only_two) == (2, 1, 0)
    assert [p.differs_in for p in found.disagreements] == [("outcome",), ()]
    # Totals 3 and 2, one action apart: 100 * 1 / 2.5.
    assert found.percent_error == pytest.approx(40)
    assert found.outcomes.same == 1
    assert agreement([], [], WORDS.is_punch).percent_error is None


def test_rounds_have_a_clock_each() -> None:
    """The same moment of two rounds is two moments: 2:50 left of the first, and of the second."""
    first, second = (
        Logged(
            Action("jab", fighter=RED, time_us=-170 * SECOND),
            -170 * SECOND,
            -170 * SECOND,
            number,
            number,
            0,
            True,
        )
        for number in (1, 2)
    )
    assert len(pair([first], [second])) == 2
    assert len(pair([first], [replace(first, exchange_id=9)])) == 1
    assert first.clock_us == 170 * SECOND


def test_what_nobody_said_has_a_name_of_its_own_among_outcomes() -> None:
    guessed = [
        replace(x, action=replace(x.action, inferred=("outcome",))) for x in [logged(0, "jab", "missed")]
    ]
    found = agreement(guessed, [logged(0, "jab", "missed")], WORDS.is_punch)
    assert [(row.name, row.one, row.two, row.both) for row in found.of_outcome] == [
        ("missed", 0, 1, 0),
        ("missed (inferred)", 1, 0, 0),
    ]
    assert found.outcomes.same == 0
    assert found.disagreements == ()

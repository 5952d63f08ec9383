"""What was done instead, before against after a split that was itself chosen: no wolf where nothing changed."""

from __future__ import annotations

import numpy as np
from scipy.stats import binom

from cliplib.core.models import Action, Exchange, Step
from cliplib.stats.changepoint import Change
from cliplib.tally.changing import Adjustment, Moment, adjustment
from tests.tally.test_tally import BLUE, RED, bout, counted

REPLIES = ("slip", "roll", "duck", "block", "cross")


def fight(rng: np.random.Generator, *, late_slips: bool = False, exchanges: int = 24) -> Adjustment:
    """Jabs in exchanges of one to three that go alike; what Visser does about a jab goes with how it went."""
    drawn = []
    for i in range(exchanges):
        landed = rng.random() < 0.5
        actions: list[Action] = []
        for j in range(int(rng.integers(1, 4))):
            at = i * 10_000_000 + j * 1_000_000
            outcome = "landed" if landed == (rng.random() < 0.9) else "missed"
            actions.append(Action("jab", fighter=RED, time_us=at, outcome=outcome))
            reply = str(
                rng.choice(REPLIES, p=[0.1, 0.1, 0.1, 0.2, 0.5] if landed else [0.4, 0.2, 0.2, 0.1, 0.1])
            )
            if late_slips and i >= exchanges // 2:
                reply = "slip"
            actions.append(Action(reply, fighter=BLUE, time_us=at + 300_000))
        drawn.append(Exchange(tuple(actions), round=1 + i * 6 // exchanges))
    found = counted([bout(*drawn)], (Step("jab"),))
    rounds = found.columns.round[found.exchange].tolist()
    when = [Moment(r, None, None) for r in rounds]
    return adjustment(found, when, dict.fromkeys(range(1, 7), 60000000), "rate", situation=found)


def test_replies_pay_for_the_choosing_of_the_split() -> None:
    rng, fights, alarms, lines = np.random.default_rng(4), 30, 0, 0
    for _ in range(fights):
        result = fight(rng)
        assert isinstance(result.found, Change)
        alarms += any(line.q < 0.05 for line in result.replies)
        lines += sum(line.p < 0.05 for line in result.replies)
        # Both sides together are all of them, and p is never nought.
        assert {line.n1 + line.n2 for line in result.replies} == {result.tries}
        assert all(1 / 5000 <= line.p <= line.q <= 1 for line in result.replies)
    assert alarms <= binom.ppf(0.9999, fights, 0.05)
    assert lines <= binom.ppf(0.9999, fights * 5, 0.05)


def test_replies_that_change_are_found() -> None:
    """Where he slips every jab from half way on, and landing changes there too, the slip is found."""
    rng = np.random.default_rng(9)
    slips = [
        line
        for _ in range(6)
        for line in fight(rng, late_slips=True, exchanges=40).replies
        if line.what == "slip"
    ]
    assert min(line.p for line in slips) < 0.05


def test_a_sentence_says_what_could_have_been_found() -> None:
    result = fight(np.random.default_rng(2))
    assert "would show (p up to .05), if it happened half way through its exchanges: landing that falls" in (
        result.could
    )
    assert "in " in result.could
    assert "p = 0.000" not in result.words

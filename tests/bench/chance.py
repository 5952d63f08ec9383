"""How often a test cries wolf, and what it finds: fights of our own invention in which nothing changes, or
something stated does. Not a test; `tests/stats/test_chance.py` runs a part of it.

python -m tests.bench.chance [FIGHTS [SCENARIO ...]]

For each scenario the share of fights with p at or below .05 and .005. Where nothing changes that share must lie
within the binomial 99 % interval of the level, or below it.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from scipy.stats import binom

from cliplib.stats.changepoint import Change, TooLittle, change_in_frequency, change_in_rate

ROUND_S = 180.0
LEVELS = (0.05, 0.005)
SHUFFLES = 399


@dataclass(frozen=True)
class Fight:
    """What is simulated. Exchanges come some `apart` seconds from each other, `spread` of them as a share
    (gamma distributed, so that they keep their distance); `bunch`: most tries in an exchange, from one up;
    `pace_sd`, `rate_sd`: how rounds differ, of the log pace and of the log odds of landing; `alike`: how often
    an exchange's further outcomes are its first one's; `logged`: the share of exchanges that each of two loggers
    sees, of which all are counted once; `stop`: seconds after which it ends; `pace_change`, `bunch_change`,
    `odds_change`: from round 4 (or half way) on."""

    rounds: int = 6
    apart: float = 20.0
    spread: float = 0.6
    bunch: int = 1
    rate: float = 0.4
    pace_sd: float = 0.0
    rate_sd: float = 0.0
    alike: float = 0.0
    logged: float = 0.0
    stop: float = 0.0
    pace_change: float = 1.0
    bunch_change: int = 1
    odds_change: float = 0.0

    def draw(self, rng: np.random.Generator) -> Drawn:
        total = self.stop or self.rounds * ROUND_S
        paces = np.exp(rng.normal(0, self.pace_sd, self.rounds))
        odds = rng.normal(0, self.rate_sd, self.rounds)
        starts, tries, hits, rounds = [], [], [], []
        shape = 1 / self.spread**2
        time = 0.0
        while True:
            r = min(int(time / ROUND_S), self.rounds - 1)
            late = time >= ROUND_S * (self.rounds // 2)
            pace = paces[r] * (self.pace_change if late else 1.0)
            time += rng.gamma(shape, self.apart / shape) / pace
            if time >= total:
                break
            if self.logged and rng.random() > 1 - (1 - self.logged) ** 2:
                continue
            r = min(int(time / ROUND_S), self.rounds - 1)
            late = time >= ROUND_S * (self.rounds // 2)
            n = int(rng.integers(1, self.bunch + 1)) * (self.bunch_change if late else 1)
            logit = np.log(self.rate / (1 - self.rate)) + odds[r] + (self.odds_change if late else 0.0)
            share = 1 / (1 + np.exp(-logit))
            outcomes = rng.random(n) < share
            outcomes[1:] = np.where(rng.random(n - 1) < self.alike, outcomes[0], outcomes[1:])
            starts.append(time)
            tries.append(n)
            hits.append(int(outcomes.sum()))
            rounds.append(r + 1)
        ends = [ROUND_S * (r + 1) for r in range(self.rounds) if ROUND_S * r < total]
        return Drawn(starts, tries, hits, rounds, total, [min(end, total) for end in ends])


@dataclass(frozen=True)
class Drawn:
    starts: list[float]
    tries: list[int]
    hits: list[int]
    rounds: list[int]
    total: float
    ends: list[float]

    def frequency(self, seed: int, shuffles: int) -> Change | TooLittle:
        us = [round(s * 1e6) for s in self.starts]
        return change_in_frequency(
            us, self.tries, round(self.total * 1e6), round_ends_us=[round(e * 1e6) for e in self.ends],
            seed=seed, shuffles=shuffles,
        )  # fmt: skip

    def rate(self, seed: int, shuffles: int) -> Change | TooLittle:
        return change_in_rate(self.hits, self.tries, self.rounds, seed=seed, shuffles=shuffles)


NOTHING_CHANGES = {
    "independent": Fight(spread=1.0),
    "bunches of 1 to 2": Fight(bunch=2),
    "bunches of 1 to 4": Fight(bunch=4),
    "bunches of 1 to 8": Fight(bunch=8),
    "rounds of their own pace": Fight(bunch=4, pace_sd=0.3),
    "rounds of their own rate": Fight(bunch=4, rate_sd=0.6),
    "alike within exchanges": Fight(bunch=4, alike=0.8),
    "few data": Fight(rounds=4, apart=60.0, bunch=2),
    "two loggers": Fight(bunch=4, logged=0.7),
    "an early end": Fight(rounds=10, bunch=4, stop=4 * ROUND_S + 70),
    "twelve rounds of their own": Fight(rounds=12, bunch=4, pace_sd=0.3, rate_sd=0.6),
    "three rounds": Fight(rounds=3, bunch=4),
}
SOMETHING_CHANGES = {
    "bunches doubled from round 4": Fight(bunch=4, bunch_change=2),
    "pace doubled from round 4": Fight(bunch=4, pace_change=2.0),
    "pace tripled from round 4": Fight(bunch=4, pace_change=3.0),
    "the same over twelve rounds": Fight(rounds=12, bunch=4, pace_change=3.0),
    "landing 65 to 25 % from round 4": Fight(bunch=4, rate=0.65, odds_change=-1.72),
    "the same, alike within exchanges": Fight(bunch=4, rate=0.65, odds_change=-1.72, alike=0.8),
    "the same over twelve rounds ": Fight(rounds=12, bunch=4, rate=0.65, odds_change=-1.72),
}


def p_values(fight: Fight, what: str, fights: int, seed: int, shuffles: int = SHUFFLES) -> Iterator[float]:
    """p of each fight that has enough in it."""
    rng = np.random.default_rng(seed)
    for i in range(fights):
        drawn = fight.draw(rng)
        ask: Callable[[int, int], Change | TooLittle] = getattr(drawn, what)
        found = ask(i, shuffles)
        if isinstance(found, Change):
            yield found.p


def most(level: float, fights: int) -> float:
    """The upper end of the binomial 99 % interval of a level."""
    return float(binom.ppf(0.995, fights, level)) / fights


def main() -> int:
    fights = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    only = sys.argv[2:]
    print(f"{fights} fights a row, {SHUFFLES} rearrangements; share of fights with p <= level")
    wrong = 0
    for title, scenarios, checked in (
        ("nothing changes", NOTHING_CHANGES, True),
        ("something changes", SOMETHING_CHANGES, False),
    ):
        print(
            f"\n{title:34}"
            + "".join(f"{what + f' {level:g}':>18}" for what in ("frequency", "rate") for level in LEVELS)
        )
        for i, (name, fight) in enumerate(scenarios.items()):
            if only and name not in only:
                continue
            line = f"{name:34}"
            for what in ("frequency", "rate"):
                p = np.array(list(p_values(fight, what, fights, seed=i)))
                for level in LEVELS:
                    share = float((p <= level).mean()) if len(p) else 0.0
                    high = checked and share > most(level, len(p))
                    wrong += high
                    line += f"{100 * share:15.1f} %" + ("!" if high else " ")
            print(line, flush=True)
    if wrong:
        print(f"\n{wrong} shares above the 99 % interval of their level")
    return bool(wrong)


if __name__ == "__main__":
    sys.exit(main())

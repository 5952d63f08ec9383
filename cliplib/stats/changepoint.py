"""When did it change? The most likely moment of change in a rate or in a frequency, and what it is worth.

One change is looked for. Its moment is where splitting the series in two explains it best (largest likelihood
ratio); its p-value is the share of rearranged series that a split explains at least as well, so that having
searched for the best moment is paid for. Shuffling a fight's own tries asks "if the order did not matter, how
often would a split look this good?"; it needs no model of boxing.

Times are microseconds of the round clock run so far: rests do not count.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

LEAST_TRIES = 8
LEAST_A_SIDE = 3
SHUFFLES = 4999


@dataclass(frozen=True, slots=True)
class TooLittle:
    """No claim is made: `have` tries where `need` are needed."""

    have: int
    need: int

    def __str__(self) -> str:
        tries = "1 try is" if self.have == 1 else f"{self.have} tries are"
        return f"{tries} too few to say when something changed; it takes {self.need}"


@dataclass(frozen=True, slots=True)
class Change:
    """`first_after`: index of the first try after the change. `before`, `after`: (successes, tries) of a rate
    or (events, microseconds of round clock) of a frequency. `p`: see the module's head."""

    first_after: int
    before: tuple[int, int]
    after: tuple[int, int]
    p: float


def _plogp(part: Floats, whole: Floats) -> Floats:
    """part * log(part / whole), 0 where part is 0."""
    return part * np.log(np.where(part > 0, part / whole, 1.0))


def _rate_gain(series: Floats) -> Floats:
    """Log-likelihood ratio of a split before each allowed index; shape (rows, splits) from (rows, tries)."""
    n = series.shape[1]
    tries = np.arange(1, n + 1, dtype=np.float64)
    hits = np.cumsum(series, axis=1)
    all_hits = hits[:, -1:]
    cut = slice(LEAST_A_SIDE - 1, n - LEAST_A_SIDE)
    left, left_n = hits[:, cut], tries[cut]
    right, right_n = all_hits - left, n - left_n
    split = _plogp(left, left_n) + _plogp(left_n - left, left_n)
    split += _plogp(right, right_n) + _plogp(right_n - right, right_n)
    whole = np.full_like(all_hits, n)
    gain: Floats = split - _plogp(all_hits, whole) - _plogp(n - all_hits, whole)
    return gain


def change_in_rate(
    successes: Sequence[bool], *, seed: int = 0, shuffles: int = SHUFFLES
) -> Change | TooLittle:
    """The most likely change in the share of successes in a series of tries in time order."""
    n = len(successes)
    if n < LEAST_TRIES:
        return TooLittle(n, LEAST_TRIES)
    series = np.asarray(successes, dtype=np.float64)[np.newaxis, :]
    gains = _rate_gain(series)[0]
    best = int(gains.argmax())
    split = best + LEAST_A_SIDE
    rng = np.random.default_rng(seed)
    shuffled = rng.permuted(np.repeat(series, shuffles, axis=0), axis=1)
    as_good = int((_rate_gain(shuffled).max(axis=1) >= gains[best] - 1e-9).sum())
    hits = int(series[0, :split].sum())
    return Change(
        split,
        (hits, split),
        (int(series.sum()) - hits, n - split),
        (as_good + 1) / (shuffles + 1),
    )


def _frequency_gain(times: Floats, total: float) -> Floats:
    """Log-likelihood ratio of a Poisson rate that changes before each allowed event; rows of sorted times."""
    n = times.shape[1]
    cut = slice(LEAST_A_SIDE, n - LEAST_A_SIDE + 1)
    left = np.arange(n, dtype=np.float64)[cut]
    # A split right at an event would give the side before it an arbitrarily favourable length, so it is put
    # halfway between the two events around it.
    moment = (times[:, cut] + times[:, LEAST_A_SIDE - 1 : n - LEAST_A_SIDE]) / 2
    left_time = np.clip(moment, 1e-9, total - 1e-9)
    right, right_time = n - left, total - left_time
    gain: Floats = (
        left * np.log(left / left_time) + right * np.log(right / right_time) - n * np.log(n / total)
    )
    return gain


def change_in_frequency(
    times_us: Sequence[int], total_us: int, *, seed: int = 0, shuffles: int = SHUFFLES
) -> Change | TooLittle:
    """The most likely change in how often something is tried.

    `times_us`: when, ascending, on the round clock run so far; `total_us`: all of the round clock that was
    watched. Rearranged series are as many moments drawn evenly from the same clock.
    """
    n = len(times_us)
    if n < LEAST_TRIES:
        return TooLittle(n, LEAST_TRIES)
    if min(times_us) < 0 or max(times_us) > total_us or list(times_us) != sorted(times_us):
        raise ValueError("times must be ascending and within the clock that was watched")
    times = np.asarray(times_us, dtype=np.float64)[np.newaxis, :]
    gains = _frequency_gain(times, float(total_us))[0]
    best = int(gains.argmax())
    first_after = best + LEAST_A_SIDE
    rng = np.random.default_rng(seed)
    drawn = np.sort(rng.random((shuffles, n)) * total_us, axis=1)
    as_good = int((_frequency_gain(drawn, float(total_us)).max(axis=1) >= gains[best] - 1e-9).sum())
    moment = (times_us[first_after] + times_us[first_after - 1]) // 2
    return Change(
        first_after,
        (first_after, moment),
        (n - first_after, total_us - moment),
        (as_good + 1) / (shuffles + 1),
    )

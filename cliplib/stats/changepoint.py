"""When did it change? The most likely moment of change in a rate or in a frequency, and what it is worth.

One change is looked for. Its moment is where splitting the series in two explains it best (largest likelihood
ratio). What chance does is found by rearranging what was logged: the *exchange* is the unit, since punches
come in bunches and outcomes within an exchange are alike. For a frequency an exchange moves together with the
time before it, so that neither the bunches nor the distances between exchanges are torn apart. Two questions
are asked of the same rearrangements, and the less sure answer counts:

1. Would a split look this good if the exchanges had come in any other order?
2. Does it stand out from how rounds differ among themselves anyway? Rounds may have a pace and a rate of
   their own. The best split between rounds is measured by what is left between rounds on each side of it
   (the F ratio of a quasi-likelihood: McCullagh and Nelder 1989, Generalized Linear Models, chapters 4 and
   9), which does not depend on how far apart rounds usually are.

The search for the best moment is repeated in every rearrangement, so that it is paid for. Shuffling needs no
model of boxing; its level is shown by simulation (`python -m tests.bench.chance`).

Times are microseconds of the round clock run so far: rests do not count.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

LEAST_TRIES = 8
LEAST_EXCHANGES = 6
LEAST_A_SIDE = 3  # tries
LEAST_ROUNDS = 4  # fewer do not tell how rounds differ among themselves
SHUFFLES = 4999
_IMAGINED = 400  # fights in which a stated change is put, to see how many of them would show it
_LEVEL = 0.05


@dataclass(frozen=True, slots=True)
class TooLittle:
    """No claim is made: `have` tries in `exchanges` where it takes `need`, and so many exchanges."""

    have: int
    need: int
    exchanges: int = LEAST_EXCHANGES

    def __str__(self) -> str:
        tries = "1 try is" if self.have == 1 else f"{self.have} tries are"
        if self.have < self.need:
            return f"{tries} too few to say when something changed; it takes {self.need}"
        exchanges = "1 exchange" if self.exchanges == 1 else f"{self.exchanges} exchanges"
        return (
            f"{self.have} tries in {exchanges} are too few to say when something changed; it takes "
            f"{LEAST_EXCHANGES} exchanges and {LEAST_A_SIDE} tries on each side"
        )


@dataclass(frozen=True, slots=True)
class Power:
    """What a fight like this could have shown: `share` of fights with that `effect` half way that would have
    been found at the level of .05."""

    effect: str
    share: float


@dataclass(frozen=True, slots=True)
class Change:
    """`first_after`: index of the first exchange after the change. `before`, `after`: (successes, tries) of a
    rate or (tries, microseconds of round clock) of a frequency. `p`: see the module's head. `power`: what
    could have been found. `earlier` [rearrangements, exchanges]: which exchanges came before the split that
    was best in each rearrangement, the first one being what was logged."""

    first_after: int
    before: tuple[int, int]
    after: tuple[int, int]
    p: float
    power: tuple[Power, ...] = ()
    earlier: Flags = field(default_factory=lambda: np.zeros((0, 0), np.bool_), repr=False, compare=False)


def _plogp(part: Any, whole: Any) -> Floats:
    """part * log(part / whole), 0 where part is 0."""
    positive = part > 0
    found: Floats = part * np.log(np.where(positive, part, 1) / np.where(positive, whole, 1))
    return found


def _binomial(hits: Any, n: Any, all_hits: Any, all_n: Any) -> Floats:
    """Log-likelihood ratio of two rates against one."""
    right, right_n = all_hits - hits, all_n - n
    split = _plogp(hits, n) + _plogp(n - hits, n) + _plogp(right, right_n) + _plogp(right_n - right, right_n)
    return split - _plogp(all_hits, all_n) - _plogp(all_n - all_hits, all_n)


def _poisson(count: Any, time: Any, all_count: Any, all_time: Any) -> Floats:
    """Log-likelihood ratio of two frequencies against one."""
    split = _plogp(count, time) + _plogp(all_count - count, all_time - time)
    return split - _plogp(all_count, all_time)


def _between_rounds(count: Floats, of: Floats, *, binomial: bool) -> Floats:
    """[rows] the largest F ratio of a split between rounds, of [rows, rounds] counts out of `of`."""
    rounds, ratio = count.shape[1], _binomial if binomial else _poisson
    all_count, all_of = count.sum(axis=1, keepdims=True), of.sum(axis=1, keepdims=True)
    best = np.zeros(len(count))
    for k in range(1, rounds):
        left, left_of = count[:, :k].sum(axis=1, keepdims=True), of[:, :k].sum(axis=1, keepdims=True)
        gain = 2 * ratio(left, left_of, all_count, all_of)[:, 0]
        rest = np.zeros(len(count))
        for side, a, b in (
            (slice(0, k), left, left_of),
            (slice(k, rounds), all_count - left, all_of - left_of),
        ):
            rate = a / np.maximum(b, 1e-9)
            expected = rate * of[:, side]
            spread = expected * (1 - rate) if binomial else expected
            rest += (((count[:, side] - expected) ** 2) / np.maximum(spread, 1e-9) * (spread > 1e-9)).sum(
                axis=1
            )
        np.maximum(best, gain / np.maximum(rest / (rounds - 2), 1e-6), out=best)
    return best


@dataclass(frozen=True)
class _Series:
    """What is rearranged: `tries` and `hits` of each exchange, its `length` (the time before it and its own),
    the part of it that lies before the exchange (`gap`); `ends`: of the rounds, as places or as times."""

    tries: Ints
    hits: Ints
    gap: Floats
    length: Floats
    total: float
    ends: Sequence[float]
    timed: bool

    def arrange(self, orders: Ints, shrink: Floats | None = None, hits: Ints | None = None) -> _Arranged:
        """The statistics of [rows, exchanges] orders. `shrink` [rows, exchanges]: times by place, made so
        much shorter; `hits`: by place, instead of those that were logged."""
        tries = self.tries[orders].cumsum(axis=1).astype(np.float64)
        inside = (tries >= LEAST_A_SIDE) & (tries[:, -1:] - tries >= LEAST_A_SIDE)
        inside[:, -1] = False
        if self.timed:
            length, gap = self.length[orders], self.gap[orders]
            total = np.full((len(orders), 1), self.total)
            if shrink is not None:
                length, gap = length * shrink, gap * shrink
            until = length.cumsum(axis=1)
            if shrink is not None:  # the same clock, filled to the same end
                scale = self.length.sum() / until[:, -1:]
                until, gap = until * scale, gap * scale
            moment = until.copy()
            moment[:, :-1] += gap[:, 1:] / 2
            moment = np.clip(moment, 1e-9, total - 1e-9)
            gain = _poisson(tries, moment, tries[:, -1:], total)
            by_round = _by_time(tries, until, self.ends)
            of_round = np.tile(np.diff([0.0, *self.ends]), (len(orders), 1))
            counts, of = by_round, of_round
        else:
            placed = self.hits[orders] if hits is None else hits
            landed = placed.cumsum(axis=1).astype(np.float64)
            gain = _binomial(landed, tries, landed[:, -1:], tries[:, -1:])
            moment = landed
            counts, of = _by_place(landed, self.ends), _by_place(tries, self.ends)
        gain = np.where(inside, gain, -np.inf)
        ratios = None
        if len(self.ends) >= LEAST_ROUNDS:
            ratios = _between_rounds(counts, of, binomial=not self.timed)
        return _Arranged(gain.max(axis=1), gain.argmax(axis=1), ratios, tries, moment)


@dataclass(frozen=True)
class _Arranged:
    """[rows] the best split's gain and place, and the F ratio between rounds (None: too few rounds)."""

    gain: Floats
    place: Ints
    ratio: Floats | None
    tries: Floats
    moment: Floats


def _by_time(tries: Floats, until: Floats, ends: Sequence[float]) -> Floats:
    """[rows, rounds] tries whose exchange ends within each round."""
    upto = np.zeros((len(tries), len(ends) + 1))
    for i, end in enumerate(ends):
        places = (until <= end).sum(axis=1)
        if i == len(ends) - 1:
            places = np.full(len(tries), tries.shape[1])
        upto[:, i + 1] = np.where(places > 0, tries[np.arange(len(tries)), np.maximum(places - 1, 0)], 0)
    found: Floats = np.diff(upto, axis=1)
    return found


def _by_place(running: Floats, ends: Sequence[float]) -> Floats:
    """[rows, rounds] sums of a running total between places."""
    at = [int(end) - 1 for end in ends]
    return np.diff(running[:, at], axis=1, prepend=0.0)


def _looked_for(
    series: _Series, seed: int, shuffles: int, imagine: Callable[..., list[Power]]
) -> tuple[int, float, tuple[Power, ...], Flags, _Arranged] | None:
    """(place of the split, p, power, earlier, the arrangement that was logged); None where no split leaves
    enough tries on both sides."""
    units = len(series.tries)
    rng = np.random.default_rng(seed)
    orders = np.tile(np.arange(units), (shuffles + 1, 1))
    orders[1:] = rng.permuted(orders[1:], axis=1)
    found = series.arrange(orders)
    if not np.isfinite(found.gain[0]):
        return None
    p = float((found.gain >= found.gain[0] - 1e-9).mean())
    if found.ratio is not None:
        p = max(p, float((found.ratio >= found.ratio[0] * (1 - 1e-9)).mean()))
    earlier = np.zeros((shuffles + 1, units), np.bool_)
    before = np.arange(units) <= found.place[:, np.newaxis]
    np.put_along_axis(earlier, orders, before, axis=1)
    power = imagine(series, orders[1 : _IMAGINED + 1], rng)
    return int(found.place[0]) + 1, p, tuple(power), earlier, found


def _share(imagined: _Arranged, rearranged: _Arranged) -> float:
    """How many imagined fights stand out from the same ones rearranged."""
    shown = imagined.gain > np.quantile(rearranged.gain, 1 - _LEVEL)
    if imagined.ratio is not None and rearranged.ratio is not None:
        shown &= imagined.ratio > np.quantile(rearranged.ratio, 1 - _LEVEL)
    return float(shown.mean())


def change_in_rate(
    hits: Sequence[int],
    tries: Sequence[int],
    rounds: Sequence[int] = (),
    *,
    seed: int = 0,
    shuffles: int = SHUFFLES,
) -> Change | TooLittle:
    """The most likely change in the share of successes. `hits`, `tries`: of each exchange, in order;
    `rounds`: the round of each, ascending (none: not known)."""
    n, k = np.asarray(tries, np.int64), np.asarray(hits, np.int64)
    if (n < 1).any() or (k > n).any() or (k < 0).any():
        raise ValueError("an exchange has at least one try, and no more successes than tries")
    total, units = int(n.sum()), len(n)
    if total < LEAST_TRIES or units < LEAST_EXCHANGES:
        return TooLittle(total, LEAST_TRIES, units)
    last = [i + 1 for i in range(units) if i + 1 == units or (rounds and rounds[i + 1] != rounds[i])]
    none = np.zeros(units)
    series = _Series(n, k, none, none, 0.0, last if rounds else [units], timed=False)
    found = _looked_for(series, seed, shuffles, _imagine_rate)
    if found is None:
        return TooLittle(total, LEAST_TRIES, units)
    split, p, power, earlier, _ = found
    left = (int(k[:split].sum()), int(n[:split].sum()))
    return Change(split, left, (int(k.sum()) - left[0], total - left[1]), p, power, earlier)


_POINTS = 0.4


def _imagine_rate(series: _Series, orders: Ints, rng: np.random.Generator) -> list[Power]:
    """Fights like this one in which landing falls by 40 points half way: from 20 above to 20 below its
    rate."""
    rate = series.hits.sum() / series.tries.sum()
    high = min(max(rate + _POINTS / 2, _POINTS + 0.02), 0.98)
    low = high - _POINTS
    tries, hits = series.tries[orders], series.hits[orders]
    early = tries.cumsum(axis=1) * 2 <= series.tries.sum()
    up = (high - rate) / (1 - rate) if rate < high else 0.0
    keep = min(1.0, high / rate) if rate else 0.0
    more = rng.binomial(tries - hits, up) + rng.binomial(hits, keep)
    fewer = rng.binomial(hits, min(1.0, low / rate) if rate else 0.0)
    if rate < low:
        fewer = hits + rng.binomial(tries - hits, (low - rate) / (1 - rate))
    hits = np.where(early, more, fewer)
    places = rng.permuted(np.tile(np.arange(orders.shape[1]), (len(orders), 1)), axis=1)
    mixed = series.arrange(
        np.take_along_axis(orders, places, axis=1), hits=np.take_along_axis(hits, places, axis=1)
    )
    share = _share(series.arrange(orders, hits=hits), mixed)
    return [Power(f"landing that falls from {100 * high:.0f} % to {100 * low:.0f} %", share)]


def change_in_frequency(
    starts_us: Sequence[int],
    tries: Sequence[int],
    total_us: int,
    *,
    ends_us: Sequence[int] | None = None,
    round_ends_us: Sequence[int] = (),
    seed: int = 0,
    shuffles: int = SHUFFLES,
) -> Change | TooLittle:
    """The most likely change in how often something is tried.

    `starts_us`, `ends_us`: of each exchange with tries, ascending, on the round clock run so far (`ends_us`
    None: they take no time); `tries`: in each. `total_us`: all of the round clock that was watched;
    `round_ends_us`: where each watched round ends on it, the last one at `total_us`.
    """
    n = np.asarray(tries, np.int64)
    starts = np.asarray(starts_us, np.float64)
    ends = starts if ends_us is None else np.maximum(np.asarray(ends_us, np.float64), starts)
    total, units = int(n.sum()), len(n)
    if total < LEAST_TRIES or units < LEAST_EXCHANGES:
        return TooLittle(total, LEAST_TRIES, units)
    if starts.min() < 0 or starts.max() > total_us or (np.diff(starts) < 0).any():
        raise ValueError("times must be ascending and within the clock that was watched")
    ends = np.minimum(ends, np.append(starts[1:], total_us))
    gap = starts - np.append(0.0, ends[:-1])
    series = _Series(
        n, n, gap, ends - np.append(0.0, ends[:-1]), float(total_us), list(round_ends_us) or [total_us],
        timed=True,
    )  # fmt: skip
    found = _looked_for(series, seed, shuffles, _imagine_frequency)
    if found is None:
        return TooLittle(total, LEAST_TRIES, units)
    split, p, power, earlier, arranged = found
    count, moment = int(arranged.tries[0, split - 1]), round(arranged.moment[0, split - 1])
    return Change(split, (count, moment), (total - count, total_us - moment), p, power, earlier)


def _imagine_frequency(series: _Series, orders: Ints, rng: np.random.Generator) -> list[Power]:
    """Fights like this one whose pace doubles, or triples, half way through their exchanges."""
    late = np.arange(len(series.tries)) * 2 >= len(series.tries)
    found = []
    for word, factor in (("doubles", 2.0), ("triples", 3.0)):
        shrink = np.tile(np.where(late, 1 / factor, 1.0), (len(orders), 1))
        mixed = series.arrange(orders, shrink=rng.permuted(shrink, axis=1))
        found.append(Power(f"a pace that {word}", _share(series.arrange(orders, shrink=shrink), mixed)))
    return found

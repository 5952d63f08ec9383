"""The broadcast's clock: from readings to the stretches in which it runs, and to the frame.

A clock that counts down and is rounded up shows v from when v seconds are left, so a reading of v at t says
that it comes to zero in (t + v - 1, t + v]. The place that most readings share is where it does: single
misreadings lie elsewhere. A clock that counts up began in [t - v - 1, t - v). Pure functions over numbers.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

_WHOLE = re.compile(r"(?<!\d)(\d{1,2})\s?[:.;]\s?(\d\d)(?!\d)")
_TENTHS = re.compile(r"(?<![\d:.])(\d{1,2})\.(\d)(?!\d)")
_SCORE = 0.75
LEAST = 6
"""Readings that make a stretch."""
_SLACK_S = 0.12
_CHANGES = 24  # seconds looked at for the exact frame
_WINDOW_S, _GAIN = 0.75, 0.25
AGREE = 1 / 3
"""Of the changes looked at, how many have to share one place for it to be called frame-exact."""


@dataclass(frozen=True, slots=True)
class Reading:
    """`step`: 1 for whole seconds, 0.1 for tenths."""

    time: float
    value: float
    step: float = 1.0


@dataclass(frozen=True, slots=True)
class Stretch:
    """The clock running without a break. `anchor`: when it shows zero, if it counts down; when it began to
    count, if it counts up. It lies in (`low`, `high`]. `first`, `last`: the readings' times, and `most` and
    `least` their values. `votes` of `changes`: how many changes of the picture agree on the frame."""

    up: bool
    anchor: float
    low: float
    high: float
    first: float
    last: float
    most: float
    least: float
    readings: tuple[Reading, ...] = field(repr=False)
    votes: int = 0
    changes: int = 0

    @property
    def exact(self) -> bool:
        return self.changes >= 3 and self.votes >= AGREE * self.changes


def parse(text: str, score: float) -> tuple[float, float] | None:
    """(seconds, step) of what was read, or None."""
    if score < _SCORE:
        return None
    if (tenths := _TENTHS.search(text)) is not None:
        return int(tenths[1]) + int(tenths[2]) / 10, 0.1
    if (whole := _WHOLE.search(text)) is not None and int(whole[2]) < 60:
        return int(whole[1]) * 60.0 + int(whole[2]), 1.0
    return None


def fit(readings: Sequence[Reading], longest_s: float) -> list[Stretch]:
    """Stretches in order of time. `longest_s`: what the clock can show at most; larger values are misread."""
    left = [r for r in readings if r.value <= longest_s + 0.5]
    found: list[Stretch] = []
    while True:
        best: tuple[int, bool, float, float, list[Reading]] | None = None
        for up in (False, True):
            for run in _runs(left, up):
                if best is None or len(run[2]) > best[0]:
                    best = (len(run[2]), up, *run)
        if best is None or best[0] < LEAST:
            return sorted(found, key=lambda s: s.first)
        _, up, low, high, group = best
        values = [r.value for r in group]
        span = (group[0].time, group[-1].time)
        stretch = Stretch(up, (low + high) / 2, low, high, *span, max(values), min(values), tuple(group))
        left = [r for r in left if r not in group]
        if len(set(values)) >= 3:
            found.append(stretch)


def _runs(readings: Sequence[Reading], up: bool) -> list[tuple[float, float, list[Reading]]]:
    """The likeliest place: (low, high, the readings that agree on it), or none."""
    spans = [_span(r, up) for r in readings]
    if not spans:
        return []
    # Spans that only touch have nothing in common, so ends come before beginnings.
    edges = sorted([(lo, 1) for lo, _ in spans] + [(hi, -1) for _, hi in spans])
    best, depth, low, high = 0, 0, 0.0, 0.0
    for k, (at, change) in enumerate(edges):
        depth += change
        if depth > best:
            best, low, high = depth, at, edges[k + 1][0]
    place = (low + high) / 2
    group = [
        (r, span)
        for r, span in zip(readings, spans, strict=True)
        if span[0] - _SLACK_S <= place <= span[1] + _SLACK_S
    ]
    return [(low, high, [r for r, _ in group])] if group else []


def _span(reading: Reading, up: bool) -> tuple[float, float]:
    """Where the anchor lies after one reading."""
    if up:
        return reading.time - reading.value - reading.step, reading.time - reading.value
    return reading.time + reading.value - reading.step, reading.time + reading.value


# --- the exact frame --------------------------------------------------------------------------------------


def sharpen(stretch: Stretch, times: npt.NDArray[np.float64], digits: npt.NDArray[np.uint8]) -> Stretch:
    """The same with its anchor to the frame, from when the digits' picture changes at its seconds.

    `times`: of all frames, seconds; `digits`: their pictures of the clock's line, shape (frames, h, w). The
    instant lies between the frame that changed and the one before it.
    """
    seconds = _seconds(stretch)
    looked, spans = 0, []
    for second in seconds:
        span = _change(times, digits, second)
        looked += 1
        if span is not None:
            spans.append((span[0] - second, span[1] - second))
    if not spans:
        return replace(stretch, changes=looked)
    place, votes = _shared(spans)
    # Of the places a whole second apart, the one that most readings fit.
    place = max((place + k for k in (0, -1, 1, -2, 2)), key=lambda p: _fitting(stretch, stretch.anchor + p))
    return replace(stretch, anchor=stretch.anchor + place, votes=votes, changes=looked)


def _fitting(stretch: Stretch, anchor: float) -> int:
    return sum(low < anchor <= high for low, high in (_span(r, stretch.up) for r in stretch.readings))


def _seconds(stretch: Stretch) -> list[float]:
    """Times at which the clock's display should change, spread over the stretch."""
    a, b = stretch.first - stretch.anchor, stretch.last - stretch.anchor
    whole = np.arange(np.ceil(a), np.floor(b) + 1)
    if len(whole) > _CHANGES:
        whole = whole[np.linspace(0, len(whole) - 1, _CHANGES).round().astype(int)]
    return [float(stretch.anchor + k) for k in whole]


def _change(
    times: npt.NDArray[np.float64], digits: npt.NDArray[np.uint8], second: float
) -> tuple[float, float] | None:
    """(before, at) of the frame at which the picture changes for good near a second."""
    first, last = np.searchsorted(times, [second - _WINDOW_S, second + _WINDOW_S])
    if last - first < 8:
        return None
    part = digits[first:last].reshape(last - first, -1).astype(np.float64)
    gains = _gains(part)
    k = int(gains.argmax())
    if gains[k] < _GAIN:
        return None
    at = int(first) + k + 1
    return float(times[at - 1]), float(times[at])


def _gains(part: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """By what share two still pictures, before and from each frame on, explain more than one does."""
    n = len(part)
    part = part - part.mean(axis=0)
    whole = float((part**2).sum()) + 1e-9
    sums = np.cumsum(part, axis=0)[:-1]
    counts = np.arange(1, n)
    between = (sums**2).sum(axis=1) * (1 / counts + 1 / (n - counts))
    between[:2] = between[-2:] = 0.0  # too little on one side to be a picture
    return np.asarray(between / whole, dtype=np.float64)


def _shared(spans: Sequence[tuple[float, float]]) -> tuple[float, int]:
    """The place modulo a second that most spans share, in [-0.5, 0.5), and by how many."""
    edges: list[tuple[float, int]] = []
    for a, b in spans:
        for turn in (-1.0, 0.0, 1.0):
            edges += [(a + turn, 1), (b + turn, -1)]
    edges.sort(key=lambda e: (e[0], -e[1]))
    best, depth, places = 0, 0, [0.0]
    for k, (at, change) in enumerate(edges[:-1]):
        depth += change
        if -0.75 <= at < 0.75 and edges[k + 1][0] > at + 1e-9:
            if depth > best:
                best, places = depth, []
            if depth == best:
                places.append((at + edges[k + 1][0]) / 2)
    place = min(places, key=abs)
    return (place + 0.5) % 1.0 - 0.5, best


# --- rounds -----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ClockRound:
    """A round after the clock alone. `start`, `end`: of the graphic. `stops`: (when the clock stood still,
    for how long). `exact`: its zero is known to the frame."""

    start: float
    end: float
    stops: tuple[tuple[float, float], ...]
    exact: bool
    up: bool
    stretches: tuple[Stretch, ...]


def rounds(stretches: Sequence[Stretch], round_s: float, rest_s: float) -> list[ClockRound]:
    """Rounds in order, rest clocks left out, and stretches joined where the clock only stood still."""
    made: list[list[Stretch]] = []
    for stretch in stretches:
        if made and _goes_on(made[-1][-1], stretch):
            made[-1].append(stretch)
        elif not _is_rest(made[-1] if made else None, stretch, round_s, rest_s):
            made.append([stretch])
    return [_round(group, round_s) for group in made]


def _goes_on(before: Stretch, after: Stretch) -> bool:
    if before.up != after.up or after.anchor - before.anchor < 0.5:
        return False
    if before.up:
        return after.least >= before.most - 1 and after.least - before.most < after.first - before.last
    return after.most <= before.least + 1 and before.least - after.most < after.first - before.last


def _is_rest(before: list[Stretch] | None, stretch: Stretch, round_s: float, rest_s: float) -> bool:
    if stretch.most > rest_s + 1 or before is None:
        return False
    end = _round(before, round_s).end
    if stretch.up:
        return abs(stretch.anchor - end) < 4
    return stretch.anchor - round_s < end - 2 or abs(stretch.anchor - rest_s - end) < 4


def _round(group: list[Stretch], round_s: float) -> ClockRound:
    first, last = group[0], group[-1]
    start = first.anchor if first.up else first.anchor - round_s
    end = last.anchor + round_s if last.up else last.anchor
    stops = []
    for a, b in pairwise(group):
        # It stood still from where a's last value would have gone on.
        value = b.most if not b.up else b.least
        stops.append((a.anchor + value if a.up else a.anchor - value, b.anchor - a.anchor))
    return ClockRound(start, end, tuple(stops), first.exact and last.exact, first.up, tuple(group))


def digits_of(plates: npt.NDArray[np.uint8], line: Sequence[float], around: Sequence[float]) -> Any:
    """The part of the plates in which the time is."""
    h, w = plates.shape[1:]
    x0, x1 = ((line[k] - around[0]) / (around[2] - around[0]) * w for k in (0, 2))
    y0, y1 = ((line[k] - around[1]) / (around[3] - around[1]) * h for k in (1, 3))
    return plates[:, max(0, round(y0)) : max(1, round(y1)), max(0, round(x0)) : max(1, round(x1))]

"""Replays, and what they show again, from five witnesses.

    it was seen before         the pictures of a round match, slower and perhaps enlarged
    it stands between wipes    which look alike, wherever they are
    the clock is gone          in a round, from one change of picture to another
    pictures come twice        as where a recording is shown slower than it was made
    a ring in a rest           a picture as rounds have it

Each has a weight set by hand on drawn films; together they are as sure as if they were independent.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from cliplib.core.progress import Progress, silent
from cliplib.watching import graphic, wipes
from cliplib.watching.matching import ENLARGED, PLAIN, Earlier, Match, hidden_cells
from cliplib.watching.proposals import Sureness
from cliplib.watching.seen import Seen
from cliplib.watching.shots import Shots

SEEN, SEEN_POORLY, WIPED, GONE, TWICE, RING = 0.95, 0.6, 0.85, 0.6, 0.7, 0.5
WIPED_WITH_CLOCK = 0.57
SURE, LIKELY, PERHAPS = 0.95, 0.8, 0.55

_FITS, _ALONE, _POORLY = 0.35, 0.25, 0.45  # distance over the shot's own spread
_DISTINCT = 0.5
_PLAIN_SPEED = 0.75  # live film that is alike goes at one speed
_TWICE, _MOVES = 0.22, 0.8
_RING_LIKE = 0.8
_SHORTEST_S = 0.8


@dataclass(frozen=True, slots=True)
class Replay:
    """[`start`, `end`) in seconds. `origin`: when what it shows first happened, `speed` and `origin_sureness`
    with it; None if it was not found."""

    start: float
    end: float
    weight: float
    sureness: Sureness
    evidence: tuple[str, ...]
    origin: float | None
    speed: float | None
    origin_sureness: Sureness | None


@dataclass(slots=True)
class _Unit:
    """A stretch that may be a replay. `inner`: its frames without what leads in and out."""

    start: float
    end: float
    inner: tuple[int, int]
    weights: list[float] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    suspected: bool = False
    in_round: bool = True

    def add(self, weight: float, said: str) -> None:
        self.weights.append(weight)
        self.said.append(said)

    @property
    def weight(self) -> float:
        return 1.0 - float(np.prod([1 - w for w in self.weights])) if self.weights else 0.0


def find(
    seen: Seen,
    shots: Shots,
    rounds: Sequence[tuple[float, float]],
    progress: Progress = silent,
    *,
    origin_in_round: bool = True,
) -> list[Replay]:
    """The film's replays in order. `rounds`: (start, end), seconds. `origin_in_round`: whether what is shown
    again has to lie in a round and in no other replay; without it replays are traced to replays.
    """
    return _Finder(seen, shots, rounds, origin_in_round).run(progress)


class _Finder:
    def __init__(
        self, seen: Seen, shots: Shots, rounds: Sequence[tuple[float, float]], origin_in_round: bool
    ):
        self._seen, self._shots, self._rounds, self._strict = seen, shots, list(rounds), origin_in_round
        self._times = seen.times
        self._thumbs = np.asarray(seen.thumbs)
        self._there = graphic.on_picture(np.asarray(seen.plates), seen.times, rounds)
        self._live = self._in_rounds()

    def run(self, progress: Progress) -> list[Replay]:
        units = self._units()
        earlier = self._earlier(units)
        usual = self._usual_steps(units)
        looks = self._ring_looks(units)
        made: list[Replay] = []
        for k, unit in enumerate(units):
            progress("looking for replays", k, len(units))
            self._repeats(unit, usual)
            if not unit.in_round:
                self._ring(unit, looks)
            match = self._matched(unit, earlier)
            witnessed = bool({WIPED, WIPED_WITH_CLOCK, SEEN} & set(unit.weights))
            if unit.in_round and not witnessed and self._clock(*unit.inner) > 0.5:
                continue  # live pictures have the clock
            if unit.weight < PERHAPS:
                continue
            made.append(_replay(unit, match, self._times))
            if self._strict and unit.weight >= LIKELY:
                earlier.rule_out(*np.searchsorted(self._times, [unit.start, unit.end]).tolist())
        return made

    # --- what may be one -----------------------------------------------------------------------------------

    def _in_rounds(self) -> npt.NDArray[np.bool_]:
        live = np.zeros(len(self._times), bool)
        for start, end in self._rounds:
            live |= (self._times >= start) & (self._times < end)
        return live

    def _clock(self, first: int, last: int) -> float:
        if self._there is None or last <= first:
            return 0.0
        return float(self._there[first:last].mean())

    def _seems_live(self, first: int, last: int) -> float:
        """The share of frames in rounds with the clock on the picture; if all are, graphics may stay on."""
        if self._there is None or last <= first:
            return 0.0
        return float((self._there & self._live)[first:last].mean())

    def _units(self) -> list[_Unit]:
        units = self._between_wipes()
        changes = [(c, c) for c in self._shots.cuts] + list(self._shots.gradual)
        if self._there is not None:
            for first, last in graphic.gone(self._there, self._times, self._rounds, changes):
                at = (float(self._times[first]), float(self._times[last - 1]))
                over = next((u for u in units if _overlap(at, (u.start, u.end)) > 0.5), None)
                if over is None:
                    over = _Unit(*at, self._inner(first, last), suspected=True)
                    units.append(over)
                over.add(GONE, "the clock is gone from one change of picture to another")
        for first, last in self._shots.bounds:
            at = (float(self._times[first]), float(self._times[last - 1]))
            if at[1] - at[0] < _SHORTEST_S or any(_overlap(at, (u.start, u.end)) > 0.5 for u in units):
                continue
            in_round = float(self._live[first:last].mean()) > 0.5
            rest = not in_round and any(end <= at[0] + 1 for _, end in self._rounds)
            if in_round or rest:
                units.append(_Unit(*at, self._inner(first, last), suspected=rest, in_round=in_round))
        return sorted(units, key=lambda u: u.start)

    def _between_wipes(self) -> list[_Unit]:
        units = []
        for group in wipes.alike(self._thumbs, self._shots.sweeps):
            for opening, closing in wipes.paired(group, self._times, self._seems_live):
                start, end = (float(self._times[(a + b) // 2]) for a, b in (opening, closing))
                first, last = opening[1], max(closing[0], opening[1] + 1)
                in_round = float(self._live[first:last].mean()) > 0.5
                unit = _Unit(start, end, self._inner(first, last), suspected=True, in_round=in_round)
                said = f"it stands between two of {len(group)} wipes that look alike"
                if self._clock(first, last) > 0.5 and in_round:
                    unit.add(WIPED_WITH_CLOCK, said + ", with the clock on the picture")
                else:
                    unit.add(WIPED, said)
                units.append(unit)
        return units

    def _inner(self, first: int, last: int) -> tuple[int, int]:
        """The longest stretch in it without a cut or a sweep."""
        edges = [first, last]
        for a, b in [(c, c) for c in self._shots.cuts] + list(self._shots.sweeps):
            if first < a < last or first < b < last:
                edges += [min(max(a, first), last), min(max(b, first), last)]
        edges.sort()
        return max(pairwise(edges), key=lambda p: p[1] - p[0])

    # --- what speaks for it --------------------------------------------------------------------------------

    def _earlier(self, units: Sequence[_Unit]) -> Earlier:
        allowed = self._live.copy()
        if not allowed.any() or not self._strict:
            allowed[:] = True
        if self._strict:
            for unit in units:
                if unit.weights:
                    first, last = np.searchsorted(self._times, [unit.start, unit.end])
                    allowed[first:last] = False
        frames = np.flatnonzero(allowed)  # as replays lack some of the writing
        hidden = hidden_cells(self._thumbs, frames[:: max(1, len(frames) // 120)].tolist())
        return Earlier(self._thumbs, self._times, hidden, allowed)

    def _matched(self, unit: _Unit, earlier: Earlier) -> Match | None:
        """Every live shot is never searched for enlargements: that costs too much, and finds too much."""
        if not unit.suspected and self._clock(*unit.inner) > 0.5:
            return None
        suspected = unit.suspected or TWICE in unit.weights
        found = earlier.match(*unit.inner, ENLARGED if suspected else PLAIN)
        if found is None:
            return None
        ratio = found.distance / found.spread
        lonely = found.distinct >= 0.999
        if not suspected and (found.speed > _PLAIN_SPEED or lonely):
            return None
        if (ratio < _FITS and found.distinct < _DISTINCT) or (ratio < _ALONE and lonely):
            unit.add(SEEN, _said(found, self._times))
        elif ratio < _POORLY and found.distinct < _DISTINCT:
            unit.add(SEEN_POORLY, _said(found, self._times))
        else:
            return None
        return found

    def _usual_steps(self, units: Sequence[_Unit]) -> float:
        """Of live pictures: a slow step over a fast one, on average."""
        ratios = [
            ratio
            for unit in units
            if unit.in_round and not unit.weights and (ratio := self._steps(unit)) is not None
        ]
        return float(np.median(ratios)) if ratios else 1.0

    def _steps(self, unit: _Unit) -> float | None:
        """Of a second's pictures each: where somebody stands still for long, no picture is slow."""
        first, last = unit.inner
        second = max(12, round(self._seen.rate))
        part = self._thumbs[first:last].astype(np.int16)
        steps = np.abs(np.diff(part, axis=0)).mean(axis=(1, 2))
        ratios = []
        for at in range(0, len(steps) - second + 1, second // 2):
            slow, fast = np.percentile(steps[at : at + second], [20, 85])
            if fast > _MOVES:
                ratios.append(float(slow / fast))
        return float(np.median(ratios)) if len(ratios) > 1 else None

    def _repeats(self, unit: _Unit, usual: float) -> None:
        ratio = self._steps(unit)
        if ratio is not None and ratio < _TWICE and ratio < usual * 0.5:
            unit.add(TWICE, "pictures come more than once, as in slow motion")

    def _ring_looks(self, units: Sequence[_Unit]) -> npt.NDArray[np.float32]:
        """How rounds look: a mean picture of each of their shots."""
        looks = [_look(self._thumbs, u.inner) for u in units if u.in_round and not u.weights]
        return np.stack(looks) if looks else np.zeros((0, 1), np.float32)

    def _ring(self, unit: _Unit, looks: npt.NDArray[np.float32]) -> None:
        if len(looks) and float((looks @ _look(self._thumbs, unit.inner)).max()) > _RING_LIKE:
            unit.add(RING, "the ring is seen in a rest as it is in rounds")


def _look(thumbs: npt.NDArray[np.uint8], inner: tuple[int, int]) -> npt.NDArray[np.float32]:
    first, last = inner
    mean = thumbs[first : max(last, first + 1) : 5].astype(np.float32).mean(axis=0).reshape(-1)
    mean = mean - mean.mean()
    return np.asarray(mean / (np.linalg.norm(mean) + 1e-3), dtype=np.float32)


def _overlap(a: tuple[float, float], b: tuple[float, float]) -> float:
    """Share of the shorter one that both have."""
    shared = min(a[1], b[1]) - max(a[0], b[0])
    return shared / max(1e-6, min(a[1] - a[0], b[1] - b[0]))


def _said(found: Match, times: npt.NDArray[np.float64]) -> str:
    minutes, seconds = divmod(found.at - float(times[0]), 60)
    size = f", enlarged {found.zoom:.2f} times" if found.zoom > 1.015 else ""
    return f"it looks like {int(minutes)}:{seconds:05.2f} at {found.speed:.2f} times the speed{size}"


def _replay(unit: _Unit, match: Match | None, times: npt.NDArray[np.float64]) -> Replay:
    weight = unit.weight
    sureness: Sureness = "sure" if weight >= SURE else "likely" if weight >= LIKELY else "perhaps"
    origin = speed = None
    how: Sureness | None = None
    if match is not None:
        speed = match.speed
        origin = match.at - (float(times[unit.inner[0]]) - unit.start) * speed
        ratio = match.distance / match.spread
        how = (
            "sure"
            if ratio < 0.2 and match.distinct < 0.35
            else "likely"
            if SEEN in unit.weights
            else "perhaps"
        )
    return Replay(unit.start, unit.end, weight, sureness, tuple(unit.said), origin, speed, how)

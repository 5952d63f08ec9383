"""Whether a shot shows again what was on film earlier, enlarged or not, and from which moment on.

Thumbnails are compared as unit vectors without their mean, along lines of constant speed. A replay that was
enlarged shows a part of the earlier picture: small, so that it fits into it, it is laid at every place. The
best places are then looked at closely. What tells a replay is not how well it fits, but how much better than
anywhere else: all pictures of one ring are alike.

Thresholds were set by hand on drawn films; no source is known for them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]
Thumbs = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]

GRID_S = 0.08
_BACK_S, _JUST_S = 600.0, 0.5
_QUERIES = 8
_LONGEST_S = 4.0
_SPEEDS = (0.2, 0.25, 0.3, 0.35, 0.4, 0.45, 0.5, 0.55, 0.6, 0.7, 0.8, 0.9, 1.0)
PLAIN = (32,)
ENLARGED = (32, 31, 30, 29, 28, 27, 26)
"""Widths, of 32, at which a shot is laid on earlier pictures."""
_CANDIDATES, _SPREAD_S, _ELSEWHERE_S = 5, 1.0, 2.0
_SAMPLES = 16
_LEAST_SPREAD = 0.004
"""Of a shot's own pictures, 1 - cosine: a shot that hardly moves fits anywhere."""


@dataclass(frozen=True, slots=True)
class Match:
    """`at`: seconds of the film that the shot's first picture shows again. `distance`: mean of 1 - cosine;
    `distinct`: that over the best one more than two seconds elsewhere. `zoom`: how much it was enlarged.
    `spread`: of the shot's own pictures, measured alike."""

    at: float
    speed: float
    zoom: float
    distance: float
    distinct: float
    spread: float


@dataclass(frozen=True, slots=True)
class _Candidate:
    at: float
    speed: float
    zoom: float
    across: float  # where the left upper corner lies in the earlier picture, shares of it
    down: float
    distance: float


class Earlier:
    """A film's pictures to be searched. `hidden`: cells of the thumbnails that writing covers, which is not
    part of what is shown. `allowed`: of every frame, whether a replay can have come from there."""

    def __init__(
        self, thumbs: Thumbs, times: npt.NDArray[np.float64], hidden: Mask, allowed: npt.NDArray[np.bool_]
    ):
        self._thumbs, self._times, self._shown, self._allowed = thumbs, times, ~hidden, allowed.copy()
        grid = np.arange(times[0], times[-1], GRID_S)
        self._frames = np.minimum(np.searchsorted(times, grid - 1e-4), len(times) - 1)
        self._grid = grid
        h, w = hidden.shape
        self._small_shown = self._shown.reshape(h // 2, 2, w // 2, 2).mean(axis=(1, 3)) > 0.5

    def rule_out(self, first: int, last: int) -> None:
        """Frames [first, last) are a replay themselves: nothing comes from there."""
        self._allowed[first:last] = False

    def match(self, first: int, last: int, widths: Sequence[int]) -> Match | None:
        """What frames [first, last) of the film show again, or None if nothing compares."""
        start, end = float(self._times[first]), float(self._times[last - 1])
        end = min(end, start + _LONGEST_S)
        if end - start < 0.6:
            return None
        taus = np.linspace(0, end - start, _QUERIES)
        frames = np.searchsorted(self._times, start + taus - 1e-4)
        queries = self._thumbs[np.minimum(frames, last - 1)].astype(np.float32)
        spread = _spread(queries, self._shown)
        if spread < _LEAST_SPREAD:
            return None
        candidates = self._search(queries, taus, start, widths)
        closer = [self._closer(c, start, end) for c in candidates]
        closer.sort(key=lambda c: c.distance)
        if not closer:
            return None
        best = closer[0]
        others = [c.distance for c in closer if abs(c.at - best.at) > _ELSEWHERE_S]
        distinct = best.distance / max(1e-6, min(others)) if others else 1.0
        return Match(best.at, best.speed, best.zoom, best.distance, distinct, spread)

    # --- everywhere, coarsely ------------------------------------------------------------------------------

    def _search(
        self, queries: Floats, taus: npt.NDArray[np.float64], start: float, widths: Sequence[int]
    ) -> list[_Candidate]:
        low, high = np.searchsorted(self._grid, [start - _BACK_S, start - _JUST_S])
        frames = self._frames[low:high]
        if len(frames) < 12:
            return []
        earlier = _halved(self._thumbs[frames]).reshape(len(frames), -1)
        earlier = earlier - earlier.mean(axis=1, keepdims=True)
        squares = earlier**2
        allowed = self._allowed[frames]
        best = np.full((len(_SPEEDS), len(frames)), np.inf, np.float32)
        how = np.zeros((len(_SPEEDS), len(frames), 3), np.int16)
        for width in widths:
            for place, laid, mask in self._laid(queries, width):
                # The queries have no mean where they are laid, so that of the earlier pictures is nothing.
                power = squares @ mask - (earlier @ mask) ** 2 / float(mask.sum())
                apart = 1 - (laid @ earlier.T) / np.sqrt(np.maximum(power, 1e-3))
                _slanted(apart, taus, allowed, best, how, place)
        return self._best(best, how, float(self._grid[low]))

    def _laid(self, queries: Floats, width: int) -> Iterator[tuple[tuple[int, int, int], Floats, Floats]]:
        """(width, x, y), the queries made small and laid there as unit vectors of a whole picture's cells,
        and which cells those are."""
        height = round(18 * width / 32)
        small = _resized(queries, height, width)
        shown = _resized(self._shown[None].astype(np.float32), height, width)[0] > 0.5
        for y in range(18 - height + 1):
            for x in range(32 - width + 1):
                mask = np.zeros((18, 32), np.float32)
                mask[y : y + height, x : x + width] = shown
                mask *= self._small_shown
                if mask.sum() < 100:
                    continue
                laid = np.zeros((len(queries), 18, 32), np.float32)
                laid[:, y : y + height, x : x + width] = small
                flat, cells = laid.reshape(len(laid), -1), mask.reshape(-1)
                flat = (flat - (flat @ cells / cells.sum())[:, None]) * cells
                flat /= np.linalg.norm(flat, axis=1, keepdims=True) + 1e-3
                yield (width, x, y), np.asarray(flat, np.float32), cells

    def _best(self, best: Floats, how: npt.NDArray[np.int16], origin: float) -> list[_Candidate]:
        """The few best ones, a second and more apart."""
        speeds = best.argmin(axis=0)
        lowest = best.min(axis=0)
        found: list[_Candidate] = []
        for k in np.argsort(lowest, kind="stable"):
            if not np.isfinite(lowest[k]) or len(found) == _CANDIDATES:
                break
            at = origin + float(k) * GRID_S
            if any(abs(at - c.at) < _SPREAD_S for c in found):
                continue
            width, x, y = (int(v) for v in how[speeds[k], k])
            found.append(
                _Candidate(at, _SPEEDS[int(speeds[k])], 32 / width, x / 32, y / 18, float(lowest[k]))
            )
        return found

    # --- at a place, closely -------------------------------------------------------------------------------

    def _closer(self, one: _Candidate, start: float, end: float) -> _Candidate:
        """The same with time, speed, enlargement and place set finer, by turns."""
        taus = np.linspace(0, end - start, _SAMPLES)
        queries = self._thumbs[self._numbers(start + taus)].astype(np.float32)
        best = self._retimed(replace(one, distance=np.inf), taus, queries)
        for scale in (1.0, 1.0, 0.5, 0.25):
            before = best.distance
            best = self._reframed(best, taus, queries, scale)
            best = self._retimed(best, taus, queries)
            if scale < 1 and best.distance > 0.97 * before:
                break
        return best

    def _reframed(
        self, best: _Candidate, taus: npt.NDArray[np.float64], queries: Floats, scale: float
    ) -> _Candidate:
        """By a few of the pictures, which will do for finding the place."""
        some = slice(0, None, 5)
        earlier = self._thumbs[self._numbers(best.at + taus[some] * best.speed)].astype(np.float32)
        near = replace(best, distance=self._apart(best, earlier, queries[some]))
        # An enlargement about the middle of the part keeps that where it is.
        mid_x, mid_y = best.across + 0.5 / best.zoom, best.down + 0.5 / best.zoom
        for zoom in (-0.02, -0.01, 0.0, 0.01, 0.02):
            z = max(1.0, best.zoom + zoom * scale)
            for x in (-0.016, 0.0, 0.016):
                for y in (-0.028, 0.0, 0.028):
                    most = 1 - 1 / z
                    across = min(max(0.0, mid_x - 0.5 / z + x * scale), most)
                    down = min(max(0.0, mid_y - 0.5 / z + y * scale), most)
                    trial = _Candidate(best.at, best.speed, z, across, down, 0.0)
                    distance = self._apart(trial, earlier, queries[some])
                    if distance < near.distance:
                        near = replace(trial, distance=distance)
        return near

    def _apart(self, one: _Candidate, earlier: Floats, queries: Floats) -> float:
        part, cells = _cut_out(earlier, self._shown, one)
        a = _unit(_halved(queries).reshape(len(queries), -1)[:, cells])
        return float((1 - (a * _unit(part[:, cells])).sum(axis=1)).mean())

    def _retimed(self, best: _Candidate, taus: npt.NDArray[np.float64], queries: Floats) -> _Candidate:
        """The best line near by, over all frames that it may meet."""
        first, last = self._numbers(
            np.array([best.at - 0.2, best.at + 0.2 + taus[-1] * min(1.05, best.speed + 0.06)])
        )
        frames = np.arange(first, last + 1)
        part, cells = _cut_out(self._thumbs[frames].astype(np.float32), self._shown, best)
        a = _unit(_halved(queries).reshape(len(queries), -1)[:, cells])
        apart = 1 - a @ _unit(part[:, cells]).T
        ats = best.at + np.arange(-0.16, 0.161, 0.02)
        speeds = np.clip(best.speed + np.arange(-0.06, 0.061, 0.01), 0.15, 1.05)
        lines = ats[:, None, None] + speeds[None, :, None] * taus
        met = np.clip(self._numbers(lines) - first, 0, len(frames) - 1)
        means = apart[np.arange(len(taus)), met].mean(axis=2)
        i, j = np.unravel_index(int(means.argmin()), means.shape)
        return replace(best, at=float(ats[i]), speed=float(speeds[j]), distance=float(means[i, j]))

    def _numbers(self, times: npt.NDArray[np.float64]) -> npt.NDArray[np.int64]:
        """Frames that are shown at these times."""
        at = np.searchsorted(self._times, times + 1e-4, side="right") - 1
        return np.asarray(np.clip(at, 0, len(self._times) - 1), dtype=np.int64)


def hidden_cells(thumbs: Thumbs, frames: Sequence[int]) -> Mask:
    """Cells that never change on frames of many shots: signs, names and bars. None, if most do not: then the
    camera stands still, and what does not move is the hall."""
    some = thumbs[np.asarray(frames)].astype(np.float32)
    spread = np.percentile(some, 90, axis=0) - np.percentile(some, 10, axis=0)
    still = spread < 9.0
    return still if still.mean() < 0.4 else np.zeros_like(still)


def _spread(pictures: Floats, shown: Mask) -> float:
    units = _unit(pictures.reshape(len(pictures), -1)[:, shown.reshape(-1)])
    middle = _unit(units.mean(axis=0, keepdims=True))
    return float((1 - units @ middle.T).mean())


def _unit(rows: Floats) -> Floats:
    rows = rows - rows.mean(axis=1, keepdims=True)
    return np.asarray(rows / (np.linalg.norm(rows, axis=1, keepdims=True) + 1e-3), dtype=np.float32)


def _halved(thumbs: Thumbs | Floats) -> Floats:
    n, h, w = thumbs.shape
    made = thumbs.astype(np.float32).reshape(n, h // 2, 2, w // 2, 2).mean(axis=(2, 4))
    return np.asarray(made, dtype=np.float32)


_SHARES: dict[tuple[int, int], Floats] = {}


def _shares(size: int, wanted: int) -> Floats:
    if (size, wanted) not in _SHARES:
        edges = np.linspace(0, size, wanted + 1)
        at = np.arange(size)
        share = np.clip(np.minimum(edges[1:, None], at + 1) - np.maximum(edges[:-1, None], at), 0, None)
        _SHARES[size, wanted] = (share / share.sum(axis=1, keepdims=True)).astype(np.float32)
    return _SHARES[size, wanted]


def _resized(pictures: Floats, height: int, width: int) -> Floats:
    _, h, w = pictures.shape
    return np.asarray(_shares(h, height) @ pictures @ _shares(w, width).T, dtype=np.float32)


def _slanted(
    apart: Floats,
    taus: npt.NDArray[np.float64],
    allowed: npt.NDArray[np.bool_],
    best: Floats,
    how: npt.NDArray[np.int16],
    place: tuple[int, int, int],
) -> None:
    """Note in `best` and `how` where the mean along a line from each picture on is lower than any yet."""
    n = apart.shape[1]
    for s, speed in enumerate(_SPEEDS):
        steps = np.rint(taus * speed / GRID_S).astype(int)
        count = n - int(steps[-1])
        if count <= 0:
            continue
        mean = np.zeros(count, np.float32)
        for k, step in enumerate(steps):
            mean += apart[k, step : step + count]
        mean /= len(steps)
        mean[~(allowed[:count] & allowed[int(steps[-1]) :])] = np.inf
        better = mean < best[s, :count]
        best[s, :count][better] = mean[better]
        how[s, :count][better] = place


def _cut_out(pictures: Floats, shown: Mask, one: _Candidate) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """What an enlargement shows of pictures, half as large as they are and flat, and which of its cells are
    shown in both. Half as large, since an enlargement is sharper than what it shows."""
    n, h, w = pictures.shape
    rows, columns = _taps(h, one.zoom, one.down), _taps(w, one.zoom, one.across)
    part = np.matmul(rows @ pictures, columns.T)
    inside = rows @ shown.astype(np.float32) @ columns.T > 0.9
    both = inside & (shown.reshape(h // 2, 2, w // 2, 2).all(axis=(1, 3)))
    return np.asarray(part.reshape(n, -1), dtype=np.float32), both.reshape(-1)


def _taps(size: int, zoom: float, offset: float) -> Floats:
    """A matrix that reads between cells, and takes the mean of two."""
    at = np.clip((np.arange(size) + 0.5) / zoom + offset * size - 0.5, 0, size - 1)
    low = np.minimum(at.astype(int), size - 2)
    share = (at - low).astype(np.float32)
    made = np.zeros((size, size), np.float32)
    made[np.arange(size), low] = 1 - share
    made[np.arange(size), low + 1] += share
    return np.asarray(made.reshape(size // 2, 2, size).mean(axis=1), dtype=np.float32)

"""Where a film's pictures change: cuts, and wipes or dissolves, from thumbnails alone.

Thresholds (grey levels of 0 to 255) were set by hand on drawn films; no source is known for them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Thumbs = npt.NDArray[np.uint8]
"""Grey thumbnails, shape (frames, height, width)."""
Flat = npt.NDArray[np.float32]

_STEP, _OVER, _NEAR = 9.0, 2.2, 8
_LIKE = 0.45  # of the step: what a picture after a flash differs from the one before it, at most
_APART_S, _DIFFER, _CALM = 0.36, 13.0, 1.6
_SWEEP_S, _LULL_S = 0.24, 0.2


@dataclass(frozen=True, slots=True)
class Shots:
    """`cuts`: numbers of the first frames of new shots. `gradual`: [first, last) of frames in which one
    picture becomes another; `sweeps`: those of them in which something sweeps over it. `bounds`: [first,
    last) of every shot, gradual changes left out."""

    cuts: tuple[int, ...]
    sweeps: tuple[tuple[int, int], ...]
    gradual: tuple[tuple[int, int], ...]
    bounds: tuple[tuple[int, int], ...]


def find(thumbs: Thumbs, rate: float, *, flashes: bool = True) -> Shots:
    """The shots of a film. `rate`: frames a second, on average. `flashes`: whether a picture that comes back
    at once was a flash and no cut; without it cameras' flashes are taken for cuts."""
    flat = flattened(thumbs)
    sweeps = _sweeps(flat, rate)
    cuts = [c for c in _cuts(flat, flashes) if not any(a - 2 <= c <= b + 1 for a, b in sweeps)]
    gradual = sorted([*sweeps, *_dissolves(flat, [*cuts, *(f for pair in sweeps for f in pair)], rate)])
    edges = sorted([(c, c) for c in cuts] + list(gradual))
    bounds, at = [], 0
    for first, last in edges:
        if first > at:
            bounds.append((at, first))
        at = max(at, last)
    if at < len(thumbs):
        bounds.append((at, len(thumbs)))
    return Shots(tuple(cuts), tuple(sweeps), tuple(gradual), tuple(bounds))


def flattened(thumbs: Thumbs) -> Flat:
    """Half as large and without their mean, so that brightness alone is no change; shape (frames, cells)."""
    n, h, w = thumbs.shape
    out = np.empty((n, (h // 2) * (w // 2)), np.float32)
    for at in range(0, n, 4096):
        part = thumbs[at : at + 4096].astype(np.float32).reshape(-1, h // 2, 2, w // 2, 2).mean(axis=(2, 4))
        part = part.reshape(len(part), -1)
        out[at : at + 4096] = part - part.mean(axis=1, keepdims=True)
    return out


def steps(flat: Flat, apart: int = 1) -> npt.NDArray[np.float32]:
    """By how much each picture differs from the one `apart` before it; 0 for the first ones."""
    made = np.zeros(len(flat), np.float32)
    for at in range(apart, len(flat), 4096):
        end = min(len(flat), at + 4096)
        made[at:end] = np.abs(flat[at:end] - flat[at - apart : end - apart]).mean(axis=1)
    return made


def _differ(flat: Flat, a: int, b: int) -> float:
    a, b = (min(max(0, x), len(flat) - 1) for x in (a, b))
    return float(np.abs(flat[a] - flat[b]).mean())


def _cuts(flat: Flat, flashes: bool) -> list[int]:
    step = steps(flat)
    found: list[int] = []
    for f in np.flatnonzero(step > _STEP).tolist():
        near = np.concatenate([step[max(1, f - _NEAR) : f], step[f + 1 : f + 1 + _NEAR]])
        if len(near) and step[f] <= _OVER * float(np.percentile(near, 80)) + 1:
            continue
        if flashes and _comes_back(flat, f, _LIKE * float(step[f])):
            continue
        if found and f - found[-1] <= 2:
            if step[f] > step[found[-1]]:
                found[-1] = f
            continue
        found.append(f)
    return found


def _comes_back(flat: Flat, f: int, most: float) -> bool:
    """Whether the picture before frame f is back after up to five frames, or f is where it comes back."""
    pairs = [(after, before) for after in range(1, 6) for before in range(1, 6) if after + before >= 3]
    return any(_differ(flat, f + after, f - before) < most for after, before in pairs)


def _sweeps(flat: Flat, rate: float) -> list[tuple[int, int]]:
    """Runs of frames that all differ much from the next but one: something sweeps over the picture, or the
    camera is thrown round."""
    moving = np.zeros(len(flat), bool)
    moving[1:-1] = steps(flat, 2)[2:] > _STEP
    return [(a, b) for a, b in _runs(moving, gap=round(_LULL_S * rate)) if b - a >= _SWEEP_S * rate]


def _dissolves(flat: Flat, edges: list[int], rate: float) -> list[tuple[int, int]]:
    """Runs of frames round which pictures differ, though no edge of another kind is near."""
    half = max(2, round(_APART_S * rate))
    differs = np.zeros(len(flat), bool)
    differs[half : len(flat) - half] = steps(flat, 2 * half)[2 * half :] > _DIFFER
    for edge in edges:
        differs[max(0, edge - half - 1) : edge + half + 1] = False
    found = []
    for first, last in _runs(differs, gap=0):
        middle = (first + last) // 2
        if last - first < half or not _turns(flat, middle, half, edges):
            continue
        found.append((max(first + half // 2, middle - half), min(last - half // 2, middle + half)))
    return found


def _turns(flat: Flat, middle: int, half: int, edges: list[int]) -> bool:
    """Whether one picture became another, rather than a camera going slowly from here to there: then little
    happens before and after."""
    a, b = middle - half, middle + half
    inside = _differ(flat, a, b)
    earlier = max([e for e in edges if e <= a], default=0)
    later = min([e for e in edges if e > b], default=len(flat))
    before = _differ(flat, a, max(earlier, a - 2 * half))
    after = _differ(flat, b, min(later - 1, b + 2 * half))
    return inside > _CALM * max(before, after)


def _runs(flags: npt.NDArray[np.bool_], gap: int) -> list[tuple[int, int]]:
    """[first, last) of stretches that are true, those closer than `gap` joined."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]]))).tolist()
    runs: list[tuple[int, int]] = []
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        if runs and first - runs[-1][1] <= gap:
            runs[-1] = (runs[-1][0], last)
        else:
            runs.append((first, last))
    return runs

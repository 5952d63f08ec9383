"""Whether the clock's graphic is on the picture, frame by frame, from the small picture of its place."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

_STILL, _LEAST_STILL = 40, 0.06  # percentile of cells that count as still; share that has to be
_THERE = 0.6
_SHORTEST_S = 0.8


def on_picture(
    plates: npt.NDArray[np.uint8], times: npt.NDArray[np.float64], rounds: Sequence[tuple[float, float]]
) -> npt.NDArray[np.bool_] | None:
    """Of every frame, whether the graphic is there; None if it cannot be told from what is behind it.

    `rounds`: spans in seconds during which it mostly is there: its look is learnt from them.
    """
    inside = np.zeros(len(times), bool)
    for start, end in rounds:
        inside |= (times >= start + 1) & (times < end - 1)
    if not len(plates) or inside.sum() < 20:
        return None
    known = np.flatnonzero(inside)
    some = plates[known[:: max(1, len(known) // 400)]].astype(np.float32)
    middle = np.median(some, axis=0)
    # What is behind changes; so does the time. The rest is the graphic, and so is what has sharp edges.
    off = np.median(np.abs(some - middle), axis=0)
    still = off <= max(2.0, float(np.percentile(off, _STILL)) * 0.5)
    if still.mean() < _LEAST_STILL:
        still = off <= np.percentile(off, 15)
    look = middle[still] - middle[still].mean()
    size = float(np.linalg.norm(look))
    if size < 6 * np.sqrt(still.sum()):  # a flat plate: its grey itself is its look
        return _by_grey(plates, middle, still, inside)
    there = np.zeros(len(plates), bool)
    for at in range(0, len(plates), 4096):
        part = plates[at : at + 4096].astype(np.float32)[:, still]
        part = part - part.mean(axis=1, keepdims=True)
        there[at : at + 4096] = part @ look / (np.linalg.norm(part, axis=1) * size + 1e-3) > _THERE
    return there if there[inside].mean() > 0.5 else None


def _by_grey(
    plates: npt.NDArray[np.uint8],
    middle: npt.NDArray[np.float32],
    still: npt.NDArray[np.bool_],
    inside: npt.NDArray[np.bool_],
) -> npt.NDArray[np.bool_] | None:
    off = np.empty(len(plates), np.float32)
    for at in range(0, len(plates), 4096):
        off[at : at + 4096] = np.abs(plates[at : at + 4096].astype(np.float32) - middle)[:, still].mean(
            axis=1
        )
    usual = float(np.median(off[inside]))
    there = off < usual * 2.5 + 6
    return there if there[inside].mean() > 0.5 else None


def gone(
    there: npt.NDArray[np.bool_],
    times: npt.NDArray[np.float64],
    rounds: Sequence[tuple[float, float]],
    changes: Sequence[tuple[int, int]],
) -> list[tuple[int, int]]:
    """[first, last) of frames in rounds without the graphic where the picture changes at both ends. Where it
    does not, something else has only taken the graphic's place. `changes`: [first, last) of cuts and wipes.
    """
    found = []
    edges = np.flatnonzero(np.diff(np.concatenate([[0], (~there).astype(np.int8), [0]])))
    for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        middle = float(times[(first + last) // 2])
        if times[last - 1] - times[first] < _SHORTEST_S or not any(a <= middle < b for a, b in rounds):
            continue
        slack = 6
        ends = [any(a - slack <= edge <= b + slack for a, b in changes) for edge in (first, last)]
        if all(ends):
            found.append((first, last))
    return found

"""Wipes that look alike and stand in pairs round what lies between them: as a rule, a replay."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

Run = tuple[int, int]

_ALIKE, _SHIFT = 16.0, 12  # grey levels; frames, as a wipe may be found by one half of it alone
_LONGEST_S, _SHORTEST_S = 40.0, 0.8
_CLOCK, _UNPAIRED = 0.7, 0.4
_SOME, _MOST = 0.12, 0.9


def alike(thumbs: npt.NDArray[np.uint8], runs: Sequence[Run]) -> list[list[Run]]:
    """Groups of two and more stretches whose pictures match in their middles, whatever is under them."""
    groups: list[list[Run]] = []
    for run in runs:
        for group in groups:
            if any(_distance(thumbs, run, other) < _ALIKE for other in group[:3]):
                group.append(run)
                break
        else:
            groups.append([run])
    return [group for group in groups if len(group) > 1]


def _distance(thumbs: npt.NDArray[np.uint8], a: Run, b: Run) -> float:
    middle_a, middle_b = (a[0] + a[1]) // 2, (b[0] + b[1]) // 2
    reach = np.arange(-1, 2)
    one = thumbs[np.clip(middle_a + reach, 0, len(thumbs) - 1)].astype(np.float32)
    best = np.inf
    for shift in range(-_SHIFT, _SHIFT + 1):
        other = thumbs[np.clip(middle_b + shift + reach, 0, len(thumbs) - 1)].astype(np.float32)
        best = min(best, float(np.abs(one - other).mean()))
    return best


def paired(
    group: Sequence[Run], times: npt.NDArray[np.float64], live: Callable[[int, int], float]
) -> list[tuple[Run, Run]]:
    """Pairs of neighbours of one group that are likely to stand round a replay. `live`: the share of frames
    [first, last) that seem to be live film; with some and some a pair is none."""
    runs = sorted(group)
    best: list[tuple[float, list[tuple[Run, Run]]]] = [(0.0, [])]
    for k, run in enumerate(runs):
        alone = (best[k][0] - _UNPAIRED, best[k][1])
        together = None
        if k:
            opening = runs[k - 1]
            length = float(times[run[0]] - times[opening[1] - 1])
            share = live(opening[1], run[0])
            if _SHORTEST_S <= length <= _LONGEST_S and not _SOME < share < _MOST:
                value = 1 - length / _LONGEST_S - _CLOCK * share
                together = (best[k - 1][0] + value, [*best[k - 1][1], (opening, run)])
        best.append(max([alone, together] if together else [alone], key=lambda b: b[0]))
    return best[-1][1]

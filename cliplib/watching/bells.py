"""Bells in a fight's sound: strokes that ring, grouped by how they sound, and told from others by when they
come: a round, a rest, or both together apart.

Thresholds were set by hand on drawn films; no source is known for them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Sound = npt.NDArray[np.int16]
Levels = npt.NDArray[np.float32]
Span = tuple[float | None, float | None]

RATE = 12_000
_WINDOW, _STEP = 1024, 240
PER_S = RATE // _STEP
_LOW, _HIGH = round(600 * _WINDOW / RATE), round(4000 * _WINDOW / RATE)
_BEFORE, _RINGS = 12, PER_S // 2  # a quarter, and half a second
_RISE, _KEEP, _FALL, _STAND = 9.0, 3.6, (1.0, 22.0), 6.0  # dB
_LINES = 3
_ALIKE, _MATCH = 0.3, 0.55
_ROW_S = 3.0  # strokes closer than this belong to one ringing
SLACK_S = 1.6
"""By how much bells may be off the lengths of round and rest: they are struck by hand."""
_SURELY, _MOSTLY, _WORTH = 4, 0.6, 0.5
_PIECE = 60 * PER_S


@dataclass(frozen=True, slots=True)
class Stroke:
    """`lines`: the partials, as bins of the spectrum."""

    time: float
    lines: frozenset[int]


@dataclass(frozen=True, slots=True)
class Bell:
    """One bell of the hall: when it rang (seconds, the first stroke of each row), and how many of those times
    are a round, a rest or both apart from another. `claimed`: so many that it is no chance."""

    times: tuple[float, ...]
    fitting: int
    spectrum: Levels = field(repr=False, compare=False)

    @property
    def claimed(self) -> bool:
        return self.fitting >= _SURELY and self.fitting >= _MOSTLY * len(self.times)


def strokes(sound: Sound) -> list[Stroke]:
    """All that rings like a bell might: voices and music do it too, so this alone tells nothing."""
    found: list[Stroke] = []
    for first, levels in _pieces(sound):
        found += [s for s in _strokes(levels, first) if not found or s.time > found[-1].time + 0.2]
    return found


def bells(sound: Sound, round_s: float, rest_s: float) -> list[Bell]:
    """The bells whose strokes are apart as rounds and rests are, the likeliest first; none, if none does.

    `sound`: mono at `RATE`. `round_s`, `rest_s`: lengths in seconds.
    """
    groups = [(_fitting([s.time for s in g], round_s, rest_s), g) for g in _groups(strokes(sound))]
    most = max((fits for fits, _ in groups), default=0)
    made: list[Bell] = []
    for fits, group in sorted(groups, key=lambda g: (-g[0], len(g[1]))):
        if fits < max(2, _WORTH * most):
            break
        spectrum = _spectrum(sound, [s.time for s in group])
        if any(_correlation(spectrum, one.spectrum) > _MATCH for one in made):
            continue
        times = matching(sound, spectrum)
        fits = _fitting(times, round_s, rest_s)
        if fits:
            made.append(Bell(tuple(times), fits, spectrum))
    return sorted(made, key=lambda one: (-one.fitting, len(one.times)))


def like(sound: Sound, time: float) -> list[float]:
    """Where what is heard at `time` is heard too: for a bell that somebody has marked."""
    return matching(sound, _spectrum(sound, [time]))


def matching(sound: Sound, spectrum: Levels) -> list[float]:
    """Times at which a spectrum begins to ring, the first of each row, seconds."""
    rough: list[tuple[float, float]] = []
    reach = _RINGS // 2
    for first, levels in _pieces(sound):
        sums = np.cumsum(np.vstack([np.zeros((1, levels.shape[1]), np.float32), levels]), axis=0)
        at = np.arange(_BEFORE + 2, len(levels) - reach - 2)
        if not len(at):
            continue
        after = (sums[at + reach + 1] - sums[at + 1]) / reach
        before = (sums[at - 2] - sums[at - 2 - _BEFORE]) / _BEFORE
        risen = after - before
        score = _correlations(risen, spectrum)
        score[np.sort(risen, axis=1)[:, -8:].mean(axis=1) < _RISE * 0.6] = 0
        rough += _peaks(score, at + first)
    rows: list[float] = []
    for time, _ in sorted(rough):
        if not rows or time > rows[-1] + _ROW_S:
            rows.append(time)
    return [_sharpened(sound, time) for time in rows]


def chained(times: Sequence[float], round_s: float, rest_s: float) -> list[Span]:
    """Rounds as (first bell, last bell) in order, from times that fit; None where a bell was not heard but
    the rest before or after says that there was a round."""
    times = sorted(times)
    whole = [(a, b) for a in times for b in times if abs(b - a - round_s) <= SLACK_S]
    opens = {b for _, b in whole} | {b - round_s for _, b in whole}
    best: list[tuple[float, float]] = []
    scores: list[tuple[float, list[tuple[float, float]]]] = []
    for a, b in sorted(whole, key=lambda p: p[1]):
        value = 1 + 0.5 * any(abs(t - b - rest_s) <= SLACK_S or abs(a - t - rest_s) <= SLACK_S for t in times)
        value -= 0.1 * abs(b - a - round_s)
        before = max(
            (s for s in scores if s[1][-1][1] <= a - min(rest_s, 5) / 2),
            key=lambda s: s[0],
            default=(0.0, []),
        )
        scores.append((before[0] + value, [*before[1], (a, b)]))
    if scores:
        best = max(scores, key=lambda s: s[0])[1]
    rounds: list[Span] = list(best)
    used = [t for pair in best for t in pair]
    for t in times:
        if any(abs(t - u) < _ROW_S for u in used) or not opens:
            continue
        if any(abs(t - b - rest_s) <= SLACK_S for _, b in best) and _free(t, t + round_s, best):
            rounds.append((t, None))
        elif any(abs(a - t - rest_s) <= SLACK_S for a, _ in best) and _free(t - round_s, t, best):
            rounds.append((None, t))
    return sorted(rounds, key=lambda r: r[0] if r[0] is not None else (r[1] or 0.0) - round_s)


def _free(a: float, b: float, taken: list[tuple[float, float]]) -> bool:
    return all(b <= x + 0.5 or a >= y - 0.5 for x, y in taken)


# --- spectra ----------------------------------------------------------------------------------------------


def _pieces(sound: Sound) -> Iterator[tuple[int, Levels]]:
    """(number of the first column, levels in dB, shape (columns, bins)), overlapping enough for a stroke."""
    columns = max(0, (len(sound) - _WINDOW) // _STEP + 1)
    lap = _BEFORE + _RINGS + 6
    for first in range(0, columns, _PIECE):
        begin, end = max(0, first - _BEFORE - 4), min(columns, first + _PIECE + lap)
        yield begin, levels_of(sound, begin, end)


def levels_of(sound: Sound, first: int, last: int) -> Levels:
    """dB of columns [first, last); a column begins every `1 / PER_S` seconds and is centred half a window
    later."""
    window = np.hanning(_WINDOW).astype(np.float32)
    view = np.lib.stride_tricks.sliding_window_view(sound, _WINDOW)[first * _STEP : last * _STEP : _STEP]
    out = np.empty((len(view), _HIGH - _LOW), np.float32)
    for at in range(0, len(view), 512):
        waves = np.fft.rfft(view[at : at + 512].astype(np.float32) * window, axis=1)[:, _LOW:_HIGH]
        out[at : at + 512] = 20 * np.log10(np.abs(waves) + 300.0)
    return out


def _time(column: float) -> float:
    return (column * _STEP + _WINDOW / 2) / RATE


def _strokes(levels: Levels, first: int) -> list[Stroke]:
    at = np.arange(_BEFORE + 3, len(levels) - _RINGS - 4)
    if not len(at):
        return []
    sums = np.cumsum(np.vstack([np.zeros((1, levels.shape[1]), np.float32), levels]), axis=0)
    before = (sums[at - 2] - sums[at - 2 - _BEFORE]) / _BEFORE
    peak = np.maximum(levels[at + 2], levels[at + 3])
    late = (sums[at + _RINGS + 3] - sums[at + _RINGS - 2]) / 5
    middle = (sums[at + _RINGS // 2 + 3] - sums[at + _RINGS // 2 - 2]) / 5
    rings = (peak - before >= _RISE) & (late - before >= _KEEP) & (middle - before >= _KEEP)
    rings &= (peak - late >= _FALL[0]) & (peak - late <= _FALL[1])
    around = np.full_like(peak, -np.inf)
    around[:, 4:] = peak[:, :-4]
    around[:, :-4] = np.maximum(around[:, :-4], peak[:, 4:])
    rings &= peak >= around + _STAND
    rings[:, 1:] &= peak[:, 1:] >= peak[:, :-1]
    rings[:, :-1] &= peak[:, :-1] >= peak[:, 1:]
    counts = rings.sum(axis=1)
    found: list[Stroke] = []
    for k in np.flatnonzero(counts >= _LINES):
        near = counts[max(0, k - 8) : k + 9]
        if counts[k] == near.max() and (not found or _time(at[k] + first) > found[-1].time + 0.2):
            lines = frozenset(int(b) for b in np.flatnonzero(rings[k]))
            found.append(Stroke(_time(float(at[k] + first)), lines))
    return found


def _groups(found: list[Stroke]) -> list[list[Stroke]]:
    """Those that have partials in common with one of them, once for each that begins a group."""
    groups: list[list[Stroke]] = []
    for one in found:
        group = [other for other in found if _alike(one.lines, other.lines) >= _ALIKE]
        kept: list[Stroke] = []
        for stroke in group:
            if not kept or stroke.time > kept[-1].time + _ROW_S:
                kept.append(stroke)
        if len(kept) > 1 and kept not in groups:
            groups.append(kept)
    return groups


def _alike(a: frozenset[int], b: frozenset[int]) -> float:
    shared = sum(1 for line in a if line in b or line - 1 in b or line + 1 in b)
    return shared / max(1, len(a) + len(b) - shared)


def _fitting(times: Sequence[float], round_s: float, rest_s: float) -> int:
    apart = (round_s, rest_s, round_s + rest_s)
    return sum(any(abs(abs(a - b) - gap) <= SLACK_S for b in times for gap in apart if a != b) for a in times)


def _spectrum(sound: Sound, times: Sequence[float]) -> Levels:
    """The mean of what rises at these times."""
    columns = max(0, (len(sound) - _WINDOW) // _STEP + 1)
    made = []
    for time in times:
        at = round((time * RATE - _WINDOW / 2) / _STEP)
        if at - _BEFORE - 2 < 0 or at + _RINGS // 2 + 1 >= columns:
            continue
        levels = levels_of(sound, at - _BEFORE - 2, at + _RINGS // 2 + 1)
        made.append(levels[_BEFORE + 3 :].mean(axis=0) - levels[:_BEFORE].mean(axis=0))
    if not made:
        return np.zeros(_HIGH - _LOW, np.float32)
    return np.asarray(np.mean(made, axis=0), dtype=np.float32)


def _correlations(rows: Levels, spectrum: Levels) -> npt.NDArray[np.float64]:
    a = rows - rows.mean(axis=1, keepdims=True)
    b = spectrum - spectrum.mean()
    scale = np.linalg.norm(a, axis=1) * np.linalg.norm(b) + 1e-6
    return np.asarray(a @ b / scale, dtype=np.float64)


def _correlation(a: Levels, b: Levels) -> float:
    return float(_correlations(a[None], b)[0])


def _peaks(score: npt.NDArray[np.float64], columns: npt.NDArray[np.int64]) -> list[tuple[float, float]]:
    highest = [k for k in np.flatnonzero(score >= _MATCH) if score[k] == score[max(0, k - 15) : k + 16].max()]
    return [(_time(float(columns[k])), float(score[k])) for k in highest]


def _sharpened(sound: Sound, time: float) -> float:
    """Where, within a sixth of a second, what was risen to rises steepest in 5 ms, above the bass."""
    first = max(0, round((time - 0.16) * RATE))
    piece = sound[first : round((time + 0.12) * RATE)].astype(np.float64)
    if len(piece) < 480:
        return time
    high = np.diff(piece, 2)
    step = 60
    count = len(high) // 12
    power = np.convolve(high**2, np.ones(step) / step, "valid")
    at = np.arange(0, count * 12 - 2 * step, 12)
    if not len(at):
        return time
    rise = np.log(power[at + step] + 50.0) - np.log(power[at] + 50.0)
    gain = rise * np.sqrt(power[at + step] / (power.max() + 1e-9))
    return (first + int(at[int(gain.argmax())]) + step) / RATE

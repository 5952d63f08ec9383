"""Bursts of action, learnt from what somebody has logged of the same film.

Twice five signals at ten a second: how limbs and all else move, how the camera shakes, how much a picture
costs to code, what thuds and slaps are heard, and what the crowd says to it. A logistic fit tells film with
logged exchanges from film without. It is tried on stretches it has not seen; where it tells nothing there, it
says so, and nothing is proposed.

Film that is not proposed is quiet by these signals. That never means that nothing happened in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cliplib.watching.seen import Seen
from cliplib.watching.shots import Shots

Floats = npt.NDArray[np.float64]
Spans = Sequence[tuple[float, float]]

PER_S = 10
SIGNALS = ("limbs", "residual", "shake", "bytes", "thuds", "slaps", "crowd", "crowd later")
ENOUGH_TO_SKIP = 30
"""Logged exchanges below which quiet film is at most played faster, never skipped."""
_BLOCKS, _MARGIN_S, _STRENGTH = 6, 1.0, 0.05
_USEFUL, _SHIFTS, _CHANCE = 0.70, 200, 0.05
_LEAST = 3  # logged exchanges
_PAD_S, _SHARE_OF_LOWEST = 1.0, 0.5
_SOUND_RATE, _WINDOW, _STEP = 12_000, 512, 240


@dataclass(frozen=True, slots=True)
class Action:
    """`useful`: whether it told action from none on logged film it had not seen. `auc`: how well, 0.5 being
    chance; `chance`: how often labels turned round do as well. `spans`: seconds, in the rounds, where action
    is likely, replays left out; empty where it is of no use. `kept`: their share of the rounds.
    `exchanges`: how many were learnt from, and `at_least` the share of exchanges that are covered with a
    confidence of 95 %, if these all are. `said`: in sentences.
    """

    useful: bool
    auc: float
    chance: float
    spans: tuple[tuple[float, float], ...]
    kept: float
    exchanges: int
    at_least: float
    said: tuple[str, ...]

    @property
    def may_skip(self) -> bool:
        return self.useful and self.exchanges >= ENOUGH_TO_SKIP


def signals(seen: Seen, shots: Shots, sound: npt.NDArray[np.int16]) -> Floats:
    """What is known of every tenth of a second, shape (tenths, twice the signals): each, and its mean over
    the second round it. Pictures' signals are against the shot's own middle and spread."""
    count = int((seen.times[-1] - seen.times[0]) * PER_S) + 1 if len(seen.times) else 0
    frames = np.clip(((seen.times - seen.times[0]) * PER_S).astype(int), 0, count - 1)
    motion = np.asarray(seen.motion, np.float64)
    size = np.where(seen.keys, np.nan, np.log1p(np.asarray(seen.sizes, np.float64)))
    shake = np.hypot(np.gradient(motion[:, 2]), np.gradient(motion[:, 3]))
    columns = [_against_shot(x, shots) for x in (motion[:, 1], motion[:, 0], shake, size)]
    pooled = [_pooled(x, frames, count) for x in columns]
    pooled += _heard(sound, count)
    now = np.stack(pooled, axis=1)
    wide = np.apply_along_axis(lambda c: np.convolve(c, np.ones(PER_S + 1) / (PER_S + 1), "same"), 0, now)
    return np.hstack([now, wide])


def learn(
    table: Floats, start: float, logged: Spans, seen_whole: Spans, rounds: Spans, replays: Spans
) -> Action:
    """What the film's signals say, after its logged exchanges.

    `start`: time of the first tenth. `logged`: the exchanges. `seen_whole`: stretches that were logged to the
    end, so that film without an exchange is film without action. All in seconds.
    """
    times = start + np.arange(len(table)) / PER_S
    free = ~_inside(times, replays, 0.3)
    usable = _inside(times, seen_whole) & free
    labels = _inside(times, logged)
    n = sum(1 for a, b in logged if usable[(times >= a) & (times < b)].any())
    at_least = 0.05 ** (1 / n) if n else 0.0
    if n < _LEAST or usable.sum() < 10 * PER_S or not 0 < labels[usable].mean() < 1:
        return Action(
            False, 0.5, 1.0, (), 1.0, n, at_least, (f"{n} logged exchanges are too few to learn from",)
        )
    scores = _out_of_fold(table, labels, usable)
    auc, chance = _judged(scores, labels, usable)
    if auc < _USEFUL or chance >= _CHANCE:
        said = f"sound and movement do not tell action from none on this film (AUC {auc:.2f}): useless here"
        return Action(False, auc, chance, (), 1.0, n, at_least, (said,))
    peaks = [
        float(scores[here].max())
        for a, b in logged
        if (here := (times >= a - 0.3) & (times < b + 0.3) & usable).any()
    ]
    threshold = _SHARE_OF_LOWEST * min(peaks)
    weights = _fit(table[usable], labels[usable])
    values = _predicted(table, weights)
    live = _inside(times, rounds) & free
    spans = _spans(times, (values >= threshold) & live, live)
    kept = sum(b - a for a, b in spans) / max(1e-6, live.sum() / PER_S)
    return Action(True, auc, chance, spans, min(1.0, kept), n, at_least, _sentences(n, auc, at_least))


def _sentences(n: int, auc: float, at_least: float) -> tuple[str, ...]:
    said = [f"learnt from {n} logged exchanges; tried on film it had not seen: AUC {auc:.2f}"]
    said.append(f"if it finds all of these, it finds at least {at_least:.0%} of such exchanges (95 % sure)")
    if n < ENOUGH_TO_SKIP:
        said.append(f"with fewer than {ENOUGH_TO_SKIP}, quiet film may be played faster but not skipped")
    return tuple(said)


# --- signals ----------------------------------------------------------------------------------------------


def _against_shot(values: Floats, shots: Shots) -> Floats:
    """Each value less the middle of its shot, over its spread from the 20th to the 80th percentile."""
    made = np.zeros(len(values))
    for first, last in (*shots.bounds, *shots.gradual):
        part = values[first:last]
        known = part[np.isfinite(part)]
        if len(known) < 5:
            continue
        low, middle, high = np.percentile(known, [20, 50, 80])
        made[first:last] = np.clip((np.nan_to_num(part, nan=middle) - middle) / (high - low + 1e-3), -4, 8)
    return made


def _pooled(values: Floats, frames: npt.NDArray[np.int64], count: int) -> Floats:
    """The highest in each tenth; of one without a picture, that of the one before."""
    made = np.full(count, -np.inf)
    np.maximum.at(made, frames, values)
    known = np.where(np.isfinite(made), np.arange(count), 0)
    made[~np.isfinite(made)] = 0.0
    return np.asarray(made[np.maximum.accumulate(known)], dtype=np.float64)


def _heard(sound: npt.NDArray[np.int16], count: int) -> list[Floats]:
    """Thuds (50 to 220 Hz) and slaps (3 to 5.5 kHz) as rises, and the crowd (300 to 2500 Hz), now and
    0.8 s later; each against the film's own middle and spread."""
    if len(sound) < 2 * _WINDOW or not np.any(sound):
        return [np.zeros(count) for _ in range(4)]
    window = np.hanning(_WINDOW).astype(np.float32)
    view = np.lib.stride_tricks.sliding_window_view(sound, _WINDOW)[::_STEP]
    hertz = np.fft.rfftfreq(_WINDOW, 1 / _SOUND_RATE)
    bands = [(50, 220), (3000, 5500), (300, 2500)]
    levels = np.empty((len(view), len(bands)))
    for at in range(0, len(view), 2048):
        power = np.abs(np.fft.rfft(view[at : at + 2048].astype(np.float32) * window, axis=1)) ** 2
        for k, (low, high) in enumerate(bands):
            levels[at : at + 2048, k] = 10 * np.log10(
                power[:, (hertz >= low) & (hertz < high)].sum(axis=1) + 1e4
            )
    rises = np.zeros((len(levels), 2))
    rises[3:] = np.maximum(0, levels[3:, :2] - np.maximum(levels[2:-1, :2], levels[:-3, :2]))
    tenth = np.clip((np.arange(len(view)) * _STEP + _WINDOW // 2) * PER_S // _SOUND_RATE, 0, count - 1)
    made = [_pooled(rises[:, 0], tenth, count), _pooled(rises[:, 1], tenth, count)]
    crowd = _pooled(levels[:, 2], tenth, count)
    smooth = np.convolve(crowd, np.ones(5) / 5, "same")
    made += [smooth, np.roll(smooth, -round(0.8 * PER_S))]
    return [_scaled(x) for x in made]


def _scaled(values: Floats) -> Floats:
    low, middle, high = np.percentile(values, [20, 50, 80])
    return np.asarray(np.clip((values - middle) / (high - low + 0.5), -4, 8), dtype=np.float64)


# --- the fit ----------------------------------------------------------------------------------------------


def _fit(table: Floats, labels: npt.NDArray[np.bool_]) -> Floats:
    """Weights of a logistic fit with a penalty on their squares, the first of them the constant."""
    x = np.hstack([np.ones((len(table), 1)), table])
    y = labels.astype(float)
    weights = np.zeros(x.shape[1])
    penalty = np.full(x.shape[1], 1 / _STRENGTH)
    penalty[0] = 1e-6
    for _ in range(30):
        p = _logistic(x @ weights)
        slope = x.T @ (p - y) + penalty * weights
        curve = (x * (p * (1 - p))[:, None]).T @ x + np.diag(penalty)
        step = np.linalg.solve(curve, slope)
        weights -= step
        if np.abs(step).max() < 1e-6:
            break
    return weights


def _predicted(table: Floats, weights: Floats) -> Floats:
    return _logistic(weights[0] + table @ weights[1:])


def _logistic(x: Floats) -> Floats:
    return np.asarray(1 / (1 + np.exp(-np.clip(x, -40, 40))), dtype=np.float64)


def _out_of_fold(table: Floats, labels: npt.NDArray[np.bool_], usable: npt.NDArray[np.bool_]) -> Floats:
    """Each tenth as a fit says it that saw neither it nor a second round its block."""
    at = np.flatnonzero(usable)
    scores = np.zeros(len(table))
    for block in np.array_split(at, _BLOCKS):
        if not len(block):
            continue
        margin = round(_MARGIN_S * PER_S)
        train = at[(at < block[0] - margin) | (at > block[-1] + margin)]
        if 0 < labels[train].sum() < len(train):
            scores[block] = _predicted(table[block], _fit(table[train], labels[train]))
        else:
            scores[block] = labels[train].mean() if len(train) else 0.5
    return scores


def _judged(
    scores: Floats, labels: npt.NDArray[np.bool_], usable: npt.NDArray[np.bool_]
) -> tuple[float, float]:
    """The area under the curve, and how often labels that are turned round do as well."""
    s, y = scores[usable], labels[usable]
    auc = area(s, y)
    steps = np.linspace(2 * PER_S, len(y) - 2 * PER_S, _SHIFTS).astype(int)
    turned = [area(s, np.roll(y, k)) for k in steps]
    return auc, float(np.mean(np.array(turned) >= auc))


def area(scores: Floats, labels: npt.NDArray[np.bool_]) -> float:
    """Under the receiver's curve: the chance that a true one scores above a false one, ties by half."""
    true = int(labels.sum())
    if not 0 < true < len(labels):
        return 0.5
    _, turn, counts = np.unique(scores, return_inverse=True, return_counts=True)
    ends = np.cumsum(counts)
    ranks = (ends - (counts - 1) / 2)[turn]
    return float((ranks[labels].sum() - true * (true + 1) / 2) / (true * (len(labels) - true)))


def _inside(times: Floats, spans: Spans, pad: float = 0.0) -> npt.NDArray[np.bool_]:
    made = np.zeros(len(times), bool)
    for a, b in spans:
        made |= (times >= a - pad) & (times < b + pad)
    return made


def _spans(
    times: Floats, active: npt.NDArray[np.bool_], live: npt.NDArray[np.bool_]
) -> tuple[tuple[float, float], ...]:
    """Stretches of action with a second before and after, within live film."""
    pad = round(_PAD_S * PER_S)
    padded = np.convolve(active.astype(int), np.ones(2 * pad + 1, int), "same") > 0
    edges = np.flatnonzero(np.diff(np.concatenate([[0], (padded & live).astype(np.int8), [0]])))
    step = 1 / PER_S
    return tuple(
        (float(times[a]), float(times[b - 1]) + step) for a, b in zip(edges[::2], edges[1::2], strict=True)
    )

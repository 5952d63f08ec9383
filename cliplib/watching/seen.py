"""What one pass over a film leaves behind, in a folder of its own: sound first, then frames from the first to
the last. A pass that was stopped goes on where it was; a folder that is deleted comes back the same.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from cliplib.core.errors import StorageError
from cliplib.core.progress import Progress, silent
from cliplib.media.apart.asking import Apart
from cliplib.media.probe import Probe
from cliplib.media.scan import HIGH, MOTION, PLATE_HIGH, PLATE_WIDE, SOUND_RATE, WIDE, Box

VERSION = 1
"""Of the pass: what an older one left is not read."""

_JOB = "cliplib.media.apart.scanning:Scanner"
_SIZES = {
    "thumbs": WIDE * HIGH,
    "motion": 4 * len(MOTION),
    "packets": 8,
    "plates": PLATE_WIDE * PLATE_HIGH,
}
_STATE = "state.json"


@dataclass(frozen=True, slots=True)
class Place:
    """Where a clock is: `line`, the one tight line of its time, and `around` with what stands beside it."""

    line: Box
    around: Box


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """A film as arrays, one entry a frame. `times`: seconds. `thumbs`: (n, 36, 64). `motion`: (n, 6), see
    `media.scan.MOTION`. `sizes` in bytes and `keys` of the packets. `plates`: (n, 20, 56) of what is
    around the clock, and `lines` as they are, of the frames `of`; empty without a clock."""

    times: npt.NDArray[np.float64]
    thumbs: npt.NDArray[np.uint8]
    motion: npt.NDArray[np.float32]
    sizes: npt.NDArray[np.int32]
    keys: npt.NDArray[np.bool_]
    plates: npt.NDArray[np.uint8]
    lines: npt.NDArray[np.uint8]
    of: npt.NDArray[np.int64]

    @property
    def rate(self) -> float:
        """Frames a second, on average."""
        n = len(self.times)
        return (n - 1) / float(self.times[-1] - self.times[0]) if n > 1 else 25.0


class Pass:
    """The pass over one film. `folder`: where caches are; this one's is named after the footage's fingerprint
    and `VERSION`. For one process at a time."""

    def __init__(self, found: Probe, folder: Path):
        self.found = found
        self.folder = folder / f"{found.info.fingerprint}-{VERSION}"

    def sound(self, progress: Progress = silent) -> npt.NDArray[np.int16]:
        """Mono at 12 kHz; its first sample is heard with the first picture. Empty if the film has none."""
        kept = self.folder / "sound.npy"
        if kept.is_file():
            return np.asarray(np.load(kept, mmap_mode="r"), dtype=np.int16)
        info = self.found.info
        length = round(info.duration_us * SOUND_RATE / 1e6)
        heard = np.zeros(length if info.audio else 0, np.int16)
        with Apart(self.found.path, _JOB, self.found.path, info, self.found.timeline) as job:
            for said, data in job.each("sound", progress=progress):
                at, piece = said["at"], np.frombuffer(data, np.int16)
                first, last = max(0, at), min(length, at + len(piece))
                if last > first:
                    heard[first:last] = piece[first - at : last - at]
                progress("listening", min(length, max(0, last)), length)
        with _storing(self.folder):
            self.folder.mkdir(parents=True, exist_ok=True)
            made = self.folder / ".sound.npy"
            np.save(made, heard)
            os.replace(made, kept)
        return heard

    def frames(self, place: Place | None, every_s: float, progress: Progress = silent) -> Seen:
        """The frames' arrays; `place`: of the clock, whose line is kept every `every_s` seconds. What was
        kept of another place is made anew. `progress` may raise to stop, and what is done stays."""
        total = len(self.found.timeline)
        with _storing(self.folder):
            state = self._opened(place, total)
        if state["done"] < total:
            self._go_on(state, place, every_s, total, progress)
        return self._arrays(state)

    def keep(self, name: str, facts: Any) -> None:
        """Facts in JSON that go with the pass and are deleted with it."""
        with _storing(self.folder):
            self.folder.mkdir(parents=True, exist_ok=True)
            made = self.folder / f".{name}.json"
            made.write_text(json.dumps(facts), encoding="utf-8")
            os.replace(made, self.folder / f"{name}.json")

    def kept(self, name: str) -> Any | None:
        try:
            return json.loads((self.folder / f"{name}.json").read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return None

    def forget(self) -> None:
        shutil.rmtree(self.folder, ignore_errors=True)

    # --- how it is kept ------------------------------------------------------------------------------------

    def _opened(self, place: Place | None, total: int) -> dict[str, Any]:
        """The state that fits what is in the files; lengths beyond it, of a pass that was killed, are cut."""
        self.folder.mkdir(parents=True, exist_ok=True)
        wanted = None if place is None else [*place.line, *place.around]
        state = self.kept("state") or {}
        if state.get("place") != wanted or state.get("total") != total:
            state = {"place": wanted, "total": total, "done": 0, "of": [], "line": [0, 0]}
        for name, size in self._files(state).items():
            path = self.folder / f"{name}.raw"
            path.touch()
            if path.stat().st_size < size:
                state.update(done=0, of=[], line=[0, 0])
        for name, size in self._files(state).items():
            os.truncate(self.folder / f"{name}.raw", size)
        return state

    def _files(self, state: dict[str, Any]) -> dict[str, int]:
        sizes = {name: size * state["done"] for name, size in _SIZES.items()}
        if state["place"] is None:
            sizes["plates"] = 0
        return {**sizes, "lines": len(state["of"]) * state["line"][0] * state["line"][1]}

    def _go_on(
        self, state: dict[str, Any], place: Place | None, every_s: float, total: int, progress: Progress
    ) -> None:
        found, first = self.found, state["done"]
        boxes = (None, None) if place is None else (place.around, place.line)
        names = (*_SIZES, "lines")
        with contextlib.ExitStack() as stack, _storing(self.folder):
            files = {n: stack.enter_context(open(self.folder / f"{n}.raw", "ab")) for n in names}
            job = stack.enter_context(
                Apart(found.path, _JOB, found.path, found.info, found.timeline, *boxes, every_s)
            )
            last: dict[str, bytes] = {}
            for said, data in job.each("frames", first, progress=progress):
                last = _append(files, state, said, data, last)
                self.keep("state", state)
                progress("looking", state["done"], total)
            if state["done"] < total and last:  # the end cannot be decoded: its last picture stays
                _repeat(files, state, total, last)
            self.keep("state", state)

    def _arrays(self, state: dict[str, Any]) -> Seen:
        done, lines = state["done"], len(state["of"])

        def raw(name: str, dtype: Any, shape: tuple[int, ...]) -> Any:
            if 0 in shape:
                return np.zeros(shape, dtype)
            return np.memmap(self.folder / f"{name}.raw", dtype, "r", shape=shape)

        timeline = self.found.timeline
        base = timeline.time_base
        packets = raw("packets", np.int32, (done, 2))
        plates = (done, PLATE_HIGH, PLATE_WIDE) if state["place"] else (0, PLATE_HIGH, PLATE_WIDE)
        return Seen(
            np.asarray(timeline.pts[:done], np.float64) * base.numerator / base.denominator,
            raw("thumbs", np.uint8, (done, HIGH, WIDE)),
            raw("motion", np.float32, (done, len(MOTION))),
            packets[:, 0],
            packets[:, 1] > 0,
            raw("plates", np.uint8, plates),
            raw("lines", np.uint8, (lines, *state["line"])),
            np.array(state["of"], np.int64),
        )


def _append(
    files: Mapping[str, Any], state: dict[str, Any], said: dict[str, Any], data: Any, last: dict[str, bytes]
) -> dict[str, bytes]:
    """Write a block; frames that are missing in it repeat the one before. Returns the last frame's bytes."""
    view, at = memoryview(data), 0
    pieces: dict[str, memoryview] = {}
    for name, length in zip((*_SIZES, "lines"), said["lengths"], strict=True):
        pieces[name] = view[at : at + length]
        at += length
    for i, number in enumerate(said["numbers"]):
        for name, size in _SIZES.items():
            one = bytes(pieces[name][i * size : (i + 1) * size])
            if not one:
                continue
            missing = number - state["done"]
            if missing > 0:
                files[name].write(last.get(name, one) * missing)
            files[name].write(one)
            last[name] = one
        state["done"] = number + 1
    files["lines"].write(pieces["lines"])
    if said["of"]:
        state["line"] = said["line"]
        state["of"] += said["of"]
    for file in files.values():
        file.flush()
    return last


def _repeat(files: Mapping[str, Any], state: dict[str, Any], total: int, last: dict[str, bytes]) -> None:
    for name, one in last.items():
        files[name].write(one * (total - state["done"]))
    state["done"] = total


@contextlib.contextmanager
def _storing(folder: Path) -> Iterator[None]:
    try:
        yield
    except OSError as problem:
        what = problem.strerror or str(problem)
        raise StorageError(f"what was seen of the footage cannot be kept in {folder}: {what}") from problem


def box_of(values: Sequence[float]) -> Box:
    a, b, c, d = values
    return (float(a), float(b), float(c), float(d))

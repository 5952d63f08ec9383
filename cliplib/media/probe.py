"""What a footage file holds: its frames' exact times, and whether it can be sliced as it is.

It is read in a process apart, with limits (`apart`).
"""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from cliplib.core.errors import FootageError
from cliplib.core.models import AudioTrack, FootageInfo
from cliplib.core.progress import Progress, silent
from cliplib.core.timebase import Timeline
from cliplib.media.apart import asking

FRACTIONS = ("sample_aspect", "rate", "time_base")
"""Fields of a FootageInfo that JSON has no form for."""

_BLOCK = 64 << 10
_SPREAD = 14


@dataclass(frozen=True, slots=True, eq=False)
class Probe:
    """`timeline`: the frames' times in ticks of `info.time_base`, the first at 0."""

    path: Path
    info: FootageInfo
    timeline: Timeline


def probe(path: Path, progress: Progress = silent) -> Probe:
    """Read what `path` holds: some 15 ms for a short file, else as fast as its packets can be read.

    Raises FootageError saying what is wrong with the file and what to do, and what `progress` raises.
    """
    whole = Path(os.path.abspath(path))
    said, times = asking.ask(path, "cliplib.media.apart.probing:answer", whole, progress=progress)
    info = _info_of(said["info"])
    pts = np.frombuffer(times, dtype=np.int64)
    return Probe(Path(path), info, Timeline(pts, int(said["end"]), info.time_base))


def _info_of(said: dict[str, Any]) -> FootageInfo:
    fractions = {name: Fraction(said[name]) for name in FRACTIONS}
    return FootageInfo(**{**said, **fractions, "audio": tuple(AudioTrack(**one) for one in said["audio"])})


def fingerprint(path: Path) -> str:
    """A name for the content: equal after moving or renaming, different (in all likelihood) after a change.

    BLAKE2b of the size, the first and last 64 KiB and 14 blocks of 64 KiB spread between; all of a file of up
    to 1 MiB. Raises FootageError when it cannot be read.
    """
    digest = hashlib.blake2b(digest_size=20)
    try:
        with open(path, "rb") as file:
            size = os.fstat(file.fileno()).st_size
            digest.update(size.to_bytes(8, "big"))
            if size <= (_SPREAD + 2) * _BLOCK:
                digest.update(file.read())
            else:
                for block in range(_SPREAD + 2):
                    file.seek((size - _BLOCK) * block // (_SPREAD + 1))
                    digest.update(file.read(_BLOCK))
    except OSError as problem:
        raise FootageError(f"{path} cannot be read: {problem.strerror or problem}") from problem
    return digest.hexdigest()

"""What a damaged or malicious file may make a decoder do, and every way in which footage is decoded."""

from __future__ import annotations

import dataclasses
import os
import signal
import time
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import numpy as np

from cliplib.core.errors import FootageError, InputError, MediaError
from cliplib.media import ffmpeg
from cliplib.media.apart import jobs
from cliplib.media.cut import export_portable
from cliplib.media.frames import FrameReader
from cliplib.media.joining import chapters_of, tags_of
from cliplib.media.poster import Posters
from cliplib.media.probe import probe
from cliplib.media.sound import read_sound
from cliplib.media.working import Prepared
from tests.media import footage

DEEDS = ("segv", "loop", "eat", "hang", "lie")


def do(deed: str, *_: object) -> jobs.Answer:
    """A job that does it, in a process apart."""
    match deed:
        case "segv":
            os.kill(os.getpid(), signal.SIGSEGV)
        case "loop":
            while True:
                sum(range(100_000))
        case "eat":
            held = [np.empty(64 << 20, np.uint8) for _ in range(1000)]
            return {"held": len(held)}, b""
        case "hang" | "wait":
            time.sleep(1000)
        case "lie":
            raise ZeroDivisionError("a rate of nothing")
    return {}, b""


def passed_for(path: Path, kind: str = "closed gop") -> Prepared:
    """`path`, as if probing had seen other, harmless footage there: all that decodes it must hold by itself."""
    found = probe(footage.make(kind).path)
    info = dataclasses.replace(found.info, size=path.stat().st_size)
    return Prepared(path, None, info, found.timeline, "")


def ways(footing: Prepared, folder: Path) -> dict[str, Callable[[], object]]:
    size = (footage.WIDTH, footage.HEIGHT)
    last = len(footing.timeline) - 1

    def frames() -> object:
        with FrameReader(footing.original, footing.info, footing.timeline, size) as reader:
            return [picture.shape for _, picture in reader.read([0, last])]

    def poster(source: Prepared) -> None:
        with Posters(source) as posters:
            posters.write(last, folder / "p.jpg")

    return {
        "frames": frames,
        "poster": lambda: poster(footing),
        "poster of a slice": lambda: poster(dataclasses.replace(footing, sliced=footing.original)),
        "sound": lambda: read_sound(footing.original, footing.info, Fraction(5), 48_000),
        "clip": lambda: export_portable(footing, 2, 50, folder / "clip.mp4"),
        "probe": lambda: probe(footing.original),
        "working copy": lambda: ffmpeg.run(
            ffmpeg.output(ffmpeg.inputs(footing.original), path=folder / "copy.mkv", vcodec="copy"),
            timeout=60,
        ),
        "tags": lambda: (tags_of(footing.original), chapters_of(footing.original)),
    }


WAYS = ("frames", "poster", "poster of a slice", "sound", "clip", "probe")
"""Those that must end in words where there is nothing to be had; besides, `working copy` and `tags`."""


def tried(path: Path, way: str, folder: Path, kind: str = "closed gop") -> str:
    """What was said when a file was read in one of the ways; empty if it went well."""
    try:
        ways(passed_for(path, kind), folder)[way]()
    except (FootageError, MediaError, InputError) as problem:
        said = str(problem)
    else:
        said = ""
    assert not said or path.name in said or way == "working copy"
    return said

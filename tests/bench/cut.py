"""How fast clips are cut, against what people script today: `python -m tests.bench.cut`.

150 clips of 3 to 8 s, at arbitrary frames, out of one 48-minute film (720p, H.264 at about 5 Mbit/s in closed
groups of 2 s, AAC). Ways are interleaved clip by clip, so that a busy machine is unfair to none of them:

    re-encode    one ffmpeg process a clip, `-ss` to the microsecond, x264 veryfast crf 20 (a sample)
    stream copy  one ffmpeg process a clip, `-c copy` (the same sample)
    raw copy     the same bytes of the film copied to a file, with no knowledge of what they are
    slice        what `ingest` does
    portable     what `export` does, two at once, in turns with the same clips encoded anew

and the numbers burnt into the frames say which of them were exact. A minute is encoded once and repeated by
stream copy; it is kept in the system's temporary folder.
"""

from __future__ import annotations

import argparse
import functools
import itertools
import os
import random
import statistics
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from cliplib.media import ffmpeg, slices
from cliplib.media.cut import Cutter
from cliplib.media.probe import probe
from cliplib.media.working import Prepared, prepare
from fixtures import framecode
from tests.media import footage

# Private parts: the tables that the cutter reads anyway, so that copying alone is timed.

WIDTH, HEIGHT, RATE = 1280, 720, 25
PART = 1600  # frames: 64 s, a whole number of frames, of groups and of AAC packets
PARTS = 45
CLIPS = 150
TURN = 8  # portable clips before the same ones are encoded anew


@dataclass(frozen=True)
class Timing:
    """Seconds a clip; `exact`: clips whose every frame was right, of how many."""

    name: str
    seconds: float
    exact: int
    of: int


def film() -> Path:
    """The film, made now (half a minute) or found where an earlier run left it."""
    part = footage.cache() / "bench-part.mp4"
    out = footage.cache() / "bench-film.mp4"
    if out.exists():
        return out
    pictures = _pictures()
    command = [str(ffmpeg.binary()), "-loglevel", "error", "-y", "-f", "rawvideo", "-pix_fmt", "gray"]
    command += ["-s", f"{WIDTH}x{HEIGHT}", "-r", str(RATE), "-i", "pipe:0"]
    command += ["-f", "lavfi", "-i", "sine=220:sample_rate=48000,aformat=channel_layouts=stereo"]
    command += [
        "-map",
        "0:v",
        "-map",
        "1:a",
        "-t",
        str(PART // RATE),
        "-pix_fmt",
        "yuv420p",
        "-c:v",
        "libx264",
    ]
    command += ["-preset", "veryfast", "-b:v", "5M", "-maxrate", "6M", "-bufsize", "6M", "-c:a", "aac"]
    command += ["-x264-params", "keyint=50:min-keyint=50:scenecut=0:open-gop=0", str(part)]
    child = subprocess.Popen(command, stdin=subprocess.PIPE)
    assert child.stdin is not None
    for number in range(PART):
        luma = next(pictures)
        framecode.draw(luma, number, footage.CODE_X, footage.CODE_Y)
        child.stdin.write(luma.tobytes())
    child.stdin.close()
    if child.wait():
        raise RuntimeError("the film could not be made")
    made = out.with_name("bench-film.part.mp4")
    _run("-stream_loop", str(PARTS - 1), "-i", str(part), "-map", "0", "-c", "copy", "-y", str(made))
    os.replace(made, out)
    return out


def _pictures() -> Iterator[npt.NDArray[np.uint8]]:
    """Like a hall filmed by hand: a crowd behind, figures with limbs in front, grain that never repeats."""
    random_ = np.random.default_rng(5)
    grain = random_.integers(-7, 8, (2 * HEIGHT, 2 * WIDTH)).astype(np.int16)
    crowd = random_.integers(50, 190, (HEIGHT // 8, WIDTH // 4)).astype(np.int16)
    hall = crowd.repeat(8, axis=0).repeat(8, axis=1)
    skin = random_.integers(90, 230, (30, 12)).astype(np.int16).repeat(8, axis=0).repeat(8, axis=1)
    for number in itertools.count():
        pan = int(600 + 500 * np.sin(number / 90) + 3 * np.sin(number / 3))
        tilt, side = random_.integers(0, HEIGHT), random_.integers(0, WIDTH)
        luma = hall[:, pan : pan + WIDTH] + grain[tilt : tilt + HEIGHT, side : side + WIDTH]
        for part in range(10):
            x = int(600 + (part % 2) * 120 + 250 * np.sin(number / 17) + 90 * np.sin(number / 5 + part * 1.7))
            y = int(330 + 120 * np.sin(number / 7 + part * 2.3))
            height, width = 240 - 20 * part, 96 - 8 * part
            luma[y : y + height, x : x + width] = skin[:height, :width] + 4 * part
        yield np.clip(luma, 16, 235).astype(np.uint8)


def _run(*arguments: str) -> None:
    subprocess.run([ffmpeg.binary(), "-nostdin", "-loglevel", "error", *arguments], check=True)


def spans(frames: int, count: int = CLIPS) -> list[tuple[int, int]]:
    """[first, last) of clips of 3 to 8 seconds, in order, anywhere."""
    chosen = random.Random(11)
    found = []
    for _ in range(count):
        length = chosen.randrange(3 * RATE, 8 * RATE)
        first = chosen.randrange(frames - length)
        found.append((first, first + length))
    return sorted(found)


def reencode(prepared: Prepared, span: tuple[int, int], out: Path) -> None:
    start, length = _seconds(prepared, span)
    _run("-ss", start, "-i", str(prepared.original), "-t", length, *_X264, "-c:a", "aac", "-y", str(out))


_X264 = ("-c:v", "libx264", "-preset", "veryfast", "-crf", "20", "-movflags", "+faststart")


def stream_copy(prepared: Prepared, span: tuple[int, int], out: Path) -> None:
    start, length = _seconds(prepared, span)
    _run("-ss", start, "-i", str(prepared.original), "-t", length, "-c", "copy", "-y", str(out))


def _seconds(prepared: Prepared, span: tuple[int, int]) -> tuple[str, str]:
    begin, end = map(prepared.timeline.time_of, span)
    return f"{float(begin):.6f}", f"{float(end - begin):.6f}"


def raw_copy(source: int, runs: Sequence[tuple[int, int]], out: Path) -> None:
    """The bytes of a slice and nothing else, as fast as the system copies."""
    target = os.open(out, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
    for offset, length in runs:
        while length:
            copied = os.copy_file_range(source, target, length, offset)
            offset, length = offset + copied, length - copied
    os.close(target)


def timed(work: Callable[[], object]) -> float:
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def is_exact(out: Path, span: tuple[int, int]) -> bool:
    return footage.numbers(out) == [n % PART for n in range(*span)]


def cutting(prepared: Prepared, folder: Path, sample: int) -> list[Timing]:
    """Medians of each way over the same clips; the slow ones over `sample` of them."""
    chosen = spans(len(prepared.timeline))
    picked = set(random.Random(1).sample(range(len(chosen)), sample))
    seconds: dict[str, list[float]] = {n: [] for n in ("re-encode", "stream copy", "raw copy", "slice")}
    good = dict.fromkeys(seconds, 0)
    path = prepared.sliced
    assert path is not None
    source = os.open(path, os.O_RDONLY)
    out = folder / "clip.mp4"
    with Cutter(prepared) as cutter:
        tables = cutter._tables
        assert tables is not None
        for number, span in enumerate(chosen):
            runs = slices.plan_slice(tables.movie, tables.video, tables.shown, *span).runs
            for offset, length in runs:  # both copies read from the system's cache
                os.posix_fadvise(source, offset, length, os.POSIX_FADV_WILLNEED)
                os.pread(source, length, offset)
            ways: list[tuple[str, Callable[[], object]]] = [
                ("raw copy", functools.partial(raw_copy, source, runs, out)),
                ("slice", functools.partial(cutter.cut, *span, out)),
            ]
            if number % 2:
                ways.reverse()
            if number in picked:
                ways.append(("re-encode", functools.partial(reencode, prepared, span, out)))
                ways.append(("stream copy", functools.partial(stream_copy, prepared, span, out)))
            for name, work in ways:
                out.unlink(missing_ok=True)
                seconds[name].append(timed(work))
                if number in picked and name != "raw copy":
                    good[name] += is_exact(out, span)
    os.close(source)
    return [
        Timing(n, statistics.median(s), good[n], sample if n != "raw copy" else 0) for n, s in seconds.items()
    ]


def portable(prepared: Prepared, folder: Path, sample: int) -> list[Timing]:
    """Wall time a clip with two workers, and of the same clips encoded anew, one process after another; in
    turns of a few clips, so that a busy machine is unfair to neither.
    """
    chosen = spans(len(prepared.timeline))[:: CLIPS // (3 * sample)]
    seconds, good = [0.0, 0.0], 0
    with Cutter(prepared) as cutter, ThreadPoolExecutor(2) as pool:

        def export(span: tuple[int, int]) -> Path:
            out = folder / f"portable-{span[0]}.mp4"
            cutter.export_portable(*span, out)
            return out

        for at in range(0, len(chosen), TURN):
            turn = chosen[at : at + TURN]
            begin = time.perf_counter()
            outs = list(pool.map(export, turn))
            seconds[0] += time.perf_counter() - begin
            good += sum(is_exact(out, span) for out, span in zip(outs, turn, strict=True))
            again = (functools.partial(reencode, prepared, span, folder / "clip.mp4") for span in turn)
            seconds[1] += sum(map(timed, again))
            for out in outs:
                out.unlink()
    of = len(chosen)
    return [Timing("portable", seconds[0] / of, good, of), Timing("its re-encode", seconds[1] / of, 0, 0)]


def measure(sample: int = 8) -> dict[str, Timing]:
    path = film()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        prepared = prepare(probe(path), folder)
        timings = cutting(prepared, folder, sample)
        timings += portable(prepared, folder, sample)
    return {timing.name: timing for timing in timings}


def report(found: dict[str, Timing]) -> bool:
    """Print ratios; whether all goals are met and every clip of ours is exact."""
    print(
        f"Cutting {CLIPS} clips of 3 to 8 s from a 48-minute film, 720p at 5 Mbit/s, closed groups of 2 s\n"
    )
    for timing in found.values():
        exact = f"{timing.exact} of {timing.of} exact" if timing.of else ""
        print(f"  {timing.name:12} {timing.seconds * 1000:9.2f} ms a clip   {exact}")
    took = {name: timing.seconds for name, timing in found.items()}
    lines = [
        ("slice, times as fast as re-encode", took["re-encode"] / took["slice"], ">=", 300.0),
        ("slice, times as fast as stream copy", took["stream copy"] / took["slice"], ">=", 1.0),
        ("slice, times as long as raw copy", took["slice"] / took["raw copy"], "<=", 1.5),
        ("portable, times as fast as re-encode", took["its re-encode"] / took["portable"], ">=", 8.0),
    ]
    print()
    missed = 0
    for text, ratio, sign, goal in lines:
        met = ratio >= goal if sign == ">=" else ratio <= goal
        missed += not met
        print(f"  {text:38} {ratio:8.2f}   {sign} {goal:5.1f}   {'met' if met else 'MISSED'}")
    exact = all(found[n].exact == found[n].of for n in ("slice", "portable"))
    print(f"\n  every clip of ours exact: {'yes' if exact else 'NO'}")
    return exact and not missed


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--sample", type=int, default=8, help="clips cut in the slow ways too")
    return 0 if report(measure(parser.parse_args().sample)) else 1


if __name__ == "__main__":
    raise SystemExit(main())

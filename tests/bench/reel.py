"""How fast reels are made, against one ffmpeg command that does the same: `python -m tests.bench.reel`.

Both make a 40-clip reel out of the same film: captions, one size and rate, loudness evened clip by clip,
H.264 with the same settings, AAC. The command is what people write today: forty inputs, a filter graph and
`concat`. One round takes some four minutes on two cores; with more rounds, the best of each counts.

    python -m tests.bench.reel              the times, and whether the goals are met
    python -m tests.bench.reel --plain      also against a command that leaves the loudness as it is
    python -m tests.bench.reel --memory     instead: the peak memory of building 10, 50 and 200 clips from nothing,
                                            all processes together, sampled 50 times a second (Linux)
"""

from __future__ import annotations

import argparse
import contextlib
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

from cliplib.media import ffmpeg
from cliplib.media.joining import Encoding
from cliplib.media.probe import probe
from cliplib.media.working import Prepared
from cliplib.reels.build import build
from cliplib.reels.parts import ReelPart, ReelSettings
from cliplib.reels.plan import PRESETS
from cliplib.reels.typefaces import FONTS

CLIPS, SECONDS, WIDTH, HEIGHT, RATE = 40, 90, 1280, 720, 25
MEMORY_CLIPS, MEMORY_FRAMES = (10, 50, 200), 50
FLAT = 1.15  # times the memory of the fewest clips that the most may need
FASTER, ADDED_FASTER = 1.0, 15.0  # goals: times as fast as the command
BIT_RATE = 5_000_000  # of the made film, as in the measurements of cutting


def film(folder: Path) -> Path:
    """A film of a textured hall through which two shapes move, with grain; the same every time."""
    out = folder / f"film-{SECONDS}.mp4"
    if out.exists():
        return out
    temporary = folder / f".film.{id(out)}.mp4"
    random = np.random.default_rng(3)
    hall = random.integers(40, 200, (HEIGHT // 4, (WIDTH + 400) // 4)).astype(np.float32)
    for _ in range(3):
        hall = (hall + np.roll(hall, 1, 0) + np.roll(hall, 1, 1) + np.roll(hall, -1, 1)) / 4
    hall = hall.repeat(4, 0).repeat(4, 1).astype(np.int16)
    grain = [random.integers(-6, 7, (HEIGHT, WIDTH)).astype(np.int16) for _ in range(7)]
    picture = np.full((HEIGHT * 3 // 2, WIDTH), 128, np.uint8)
    with av.open(str(temporary), "w") as made:
        video = made.add_stream(
            "libx264", rate=RATE, options={"preset": "veryfast", "x264-params": "keyint=50"}
        )
        video.width, video.height, video.pix_fmt, video.bit_rate = WIDTH, HEIGHT, "yuv420p", BIT_RATE
        audio = made.add_stream("aac", rate=48000, layout="stereo")
        for n in range(SECONDS * RATE):
            pan = int(200 + 190 * np.sin(n / 60))
            luma = hall[:, pan : pan + WIDTH] + grain[n % 7]
            for turn in (0, 2):
                x, y = int(640 + 220 * np.sin(n / 17 + turn)), int(380 + 60 * np.sin(n / 7 + turn))
                luma[y - 120 : y + 120, x - 40 : x + 40] += 60
            picture[:HEIGHT] = np.clip(luma, 16, 235)
            made.mux(video.encode(_still(picture, n)))
            crowd = (random.standard_normal((2, 48000 // RATE)) * 0.05 * (1 + n // 250 % 5)).astype(
                np.float32
            )
            sound = av.AudioFrame.from_ndarray(crowd, format="fltp", layout="stereo")
            sound.sample_rate, sound.pts = 48000, n * 48000 // RATE
            made.mux(audio.encode(sound))
        made.mux(video.encode(None))
        made.mux(audio.encode(None))
    temporary.replace(out)
    return out


def _still(picture: np.ndarray, number: int) -> av.VideoFrame:
    frame = av.VideoFrame.from_ndarray(picture, format="yuv420p")
    frame.pts = number
    return frame


def spans(count: int) -> list[tuple[int, int]]:
    """(first frame, length) of clips of 2.4 to 4.2 seconds at places that are no keyframes."""
    return [(7 + (n * 83) % (SECONDS * RATE - 120), 60 + (n * 37) % 46) for n in range(count)]


def parts(source: Prepared, count: int) -> list[ReelPart]:
    return [
        ReelPart(source, first, first + length, ("Adeyemi v Brandt · round 2", f"Adeyemi jab missed, {n}"))
        for n, (first, length) in enumerate(spans(count))
    ]


def by_command(source: Path, folder: Path, *, even_loudness: bool) -> float:
    """Seconds that one ffmpeg command takes for the same forty clips (without cards)."""
    preset = PRESETS["standard"]
    command = [str(ffmpeg.binary()), "-v", "error", "-nostdin", "-y"]
    graph, joined = [], ""
    for n, (first, length) in enumerate(spans(CLIPS)):
        command += ["-ss", f"{first / RATE:.6f}", "-t", f"{length / RATE:.6f}", "-i", str(source)]
        lines = folder / f"caption-{n}.txt"
        lines.write_text(f"Adeyemi v Brandt · round 2\nAdeyemi jab missed, {n}", encoding="utf-8")
        graph.append(
            f"[{n}:v]fps={RATE},scale={WIDTH}:{HEIGHT}:force_original_aspect_ratio=decrease,"
            f"pad={WIDTH}:{HEIGHT}:-1:-1,setsar=1,drawtext=fontfile={FONTS / 'DejaVuSans.ttf'}:"
            f"textfile={lines}:expansion=none:fontsize=26:fontcolor=white:box=1:boxcolor=black@0.7:"
            f"boxborderw=14:x=25:y=h-th-40[v{n}]"
        )
        level = "loudnorm=I=-23:TP=-1,aresample=48000," if even_loudness else ""
        graph.append(f"[{n}:a]{level}afade=d=0.01,afade=t=out:d=0.01:st={length / RATE - 0.01:.6f}[a{n}]")
        joined += f"[v{n}][a{n}]"
    graph.append(f"{joined}concat=n={CLIPS}:v=1:a=1[v][a]")
    encoding = Encoding(WIDTH, HEIGHT, Fraction(RATE), preset.speed, preset.crf).x264()
    out = folder / "command.mp4"
    command += ["-filter_complex", ";".join(graph), "-map", "[v]", "-map", "[a]", "-c:v", "libx264"]
    # x264 may take as many threads as it likes here: whatever is fastest for the command.
    same = encoding["x264-params"].replace("threads=2:", "")
    command += ["-preset", encoding["preset"], "-crf", encoding["crf"], "-x264-params", same]
    command += ["-c:a", "aac", "-b:a", "160k", "-movflags", "+faststart", str(out)]
    begun = time.perf_counter()
    subprocess.run(command, check=True)
    return time.perf_counter() - begun


def first_build(source: Prepared, folder: Path, count: int = CLIPS) -> float:
    with tempfile.TemporaryDirectory(dir=folder) as cache:
        begun = time.perf_counter()
        build(parts(source, count), folder / "first.mp4", ReelSettings(cards=False), Path(cache))
        return time.perf_counter() - begun


def one_added(source: Prepared, folder: Path, turns: int = 2) -> tuple[float, float]:
    """(the quickest rebuild with one clip more, a rebuild with none more); forty-one clips in the end."""
    cache, out, chosen = folder / "cache", folder / "grown.mp4", ReelSettings(cards=False)
    whole = parts(source, CLIPS + turns)
    build(whole[:CLIPS], out, chosen, cache)
    times = []
    for turn in range(turns):
        some = [*whole[: CLIPS // 2], whole[CLIPS + turn], *whole[CLIPS // 2 : CLIPS]]
        begun = time.perf_counter()
        report = build(some, out, chosen, cache)
        times.append(time.perf_counter() - begun)
        assert report.made == 1
        assert report.reused == CLIPS
    begun = time.perf_counter()
    build(some, out, chosen, cache)
    return min(times), time.perf_counter() - begun


def for_memory(source: Path, folder: Path, count: int) -> None:
    """Build that many clips of two seconds, no two alike, from nothing."""
    footage = prepared(source)
    some = [
        ReelPart(footage, first, first + MEMORY_FRAMES, ("Adeyemi v Brandt", f"jab missed, {n}"))
        for n, (first, _) in enumerate(spans(count))
    ]
    with tempfile.TemporaryDirectory(dir=folder) as cache:
        report = build(some, folder / "memory.mp4", ReelSettings(cards=False), Path(cache))
    assert report.made == count


def peak_memory(source: Path, folder: Path, count: int) -> int:
    """Bytes resident at once, at most, of a process that builds so many clips and all that it starts."""
    code = (
        "from pathlib import Path; from tests.bench import reel as b\n"
        f"b.for_memory(Path({str(source)!r}), Path({str(folder)!r}), {count})\n"
    )
    child = subprocess.Popen([sys.executable, "-c", code])
    peak = 0
    while child.poll() is None:
        peak = max(peak, resident(child.pid))
        time.sleep(0.02)
    if child.returncode:
        raise RuntimeError(f"building {count} clips failed")
    return peak


def resident(root: int) -> int:
    """Bytes resident of a process and all its descendants."""
    parents, pages = dict[int, int](), dict[int, int]()
    for folder in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            # "pid (name) state parent ...": a name may hold anything, so read on from the last bracket.
            fields = (folder / "stat").read_text(errors="replace").rpartition(")")[2].split()
            parents[int(folder.name)], pages[int(folder.name)] = int(fields[1]), int(fields[21])
    family = {root}
    while more := {pid for pid, parent in parents.items() if parent in family} - family:
        family |= more
    return sum(pages.get(pid, 0) for pid in family) * resource.getpagesize()


def prepared(path: Path) -> Prepared:
    found = probe(path)
    return Prepared(path, path, found.info, found.timeline, "")


def run(folder: Path, rounds: int = 1, *, plain: bool = False) -> dict[str, float]:
    source = film(folder)
    footage = prepared(source)
    ours, untouched, levelled = [], [], []
    for _ in range(rounds):
        ours.append(first_build(footage, folder))
        levelled.append(by_command(source, folder, even_loudness=True))
        if plain:
            untouched.append(by_command(source, folder, even_loudness=False))
    with tempfile.TemporaryDirectory(dir=folder) as name:
        added, rejoined = one_added(footage, Path(name))
    found = {
        "first build, s": min(ours),
        "one ffmpeg command, s": min(levelled),
        "one example added, s": added,
        "nothing added, s": rejoined,
        "one added against our first build": min(ours) / added,
        FIRST: min(levelled) / min(ours),
        ADDED: min(levelled) / added,
    }
    if untouched:
        found["one ffmpeg command without loudness, s"] = min(untouched)
        found["first build against the command without loudness"] = min(untouched) / min(ours)
    return found


def memory(folder: Path, counts: Sequence[int] = MEMORY_CLIPS) -> dict[str, float]:
    source = film(folder)
    peaks = {count: peak_memory(source, folder, count) / 2**20 for count in counts}
    found = {f"peak memory of {count} clips, MB": peak for count, peak in peaks.items()}
    return found | {GROWTH: peaks[max(counts)] / peaks[min(counts)]}


FIRST, ADDED = "first build, times as fast as the command", "one added, times as fast as the command"
GROWTH = "peak memory of the most clips, times that of the fewest"
GOALS: dict[str, Callable[[float], bool]] = {
    FIRST: lambda ratio: ratio >= FASTER,
    ADDED: lambda ratio: ratio >= ADDED_FASTER,
    GROWTH: lambda ratio: ratio <= FLAT,
}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--rounds", type=int, default=1)
    parser.add_argument("--plain", action="store_true", help="also against a command without loudness")
    parser.add_argument("--memory", action="store_true", help="memory instead of times")
    parser.add_argument("--clips", type=int, nargs="+", default=MEMORY_CLIPS, help="how many, for memory")
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    folder = Path(tempfile.gettempdir()) / "cliplib-bench-reel"
    folder.mkdir(exist_ok=True)
    found = memory(folder, given.clips) if given.memory else run(folder, given.rounds, plain=given.plain)
    if given.json:
        print(json.dumps(found, indent=2))
    else:
        if not given.memory:
            length = sum(n for _, n in spans(CLIPS)) / RATE
            print(f"{CLIPS} clips, {length:.0f} s of {WIDTH} x {HEIGHT} at {RATE}")
        for name, value in found.items():
            goal = GOALS.get(name)
            print(f"  {name:<58}{value:>10.2f}   {'' if not goal else 'met' if goal(value) else 'MISSED'}")
    return 0 if all(goal(found[name]) for name, goal in GOALS.items() if name in found) else 1


if __name__ == "__main__":
    raise SystemExit(main())

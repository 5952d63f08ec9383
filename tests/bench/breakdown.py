"""How long a breakdown takes to render, against one ffmpeg command that encodes as much of the same film:
`python -m tests.bench.breakdown`.

Eight points of a minute each at 720p, out of takes: film plays, is slowed, stands while somebody draws on it,
and is moved to and fro; a voice over it, evened to -16 LUFS, with the film's own sound lowered under it. The
command encodes eight minutes of the same film with the same settings and does none of that. On a busy machine
the processors' seconds say more than the clock's.

    python -m tests.bench.breakdown               the times, and whether the goals are met
    python -m tests.bench.breakdown --running     film that runs all the time at its own speed: the worst case
    python -m tests.bench.breakdown --points 2    a shorter one; the ratios say little then
"""

from __future__ import annotations

import argparse
import random
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np

from cliplib.breakdowns.film import PointFilm, Style, build_film
from cliplib.breakdowns.plan import FilmShot
from cliplib.breakdowns.shots import ShotRecord
from cliplib.breakdowns.take import Take, TakeFolder
from cliplib.media import ffmpeg
from cliplib.media.apart import asking
from cliplib.media.joining import Encoding
from cliplib.media.probe import probe
from cliplib.media.working import Prepared
from cliplib.reels.parts import ReelPart, ReelSettings
from cliplib.reels.plan import PRESETS
from tests.bench.reel import HEIGHT, RATE, SECONDS, WIDTH, film
from tests.breakdowns.sessions import pieces_of, webm

POINTS, POINT_S = 8, 60
WHOLE, ONE_OF_EIGHT = 1.2, 0.2
"""Goals: times the command's time for all of it; and, for one new take, part of our own time for all."""


def speech(seconds: int) -> np.ndarray:
    """As loud and as lively as a voice: tones that come and go."""
    t = np.arange(seconds * 48_000) / 48_000
    tone = sum(np.sin(2 * np.pi * f * t) / n for n, f in enumerate((140, 280, 700, 1500), 1))
    return (0.05 * tone * (np.sin(2 * np.pi * 1.3 * t) > -0.2) * (np.sin(2 * np.pi * 0.15 * t) > -0.6))[
        np.newaxis
    ]


def moves(rng: random.Random, first: int, *, running: bool) -> list[dict[str, object]]:
    """What a recorder would have written in a minute, from frame `first` on."""
    lines: list[dict[str, object]] = []
    arrow = {"kind": "arrow", "points": [[0.4, 0.5], [0.6, 0.4]], "text": "here"}
    t, frame, end = 0, first, POINT_S * 1_000_000
    while t < end:
        what = "play" if running else rng.choice(("play", "play", "slow", "draw", "scrub"))
        if frame > first + 12 * RATE and not running:
            frame = first
        if what in ("play", "slow"):
            speed = 1.0 if what == "play" else 0.5
            until = end if running else min(end, t + rng.randrange(2_000_000, 6_000_000))
            while t < until:
                lines.append({"t": t, "shot": 0, "frame": frame, "speed": speed, "drawings": []})
                t, frame = t + 240_000, frame + int(0.24 * RATE * speed)
            lines.append({"t": t, "shot": 0, "frame": frame, "speed": 0})
        elif what == "draw":
            lines += [{"t": t, "drawing": "a", "values": arrow}, {"t": t, "shot": 0, "frame": frame, "speed": 0, "drawings": ["a"]}]  # fmt: skip
            t += rng.randrange(1_000_000, 4_000_000)
        else:
            for _ in range(20):
                frame = max(first, frame + rng.randrange(-6, 7))
                lines.append({"t": t, "shot": 0, "frame": frame, "speed": 0})
                t += 60_000
    return lines


def take_of(folder: Path, number: int, voice: bytes, *, running: bool) -> Take:
    records = [[ShotRecord(1, "film", "", "film", 0, SECONDS * RATE)]]
    take = TakeFolder.begin(folder / str(number), "point", records)
    recording = take.record(0, "audio/webm")
    lines = moves(random.Random(number), 0 if running else number * 120, running=running)
    take.put_picture(recording, 0, lines[:5000])
    for n, (clock, data) in enumerate(pieces_of(voice, random.Random(number))):
        take.put_sound(recording, n, clock, data)
    take.end(recording, POINT_S * 1_000_000)
    return take.take()


def spent() -> tuple[float, float]:
    """Seconds of the clock, and of processors: this process and those it has waited for."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return time.perf_counter(), sum(one.ru_utime + one.ru_stime for one in used)


def since(begun: tuple[float, float]) -> tuple[float, float]:
    asking.CREW.end()  # processes apart are counted when they have ended
    clock, processors = spent()
    return clock - begun[0], processors - begun[1]


def by_command(source: Path, out: Path, seconds: int) -> tuple[float, float]:
    preset = PRESETS["standard"]
    encoding = Encoding(WIDTH, HEIGHT, Fraction(RATE), preset.speed, preset.crf).x264()
    command = [str(ffmpeg.binary()), "-v", "error", "-nostdin", "-y", "-stream_loop", "-1", "-i", str(source)]
    command += ["-t", str(seconds), "-c:v", "libx264", "-preset", encoding["preset"], "-crf", encoding["crf"]]
    # x264 may take as many threads as it likes here: whatever is fastest for the command.
    command += ["-x264-params", encoding["x264-params"].replace("threads=2:", "")]
    command += ["-c:a", "aac", "-b:a", "160k", "-movflags", "+faststart", str(out)]
    begun = spent()
    subprocess.run(command, check=True)
    return since(begun)


def main() -> int:
    arguments = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    arguments.add_argument("--running", action="store_true")
    arguments.add_argument("--points", type=int, default=POINTS)
    asked = arguments.parse_args()
    folder = Path(tempfile.gettempdir()) / "cliplib-bench"
    folder.mkdir(exist_ok=True)
    made = film(folder)
    found = probe(made)
    source = Prepared(made, None, found.info, found.timeline, "")
    style = Style(ReelSettings(title="Bench", loudness=-16.0))
    voice = webm(speech(POINT_S))
    with tempfile.TemporaryDirectory(dir=folder) as name:
        place = Path(name)
        shot = FilmShot("film", ReelPart(source, 0, SECONDS * RATE, ("Adeyemi v Brandt · round 2",)))
        points = [
            PointFilm(
                str(n), f"Point {n}", (shot,), take_of(place / "takes", n, voice, running=asked.running)
            )
            for n in range(asked.points)
        ]
        command = by_command(made, place / "command.mp4", asked.points * POINT_S)
        begun = spent()
        report, _ = build_film("Bench", points, style, place / "film.mp4", place / "cache")
        whole = since(begun)
        again = take_of(place / "new", 99, voice, running=asked.running)
        points[1] = replace(points[1], take=again)
        begun = spent()
        changed, _ = build_film("Bench", points, style, place / "film.mp4", place / "cache")
        one = since(begun)
    assert (report.made, changed.made) == (asked.points, 1)
    print(f"{asked.points} points, {report.frames} frames of 720p:")
    met = []
    for n, what in enumerate(("clock", "processors")):
        ratio, part = whole[n] / command[n], one[n] / whole[n]
        print(
            f"  {what}: {whole[n]:.1f} s, the command {command[n]:.1f} s, ratio {ratio:.2f} (goal: {WHOLE})"
        )
        print(f"  {what}: one new take {one[n]:.1f} s, {part:.2f} of the whole (goal: {ONE_OF_EIGHT})")
        met.append(ratio <= WHOLE and part <= ONE_OF_EIGHT)
    return 0 if met[0] else 1


if __name__ == "__main__":
    sys.exit(main())

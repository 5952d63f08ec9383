"""Logging: `python -m tests.bench.logging`.

1. What a line costs at the start of a log, at its 220th and at its 1,000th line, with two people's lines
   beside each other; and the same work done to a catalogue whose fight has no log yet, in turns, as a ratio.
2. Eight people who log at once: lines a second, median and 99th percentile.

A line is on the disk when the call returns, so the disk's own floor (a file appended to and synced) is shown.
"""

from __future__ import annotations

import argparse
import os
import random
import statistics
import sys
import tempfile
import threading
import time
from fractions import Fraction
from pathlib import Path

import numpy as np

from cliplib import Library
from cliplib.core.models import Corner, FightInfo, FootageInfo
from cliplib.core.timebase import Timeline

RED, BLUE = "Emeka Adeyemi", "Jonas Brandt"
SAID = (
    "jab missed", "counter right hook landed", "1-2 blocked", "slip", "lead hook to the body landed",
    "double jab", "cross landed", "step back", "jab to the body", "uppercut blocked",
)  # fmt: skip
FRAMES, RATE = 90_000, 25
MOST_MS, LOGGERS, SHARE = 15.0, 8, 10.0


def fight(library: Library, folder: Path, title: str) -> int:
    """A fight with an hour of film that nobody has to decode."""
    info = FightInfo(title, Corner(RED, "southpaw"), Corner(BLUE, "orthodox"))
    catalogue = library.desk.catalogue
    number = catalogue.replace_fight(info, [], [], folder=folder / title, digest=title).fight_id
    timeline = Timeline(np.arange(FRAMES, dtype=np.int64), FRAMES, Fraction(1, RATE))
    footage = FootageInfo(
        container="mp4", video_codec="h264", width=1280, height=720, sample_aspect=Fraction(1), rotation=0,
        interlaced=False, rate=Fraction(RATE), variable_rate=False, time_base=Fraction(1, RATE),
        frames=FRAMES, duration_us=FRAMES * 1_000_000 // RATE, start_pts=0, audio=(), sliceable=True,
        why_not="", size=1, fingerprint=title,
    )  # fmt: skip
    catalogue.set_footage(number, folder / "film.mp4", footage, timeline, mtime_ns=0)
    return number


def lines(seed: int) -> tuple[str, str]:
    rng = random.Random(seed)
    return rng.choice((RED, BLUE)), rng.choice(SAID)


def log(library: Library, number: int, by: str, at: int) -> float:
    """Seconds that one more line took, in order of time."""
    who, said = lines(at)
    began = time.perf_counter()
    library.logging.live.add(number, by, 20 * at + 60 * (at // 4), said, fighter=who)
    return time.perf_counter() - began


def growing(library: Library, folder: Path, most: int) -> dict[int, tuple[float, float, float]]:
    """At each length: milliseconds of a line there, of one in a log that has just begun, and of a synced
    write, in turns."""
    number, found = fight(library, folder, "long"), {}
    at, spare = 0, 0
    for length in sorted({20, 220, most}):
        while at < length - 10:
            log(library, number, "JL", at)
            at += 1
        took: list[tuple[float, float, float]] = []
        while at < length + 10:
            short = fight(library, folder, f"short {spare}") if at % 5 == 0 else short  # noqa: F821
            spare += 1
            a = log(library, number, "JL", at)
            b = log(library, short, "JL", at % 5)
            took.append((a, b, synced(folder)))
            at += 1
        found[length] = tuple(statistics.median(t[i] for t in took) * 1000 for i in range(3))  # type: ignore[assignment]
    return found


def synced(folder: Path) -> float:
    began = time.perf_counter()
    with open(folder / "synced", "ab") as file:
        file.write(bytes(20_000))
        file.flush()
        os.fsync(file.fileno())
    return time.perf_counter() - began


def crowd(library: Library, folder: Path, each: int, apart: bool) -> tuple[float, float, float]:
    """Lines a second, median and 99th percentile in ms; a fight each if `apart`, else all of one fight."""
    numbers = [fight(library, folder, f"crowd {apart} {n}") for n in range(LOGGERS if apart else 1)]
    took: list[float] = []
    began = time.perf_counter()

    def one(n: int) -> None:
        took.extend(log(library, numbers[n % len(numbers)], f"L{n}", at) for at in range(each))

    threads = [threading.Thread(target=one, args=(n,)) for n in range(LOGGERS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    lasted = time.perf_counter() - began
    took.sort()
    return len(took) / lasted, statistics.median(took) * 1000, took[int(len(took) * 0.99)] * 1000


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--lines", type=int, default=1000)
    parser.add_argument("--each", type=int, default=40, help="lines of each of eight loggers")
    given = parser.parse_args()
    missed = False
    with tempfile.TemporaryDirectory(prefix="logging-", dir=Path.cwd()) as place:
        folder = Path(place)
        library = Library(folder / "library", create=True)
        for length, (line, short, floor) in growing(library, folder, given.lines).items():
            print(
                f"line {length}: {line:.1f} ms; in a log just begun {short:.1f} ms ({line / short:.2f} times); "
                f"a synced write {floor:.1f} ms",
                flush=True,
            )
            missed |= length == given.lines and line > MOST_MS
        for apart in (True, False):
            a_second, median, worst = crowd(library, folder, given.each, apart)
            print(
                f"eight loggers, {'a fight each' if apart else 'one fight'}: {a_second:.0f} lines a second, "
                f"median {median:.0f} ms, 99th percentile {worst:.0f} ms ({worst / median:.1f} times)",
                flush=True,
            )
            missed |= worst > SHARE * median
        library.close()
    return int(missed)


if __name__ == "__main__":
    sys.exit(main())

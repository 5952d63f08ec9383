"""Logging: `python -m tests.bench.logging`.

1. What a line costs at the start of a log, at its 220th and at its 1,000th line, with two people's lines
   beside each other; and the same work done to a catalogue whose fight has no log yet, in turns, as a ratio.
2. Eight people who log at once: lines a second, median and 99th percentile.
3. Seen at once: a search right after an acknowledged line, in the process that logged and in another one,
   beside the same search when nothing was logged, in turns, in archives of 10 and of 1,000 fights (some
   minutes to make; `--folder` keeps them), with lines in ten fights.

A line is on the disk when the call returns, so the disk's own floor (a file appended to and synced) is shown.
"""

from __future__ import annotations

import argparse
import os
import random
import statistics
import subprocess
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
from tests.search.archive import write_catalogue

RED, BLUE = "Emeka Adeyemi", "Jonas Brandt"
SAID = (
    "jab missed", "counter right hook landed", "1-2 blocked", "slip", "lead hook to the body landed",
    "double jab", "cross landed", "step back", "jab to the body", "uppercut blocked",
)  # fmt: skip
FRAMES, RATE = 90_000, 25
MOST_MS, LOGGERS, SHARE, MOST_LATER_MS = 15.0, 8, 10.0, 50.0


def fight(library: Library, folder: Path, title: str) -> int:
    """A fight with an hour of film that nobody has to decode."""
    info = FightInfo(title, Corner(RED, "southpaw"), Corner(BLUE, "orthodox"))
    catalogue = library.desk.catalogue
    number = catalogue.replace_fight(info, [], [], folder=folder / title, digest=title).fight_id
    film(library, number, folder)
    return number


def film(library: Library, number: int, folder: Path) -> None:
    timeline = Timeline(np.arange(FRAMES, dtype=np.int64), FRAMES, Fraction(1, RATE))
    footage = FootageInfo(
        container="mp4", video_codec="h264", width=1280, height=720, sample_aspect=Fraction(1), rotation=0,
        interlaced=False, rate=Fraction(RATE), variable_rate=False, time_base=Fraction(1, RATE),
        frames=FRAMES, duration_us=FRAMES * 1_000_000 // RATE, start_pts=0, audio=(), sliceable=True,
        why_not="", size=1, fingerprint=f"film {number}",
    )  # fmt: skip
    library.desk.catalogue.set_footage(number, folder / "film.mp4", footage, timeline, mtime_ns=0)


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


# --- seen at once -----------------------------------------------------------------------------------------

PHRASES = ("jab cross", "missed left hook", "counter to the body after a missed jab", "hook landed")

_OTHER = """
import sys, time
from pathlib import Path
from cliplib import Library
library = Library(Path(sys.argv[1]))
for line in sys.stdin:
    library.desk.search.forget_results()
    began, used = time.perf_counter(), time.process_time()
    total = library.finding.find(line.strip(), noted=False).total
    print(total, time.perf_counter() - began, time.process_time() - used, flush=True)
"""


class Other:
    """A process that searches the same library."""

    def __init__(self, folder: Path):
        self.process = subprocess.Popen(
            [sys.executable, "-c", _OTHER, str(folder)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            cwd=Path(__file__).parents[2],
        )

    def find(self, phrase: str) -> tuple[int, float, float]:
        """(exchanges found, seconds, seconds of processor)."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        print(phrase, file=self.process.stdin, flush=True)
        total, took, used = self.process.stdout.readline().split()
        return int(total), float(took), float(used)

    def close(self) -> None:
        self.process.communicate()


def here(library: Library, phrase: str) -> tuple[int, float, float]:
    library.desk.search.forget_results()
    began, used = time.perf_counter(), time.thread_time()
    total = library.finding.find(phrase, noted=False).total
    return total, time.perf_counter() - began, time.thread_time() - used


def seen(folder: Path, fights: int, lines_logged: int) -> dict[str, list[tuple[float, float]]]:
    """(seconds, seconds of processor) of each search, by where and whether something had been logged."""
    library = Library(folder, create=True)
    if not library.desk.catalogue.fights():
        write_catalogue(library.desk.catalogue, fights)
    other, rng = Other(folder), random.Random(3)
    chosen = [row.id for row in library.desk.catalogue.fights()][:: max(1, fights // 10)][:10]
    for number in chosen:
        film(library, number, folder)
    found: dict[str, list[tuple[float, float]]] = {
        name: [] for name in ("here", "here after a line", "other", "other after a line")
    }
    for phrase in PHRASES:
        here(library, phrase)
        other.find(phrase)
    for n in range(lines_logged):
        phrase, number = PHRASES[n % len(PHRASES)], rng.choice(chosen)
        who = library.desk.fight(number).info.red.name
        found["here"].append(here(library, phrase)[1:])
        found["other"].append(other.find(phrase)[1:])
        before = here(library, "shovel hook")[0]
        library.logging.live.add(number, "JL", rng.randrange(FRAMES), "shovel hook landed", fighter=who)
        first = (here(library, phrase), other.find(phrase))
        found["here after a line"].append(first[0][1:])
        found["other after a line"].append(first[1][1:])
        assert first[0][0] == first[1][0]
        assert before <= here(library, "shovel hook")[0] == other.find("shovel hook")[0]
    other.close()
    library.close()
    return found


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--lines", type=int, default=1000)
    parser.add_argument("--each", type=int, default=40, help="lines of each of eight loggers")
    parser.add_argument("--fights", type=int, nargs="*", default=[10, 1000])
    parser.add_argument("--seen", type=int, default=60, help="lines after which there is a search")
    parser.add_argument("--folder", type=Path, help="where archives are kept")
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
        for fights in given.fights:
            kept = (given.folder or folder) / f"archive of {fights}"
            found = seen(kept, fights, given.seen)
            for name, took in found.items():
                clock, used = (sorted(one[i] for one in took) for i in (0, 1))
                print(
                    f"{fights} fights, {name}: median {statistics.median(clock) * 1000:.1f} ms, 95th percentile "
                    f"{clock[int(len(clock) * 0.95)] * 1000:.1f}; of processor {statistics.median(used) * 1000:.1f}",
                    flush=True,
                )
            for where in ("here", "other"):
                without, with_it = (
                    statistics.median(one[0] for one in found[where + which]) * 1000
                    for which in ("", " after a line")
                )
                missed |= with_it - without > MOST_LATER_MS
    return int(missed)


if __name__ == "__main__":
    sys.exit(main())

"""Several at once: `python -m tests.trust.crowd --seconds 60`.

Eight people log into one library through one process, as the pages let them, two to a fight; four search;
a second process ingests changed fight folders and cuts all the while. What must hold: every acknowledged line
is there in the end, once; right after it was acknowledged a search finds it; and nobody is told that something
is locked.
"""

from __future__ import annotations

import argparse
import collections
import random
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import traceback
from pathlib import Path

from cliplib import Library
from tests.libraries import ROWS, make_fight

LOGGERS, SEARCHERS, FIGHTS = 8, 4, 4
PHRASES = ("jab", "counter to the body after a missed jab", "Brandt's lead hook", "cross landed in round 1")

_INGEST = """
import sys, time
from pathlib import Path
from cliplib import Library
from tests.libraries import ROWS, write_log
root, fights, seconds = Path(sys.argv[1]), Path(sys.argv[2]), float(sys.argv[3])
library, end, runs = Library(root), time.monotonic() + seconds, 0
while time.monotonic() < end:
    runs += 1
    write_log(fights / "changing", ROWS if runs % 2 else ROWS[:2])
    report = library.logging.ingest([fights])
    assert report.exit_code == 0, report.as_json()
print(runs)
"""


def _word(who: int, number: int) -> str:
    """A word that is nobody's trade language and like no other: “quirkcab”."""
    letters = "bcdfgklmnpqrtvwxz"
    text = letters[who]
    while number:
        number, digit = divmod(number, len(letters))
        text += letters[digit]
    return f"qui{text}ox"


class Crowd:
    def __init__(self, place: Path, seconds: float):
        self.fights, self.root, self.seconds = place / "fights", place / "library", seconds
        for number in range(FIGHTS):
            make_fight(self.fights / f"f{number}", title=f"Fight {number}")
        make_fight(self.fights / "changing", title="Changing", rows=ROWS)
        self.library = Library(self.root, create=True)
        assert self.library.logging.ingest([self.fights]).exit_code == 0
        self.kept: list[dict[int, str]] = [{} for _ in range(LOGGERS)]
        self.wrong: list[str] = []
        self.took: collections.defaultdict[str, list[float]] = collections.defaultdict(list)
        self.end = 0.0

    def timed(self, what: str, began: float) -> None:
        self.took[what].append(time.monotonic() - began)

    def log(self, who: int) -> None:
        """Write, change and take out lines of one's own; each is sought as soon as it is acknowledged."""
        rng, lib, by = random.Random(who), self.library, f"logger {who}"
        fight = lib.finding.fight(f"Fight {who % FIGHTS}").id
        mine, number = self.kept[who], 0
        while time.monotonic() < self.end:
            number += 1
            word, began = _word(who, number), time.monotonic()
            if mine and rng.random() < 0.2:
                line = rng.choice(list(mine))
                if rng.random() < 0.5:
                    lib.logging.live.remove(fight, by, line)
                    self.timed("edit", began)
                    gone = mine.pop(line)
                    if lib.finding.find(gone, second_opinions=True).total:
                        self.wrong.append(f"{gone} was taken out and is still found")
                    continue
                lib.logging.live.change(fight, by, line, note=word)
                self.timed("edit", began)
            else:
                frame = rng.randrange(50, 190)
                line = lib.logging.live.add(
                    fight, by, frame, rng.choice(("Brandt jab", "Adeyemi cross")), note=word
                ).id
                self.timed("line", began)
            mine[line] = word
            began = time.monotonic()
            if not lib.finding.find(word, second_opinions=True).total:
                self.wrong.append(f"{word} was acknowledged and is not found")
            self.timed("find after a line", began)

    def search(self, who: int) -> None:
        rng = random.Random(100 + who)
        while time.monotonic() < self.end:
            began = time.monotonic()
            self.library.finding.find(rng.choice(PHRASES))
            self.timed("search", began)
            time.sleep(0.02)

    def guarded(self, work, who: int) -> None:
        try:
            work(who)
        except Exception:
            self.wrong.append(traceback.format_exc(limit=-4))
        finally:
            self.library.close()

    def run(self) -> list[str]:
        """What went wrong."""
        ingest = subprocess.Popen(
            [sys.executable, "-c", _INGEST, str(self.root), str(self.fights), str(self.seconds)],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            cwd=Path(__file__).parents[2],
        )
        self.end = time.monotonic() + self.seconds
        threads = [threading.Thread(target=self.guarded, args=(self.log, n)) for n in range(LOGGERS)]
        threads += [threading.Thread(target=self.guarded, args=(self.search, n)) for n in range(SEARCHERS)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        said, _ = ingest.communicate(timeout=120)
        if ingest.returncode:
            self.wrong.append(said)
        self.ingests = said.strip()[-20:]
        for who, mine in enumerate(self.kept):
            fight = self.library.finding.fight(f"Fight {who % FIGHTS}").id
            there = {line.id: line.note for line in self.library.logging.live.lines(fight, f"logger {who}")}
            if there != mine:
                self.wrong.append(f"logger {who}: {len(mine)} lines acknowledged, {len(there)} there")
        self.wrong += [str(f) for f in self.library.care.check() if "MB are free" not in f.what]
        self.library.close()
        return self.wrong

    def figures(self) -> str:
        parts = [f"{self.ingests} ingests"]
        for what, took in sorted(self.took.items()):
            took.sort()
            middle, slow = statistics.median(took), took[int(len(took) * 0.99)]
            parts.append(f"{len(took)} x {what}: median {middle * 1000:.0f} ms, 99th {slow * 1000:.0f} ms")
        return "; ".join(parts)


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--seconds", type=float, default=30)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="crowd-") as place:
        crowd = Crowd(Path(place), given.seconds)
        wrong = crowd.run()
    print(crowd.figures())
    for what in wrong[:20]:
        print(what)
    print(f"{len(wrong)} wrong")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())

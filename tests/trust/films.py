"""Films that are wrong inside, each ingested beside good ones: `python -m tests.trust.films --films 200`.

Footage of several kinds with changed tables (see `boxes`), in batches with one good fight that comes last. A
finding: the ingest ends with an exception, takes a minute a film, or the good fight does not have all its
clips. What the bad films come to is counted, not judged.
"""

from __future__ import annotations

import argparse
import random
import shutil
import struct
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Iterable
from pathlib import Path

from cliplib.core.errors import FaultError
from tests import libraries
from tests.media import footage
from tests.trust import boxes

KINDS = ("closed gop", "open gop", "variable rate", "rotated")


def film(number: int) -> bytes:
    """The `number`-th wrong film; the same one each time."""
    rng = random.Random(f"film {number}")
    kinds = [
        kind for kind in KINDS if kind in footage.KINDS and footage.KINDS[kind].suffix in (".mp4", ".mov")
    ]
    return boxes.mutated(rng, footage.make(rng.choice(kinds)).path.read_bytes())


def endless() -> bytes:
    """The film that once ended a whole ingest: its first `stts` line tells of 0x7fffffff samples, each
    0x7fffffff ticks long."""
    data = bytearray(footage.make("closed gop").path.read_bytes())
    struct.pack_into(">II", data, data.index(b"stts") + 12, 0x7FFFFFFF, 0x7FFFFFFF)
    return bytes(data)


def beside_a_good_one(films: Iterable[bytes], place: Path) -> tuple[str, Counter[str]]:
    """What was found, or empty; and what became of the films."""
    for number, data in enumerate(films):
        libraries.make_fight(place / "fights" / f"bad{number}", title=f"Bad {number}")
        (place / "fights" / f"bad{number}" / "fight.mp4").write_bytes(data)
    libraries.make_fight(place / "fights" / "zz", title="Good at the end")
    became: Counter[str] = Counter()
    try:
        report = libraries.ingest(place / "library", place / "fights")
    except Exception:
        return traceback.format_exc(limit=-6), became
    for fight in report.fights:
        faults = [error for error in fight.errors if isinstance(error, FaultError)]
        became["our fault" if faults else "refused" if fight.errors else "cut"] += 1
        for fault in faults:
            print(f"  {str(fault).splitlines()[0][:300]}")
    good = next(fight for fight in report.fights if fight.title == "Good at the end")
    if good.errors or sum(good.cut.values()) != 2:
        return f"the good fight: {good.problems} {good.cut}", became
    if bool(report.exit_code) != any(fight.errors for fight in report.fights):
        return f"exit code {report.exit_code}", became
    return "", became


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--films", type=int, default=100)
    parser.add_argument("--batch", type=int, default=10)
    parser.add_argument("--start", type=int, default=0)
    given = parser.parse_args()
    found, all_of_them, began = 0, Counter[str](), time.monotonic()
    for start in range(given.start, given.start + given.films, given.batch):
        place = Path(tempfile.mkdtemp(prefix="films-"))
        try:
            wrong, became = beside_a_good_one((film(n) for n in range(start, start + given.batch)), place)
        finally:
            shutil.rmtree(place)
        all_of_them += became
        if wrong:
            found += 1
            print(f"films {start} to {start + given.batch - 1}: {wrong}")
    took = time.monotonic() - began
    print(f"{given.films} films in {took:.0f} s: {dict(all_of_them)}; {found} findings")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())

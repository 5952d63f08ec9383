"""A whole ingest against one ffmpeg process a clip: `python -m tests.bench.ingest`.

The 48-minute film of `bench_cut` with a log of 150 exchanges: read, probed, cut, a poster each, indexed.
What people script today, one re-encode a clip, is timed for a sample of the same clips, half before and half
after, so that a machine that slows down is unfair to neither.
"""

from __future__ import annotations

import statistics
import tempfile
import time
from functools import partial
from pathlib import Path

from cliplib import Library
from cliplib.media.probe import probe
from cliplib.media.working import prepare
from tests.bench.cut import CLIPS, RATE, film, reencode, spans, timed

GOAL = 40
FIGHT = """\
title = "Okoro v Lindqvist"
[red]
name = "Ada Okoro"
stance = "southpaw"
[blue]
name = "Mia Lindqvist"
stance = "orthodox"
[footage]
file = "fight.mp4"
[[log]]
file = "log.vtt"
"""
SAID = "Okoro jab missed, Lindqvist slips outside, Lindqvist counter cross to the body landed"


def stamp(frame: int) -> str:
    milliseconds = frame * 1000 // RATE
    seconds, milliseconds = divmod(milliseconds, 1000)
    return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}.{milliseconds:03d}"


def measure(folder: Path, sample: int = 8) -> tuple[float, float]:
    """(seconds a clip of a re-encode, seconds a clip of the whole ingest)."""
    source = film()
    prepared = prepare(probe(source), folder)
    wanted = spans(len(prepared.timeline))
    fight = folder / "fight"
    fight.mkdir()
    (fight / "fight.toml").write_text(FIGHT)
    (fight / "fight.mp4").hardlink_to(source)
    cues = (f"{stamp(a)} --> {stamp(b)}\n{SAID}" for a, b in wanted)
    (fight / "log.vtt").write_text("WEBVTT\n\n" + "\n\n".join(cues) + "\n")
    library = Library(folder / "library", create=True)

    def slowly(first: int) -> list[float]:
        some = wanted[first :: len(wanted) // (sample // 2)][: sample // 2]
        return [timed(partial(reencode, prepared, span, folder / "slow.mp4")) for span in some]

    before = slowly(0)
    began = time.perf_counter()
    report = library.logging.ingest([fight])
    whole = time.perf_counter() - began
    after = slowly(1)
    total = library.finding.find("counter to the body after a missed jab").total
    assert total == CLIPS, (total, report.as_json())
    assert all(clip.poster for clip in library.finding.clips([1, CLIPS]))
    library.close()
    return statistics.fmean(before + after), whole / CLIPS


def main() -> int:
    with tempfile.TemporaryDirectory(dir=film().parent) as name:
        slow, whole = measure(Path(name))
    ratio = slow / whole
    print(f"Whole ingest of {CLIPS} exchanges with posters and indexing, 48 minutes of 720p\n")
    print(f"  re-encode    {slow * 1000:9.2f} ms a clip")
    print(f"  ingest       {whole * 1000:9.2f} ms a clip")
    print(f"\n  times as fast as re-encode {ratio:8.1f}   >= {GOAL}   {'met' if ratio >= GOAL else 'MISSED'}")
    return 0 if ratio >= GOAL else 1


if __name__ == "__main__":
    raise SystemExit(main())

"""What a library meets in the long run: `python -m tests.trust.hardships [NAME ...] [--scale 4]`.

Each hardship is tried as often as `scale` says and prints what was tried, what came of it, and what went wrong.
`tests/trust/test_hardships.py` runs each of them once, small.

    replaced   footage is exchanged while it is ingested, whole or in its bytes, at every step of the work
    clock      the clock is set back: what is written later carries earlier times
    servers    two servers take in lines while a third process ingests
    copied     the library's folder is copied, file by file, while people log
    backup     backups are made while people log; each is restored
    flipped    one bit is flipped in each page of the catalogue
    rows       a log of many rows
    sparse     film that lies beyond four gigabytes of its file
    outside    film whose samples lie in another file
    damaged    the frames of clips that are cut from damaged film
"""

from __future__ import annotations

import argparse
import contextlib
import os
import random
import resource
import shutil
import struct
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np

from cliplib import ClipLibError, Library, restore
from cliplib.media.mp4 import reading
from cliplib.media.mp4.writing import TrackOut, header
from fixtures import framecode
from tests.libraries import BLUE, ROWS, dump, faults, make_fight, write_log
from tests.media import footage


@dataclass
class Told:
    """`tried`: what, and how often; `wrong`: what should not be."""

    tried: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)

    def __str__(self) -> str:
        said = "; ".join(f"{what}: {count:,}" for what, count in self.tried.items())
        return f"{said}; {len(self.wrong)} wrong"


def sound(library: Library) -> list[str]:
    return [str(f) for f in faults(library, deep=True)]


def made(place: Path, fights: int = 1, **more: Any) -> Library:
    for number in range(fights):
        make_fight(place / "fights" / f"f{number}", title=f"Fight {number}", **more)
    library = Library(place / "library", create=True)
    assert library.logging.ingest([place / "fights"]).exit_code == 0
    return library


# --- footage that changes under the work ---------------------------------------------------------------


class _Step(Exception):
    pass


def replaced(place: Path, scale: int) -> Told:
    told = Told()
    second = footage.make("open gop").path
    fresh = made(place / "fresh", kind="open gop")
    wanted = dump(fresh.folder)
    fresh.close()
    for how in ("another file in its place", "other bytes in the same file"):
        for step in range(3 * scale):
            folder = place / f"{how[:5]} {step}"
            fight = make_fight(folder / "fights" / "f0", title="Fight 0")
            film, seen = fight / "fight.mp4", [0]

            def exchange(
                *_: object, film: Path = film, seen: list[int] = seen, step: int = step, how: str = how
            ) -> None:
                seen[0] += 1
                if seen[0] == step + 1:
                    if how.startswith("another"):
                        shutil.copy(second, film.with_suffix(".new"))
                        os.replace(film.with_suffix(".new"), film)
                    else:
                        film.write_bytes(second.read_bytes())

            library = Library(folder / "library", create=True)
            code = library.logging.ingest([fight], progress=exchange).exit_code
            told.tried[
                f"{how}, {'after the work' if seen[0] <= step else 'told' if code else 'not noticed then'}"
            ] += 1
            if seen[0] <= step:
                exchange(seen=[step])
            for clip in library.finding.find("").clips:
                own = range(clip.start_frame or 0, clip.end_frame or 0)
                if code == 0 and clip.file is not None and footage.numbers(clip.file) != [*own]:
                    told.wrong.append(f"{how}, step {step}: clip {clip.id} does not show frames {own}")
            if library.logging.ingest([fight]).exit_code != 0:
                told.wrong.append(f"{how}, step {step}: not taken in afterwards")
            if sound(library):
                told.wrong.append(f"{how}, step {step}: {sound(library)}")
            library.close()
            after = dump(library.folder)
            if _without_places(after) != _without_places(wanted):
                told.wrong.append(f"{how}, step {step}: another library than a fresh one")
    return told


def _without_places(held: dict[str, object]) -> dict[str, object]:
    return {name: value for name, value in held.items() if name.startswith(("clips/", "posters/"))}


# --- time that goes backwards ------------------------------------------------------------------------------


def clock(place: Path, scale: int) -> Told:
    """Everything that is written after the clock was set back carries a time from before."""
    told = Told()
    for days in [1, 400, 4000][:scale]:
        folder = place / f"days {days}"
        library = made(folder)
        before = time.time() - days * 86400
        fight, real = folder / "fights" / "f0", time.time

        def back(seconds: float, fight: Path = fight, before: float = before) -> None:
            for path in fight.iterdir():
                os.utime(path, (before - seconds, before - seconds))

        time.time = lambda real=real, days=days: real() - days * 86400  # type: ignore[assignment]
        try:
            library.logging.live.add(1, "MK", 100, "overhand", fighter=BLUE)
            library.logging.corrections.recut(1, 30, 60)
            for earlier, rows in enumerate((ROWS[:2], ROWS, ROWS[1:])):
                write_log(fight, rows)
                back(earlier)
                told.tried["a log changed, with an earlier time"] += 1
                if library.logging.ingest([fight]).exit_code:
                    told.wrong.append("the ingest fails")
                counted = library.evidence.tally("punch").table.total.tried
                if counted != len(rows) + 1:  # and the line that was logged here
                    told.wrong.append(f"{days} days: {counted} punches counted of {len(rows) + 1}")
            shutil.copy(
                footage.make("edit list").path, fight / "fight.mp4"
            )  # begins 25 frames later, and is no byte longer
            back(10)
            told.tried["footage exchanged, with an earlier time"] += 1
            if library.logging.ingest([fight]).exit_code:
                told.wrong.append(f"{days} days: the exchanged footage is not taken in")
            for clip in library.finding.find("").clips:
                own = range((clip.start_frame or 0) + 25, (clip.end_frame or 0) + 25)
                if clip.file is None or footage.numbers(clip.file) != [*own]:
                    told.wrong.append(f"{days} days: clip {clip.id} is of the footage that is gone")
            signed, key = library.care.signed_in, library.care.signed_in.begin("look", "seal", "TB")
            time.time = real
            told.tried["a session begun before the clock was set right"] += 1
            signed.end_all()
            if signed.of(key) is not None:
                told.wrong.append("a session that does not end")
        finally:
            time.time = real
        if sound(library):
            told.wrong.append(str(sound(library)))
        library.close()
    return told


# --- several processes -------------------------------------------------------------------------------------

_SERVER = """
import json, sys
from pathlib import Path
from cliplib_web import create_app
from tests.trust.attacks import HOME, KEY, at_home
app = create_app(Path(sys.argv[1]))
client, who, lines, kept = at_home(app), sys.argv[2], int(sys.argv[3]), []
for n in range(lines):
    said = {"frame": 50 + (7 * n) % 120, "action": "Brandt jab", "note": f"{who}{n}"}
    answer = client.post(
        "/api/fights/1/lines", json=said | {"by": who}, base_url=HOME, headers={"X-Form-Key": KEY}
    )
    print(answer.status_code, said["note"], answer.get_data(as_text=True)[:80].replace(chr(10), " "), flush=True)
"""
_INGEST = """
import sys
from pathlib import Path
from cliplib import Library
from tests.libraries import ROWS, write_log
library, fights = Library(Path(sys.argv[1])), Path(sys.argv[2])
for n in range(int(sys.argv[3])):
    write_log(fights / "f1", ROWS if n % 2 else ROWS[:2])
    report = library.logging.ingest([fights])
    print(report.exit_code, flush=True)
"""
_LOGGER = """
import sys
from pathlib import Path
from cliplib import Library
library, n = Library(Path(sys.argv[1])), 0
while True:
    n += 1
    library.logging.live.add(1, "MK", 50 + n % 120, "Brandt jab", note=f"line{n}")
    print(n, flush=True)
"""


def _start(script: str, *arguments: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", script, *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        cwd=Path(__file__).parents[2],
    )


def servers(place: Path, scale: int) -> Told:
    told = Told()
    library = made(place, 2)
    people = [_start(_SERVER, library.folder, who, 8 * scale) for who in ("AA", "BB")]
    ingest = _start(_INGEST, library.folder, place / "fights", 2 * scale)
    for who, process in zip(("AA", "BB"), people, strict=True):
        said = process.communicate(timeout=600)[0].splitlines()
        ok = [line.split()[1] for line in said if line.split()[0] in ("200", "201")]
        told.tried["lines acknowledged"] += len(ok)
        told.wrong += [line for line in said if line.split()[0] not in ("200", "201")]
        there = [line.note for line in library.logging.live.lines(1, who)]
        if sorted(there) != sorted(ok):
            told.wrong.append(f"{who}: {len(ok)} acknowledged, {len(there)} there")
    codes = ingest.communicate(timeout=600)[0].split()
    told.tried["ingests beside them"] += len(codes)
    told.wrong += [f"an ingest said {code}" for code in codes if code != "0"]
    told.wrong += sound(library)
    library.close()
    return told


@contextlib.contextmanager
def _logging(library: Library) -> Iterator[Callable[[], int]]:
    """Somebody logs meanwhile; how many lines were acknowledged by now."""
    process = _start(_LOGGER, library.folder)
    assert process.stdout is not None
    os.set_blocking(process.stdout.fileno(), False)
    count = [0]

    def acknowledged() -> int:
        with contextlib.suppress(TypeError):
            for line in process.stdout.read().split():  # type: ignore[union-attr]
                count[0] = max(count[0], int(line))
        return count[0]

    try:
        while acknowledged() < 3:
            time.sleep(0.05)
        yield acknowledged
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


def _lines(library: Library) -> list[str]:
    return sorted((line.note for line in library.logging.live.lines(1, "MK")), key=lambda n: int(n[4:]))


def _as_it_was_at_one_moment(library: Library, least: int) -> list[str]:
    lines = _lines(library)
    whole = lines == [f"line{n + 1}" for n in range(len(lines))]
    return [] if whole and len(lines) >= least else [f"{len(lines)} lines, of {least} acknowledged before"]


def copied(place: Path, scale: int) -> Told:
    """A copy file by file is no backup: the catalogue and its log are not of one moment. What comes of it is
    whole, or it is said that it is not."""
    told = Told()
    library = made(place)
    with _logging(library) as acknowledged:
        for number in range(4 * scale):
            before, copy = acknowledged(), place / f"copy {number}"
            shutil.copytree(library.folder, copy, ignore=shutil.ignore_patterns("*.part*", ".*"))
            try:
                opened = Library(copy)
                wrong = sound(opened)
                came = _as_it_was_at_one_moment(opened, before)
                opened.close()
                told.tried[
                    "whole" if not wrong and not came else "damage told" if wrong else "lines missing"
                ] += 1
                if came and not wrong:
                    told.wrong.append(f"copy {number}: {came[0]}, and check says nothing")
            except ClipLibError:
                told.tried["refused when opened"] += 1
    told.wrong += sound(library)
    library.close()
    return told


def backup(place: Path, scale: int) -> Told:
    told = Told()
    library = made(place)
    with _logging(library) as acknowledged:
        for number in range(2 * scale):
            before, out = acknowledged(), place / f"backup {number}.tar"
            library.care.backup(out)
            restore(out, place / f"restored {number}")
            again = Library(place / f"restored {number}")
            told.wrong += _as_it_was_at_one_moment(again, before)
            told.wrong += [
                f.what
                for f in again.care.check()
                if "clip" not in f.what and "poster" not in f.what and "MB are free" not in f.what
            ]
            told.tried["backups restored"] += 1
            again.close()
    library.close()
    return told


# --- bits ------------------------------------------------------------------------------------------------


def _answers(folder: Path) -> str:
    """All that can be asked, as text."""
    library = Library(folder)
    try:
        rows = library.finding.find("", limit=1000)
        said = [
            repr(rows.clips),
            repr(rows.facets),
            repr(library.evidence.tally("punch", ["technique"]).table.rows),
        ]
        said += [repr(library.finding.fights())]
        return "\n".join(said).replace(str(folder), "")
    finally:
        library.close()


def flipped(place: Path, scale: int) -> Told:
    """Found by `check` or when it is opened or asked; else the answers are the same, or SQLite cannot tell: the bit
    stands in a value that could as well be so."""
    told = Told()
    library = made(place, 2)
    library.close()
    catalogue = library.folder / "catalogue.db"
    data = catalogue.read_bytes()
    size = int.from_bytes(data[16:18]) or 65536
    for derived in ("columns", "index", "clips", "posters"):
        shutil.rmtree(library.folder / derived, ignore_errors=True)
    right = _answers(library.folder)
    shutil.rmtree(library.folder / "columns", ignore_errors=True)
    chance = random.Random(4)
    for page in range(len(data) // size):
        for _ in range(scale):
            used = np.flatnonzero(np.frombuffer(data, np.uint8, size, page * size))  # nobody reads the rest
            at, bit = page * size + int(used[chance.randrange(len(used))]), 1 << chance.randrange(8)
            spoilt = bytearray(data)
            spoilt[at] ^= bit
            catalogue.write_bytes(spoilt)
            shutil.rmtree(library.folder / "columns", ignore_errors=True)
            became = _what_became(library.folder, right)
            told.tried[became[:60]] += 1
            if became.startswith("a mistake"):
                told.wrong.append(f"page {page + 1}, byte {at % size}: {became[:300]}")
    catalogue.write_bytes(data)
    for other in ("by check", "when opened", "when asked", "the same answers"):
        told.tried[other] += 0
    return told


def _what_became(folder: Path, right: str) -> str:
    try:
        library = Library(folder)
    except ClipLibError:
        return "when opened"
    except Exception as error:
        return f"a mistake of ours: {type(error).__name__}: {error}"
    try:
        if any(f.what.startswith("catalogue") for f in library.care.check()):
            return "by check"
    except ClipLibError:
        return "by check"
    except Exception as error:
        return f"a mistake of ours: {type(error).__name__}: {error}"
    finally:
        library.close()
    try:
        return "the same answers" if _answers(folder) == right else "another value, which SQLite cannot tell"
    except ClipLibError:
        return "when asked"
    except Exception as error:
        return f"a mistake of ours: {type(error).__name__}: {error}"


# --- size ------------------------------------------------------------------------------------------------


def rows(place: Path, scale: int) -> Told:
    """A log of 2,500 rows for each step of scale, up to a million at 400."""
    told = Told()
    fight = place / "fights" / "long"
    fight.mkdir(parents=True)
    count = min(1_000_000, 2_500 * scale)
    (fight / "fight.toml").write_text(
        'title = "Long"\n[red]\nname = "Emeka Adeyemi"\n[blue]\nname = "Jonas Brandt"\n[[log]]\nfile = "log.csv"\n'
    )
    with (fight / "log.csv").open("w") as log:
        log.write("time,exchange,fighter,action,outcome\n")
        for n in range(count):
            who, what = (("Adeyemi", "jab"), ("Brandt", "counter cross"))[n % 2]
            log.write(f"{n * 0.3:.1f},{n // 4},{who},{what},{('landed', 'missed', 'blocked')[n % 3]}\n")
    began = time.monotonic()
    library = Library(place / "library", create=True)
    report = library.logging.ingest([fight], cut=False)
    took = time.monotonic() - began
    told.tried["rows"] += count
    told.tried["seconds"] += int(took)
    told.tried["MB of memory at most"] += resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    if report.exit_code:
        told.wrong.append(str(report.fights[0].problems[:3]))
    for phrase in ("jab", "counter cross"):
        if library.evidence.tally(phrase).table.total.tried != count // 2:
            told.wrong.append(f"{phrase}: {library.evidence.tally(phrase).table.total.tried} of {count // 2}")
    told.wrong += sound(library)
    library.close()
    return told


def far_away(source: Path, out: Path, hole: int) -> None:
    """The same film, with its samples behind a hole of so many bytes: its tables need 64 bits (`co64`, ISO/IEC
    14496-12, 8.7.5)."""
    tracks = [
        TrackOut(
            kind=track.kind, timescale=track.timescale, stsd=track.stsd, durations=track.durations,
            shifts=track.composition - track.decode, sizes=track.sizes, offsets=track.offsets + hole,
            description=track.description, sync=track.sync, edits=track.edits, header=track.header,
        )
        for track in reading.read_movie(source).tracks
    ]  # fmt: skip
    data = source.read_bytes()
    head = header(tracks, hole + len(data))
    with out.open("wb") as file:
        file.write(head)
        file.seek(len(head) + hole)
        file.write(data)


def sparse(place: Path, scale: int) -> Told:
    told = Told()
    near = made(place / "near")
    wanted = [footage.numbers(c.file) for c in near.finding.find("").clips if c.file]
    near.close()
    for kind in ("closed gop", "open gop", "quicktime")[:scale]:
        here = place / f"far {kind}"
        fight = make_fight(here / "fights" / "f0", kind=kind)
        (film,) = fight.glob("fight.m*")
        far_away(footage.make(kind).path, film, 5 << 30)
        told.tried["MB of film"] += film.stat().st_size >> 20
        told.tried["MB on the disk"] += film.stat().st_blocks * 512 >> 20
        library = Library(here / "library", create=True)
        report = library.logging.ingest([fight])
        if report.exit_code:
            told.wrong.append(f"{kind}: {[str(p) for p in report.fights[0].problems]} {report.fights[0].why}")
        found = [footage.numbers(c.file) for c in library.finding.find("").clips if c.file]
        told.tried["clips"] += len(found)
        if found != wanted:
            told.wrong.append(f"{kind}: clips show {[n[:3] for n in found]}, not {[n[:3] for n in wanted]}")
        told.wrong += sound(library)
        library.close()
    return told


# --- film ------------------------------------------------------------------------------------------------


def outside(place: Path, scale: int) -> Told:
    """A QuickTime film as an editing program writes one that only refers to its material: the tables are here,
    the samples in another file that is really there (ISO/IEC 14496-12, 8.7.2: an entry that is not self-contained)."""
    told = Told()
    data = footage.make("quicktime").path.read_bytes()
    for name in ("file:///{0}", "material.mov", "../f0/material.mov")[: 1 + scale]:
        here = place / str(told.tried.total())
        fight = make_fight(here / "fights" / "f0", kind="quicktime")
        (film,) = fight.glob("fight.m*")
        (fight / "material.mov").write_bytes(data)
        address = name.format(fight / "material.mov").encode() + b"\0"
        film.write_bytes(_referring(data, address))
        library = Library(here / "library", create=True)
        report = library.logging.ingest([fight])
        said = str(report.fights[0].why or report.fights[0].problems).replace(str(fight), "")
        refused = report.exit_code != 0 and "refers to another file" in said
        told.tried["refused" if refused else "not refused"] += 1
        if not refused:
            told.wrong.append(f"{name}: exit code {report.exit_code}, {said[:70]}")
        for clip in library.finding.find("").clips:
            if clip.file is not None:
                told.wrong.append(f"{name}: a clip of what is not in the film")
        library.close()
    return told


def _referring(data: bytes, address: bytes) -> bytes:
    """Every data reference names another file, and the samples are gone from this one."""
    mdat = data.index(b"mdat") - 4
    (size,) = struct.unpack(">I", data[mdat : mdat + 4])
    moved = bytearray(data)
    moved[mdat + 8 : mdat + size] = bytes(size - 8)
    at = 0
    while (at := moved.find(b"url \0\0\0\1", at)) >= 0:
        start = at - 4
        entry = struct.pack(">I4sI", 12 + len(address), b"url ", 0) + address
        moved[start : start + 12] = entry
        for name in (b"dref", b"dinf", b"minf", b"mdia", b"trak", b"moov"):
            where = moved.rindex(name, 0, start) - 4
            (length,) = struct.unpack(">I", moved[where : where + 4])
            moved[where : where + 4] = struct.pack(">I", length + len(entry) - 12)
        at = start + len(entry)
    return bytes(moved)


def damaged(place: Path, scale: int) -> Told:
    """A clip shows what its film shows at these frames, damage and all, and no other frame."""
    told = Told()
    for kind in ("closed gop", "quicktime", "ntsc"):
        for seed in range(scale):
            here = place / f"{kind} {seed}"
            fight = make_fight(here / "fights" / "f0", kind=kind)
            (film,), chance = fight.glob("fight.m*"), random.Random(seed)
            data = bytearray(film.read_bytes())
            first = data.index(b"mdat") + 4
            for _ in range(60):
                at = chance.randrange(first, first + (len(data) - first) * 3 // 4)
                data[at : at + 400] = chance.randbytes(400)
            film.write_bytes(data)
            library = Library(here / "library", create=True)
            report = library.logging.ingest([fight])
            told.tried["films" if report.exit_code == 0 else "films refused"] += 1
            of_film = _shown(film, footage.KINDS[kind].rate)
            for clip in library.finding.find("").clips:
                if clip.file is None or clip.start_frame is None:
                    continue
                for at, number in _shown(clip.file, footage.KINDS[kind].rate).items():
                    own = clip.start_frame + at
                    told.tried[
                        "pictures right"
                        if number == own
                        else "damaged, as in the film"
                        if number == of_film.get(own)
                        else "damaged, otherwise than in the film"
                        if number is None or of_film.get(own) is None
                        else "wrong pictures"
                    ] += 1
                    if number is not None and number not in (own, of_film.get(own)):
                        told.wrong.append(f"{kind} {seed}: clip {clip.id} shows {number} in place of {own}")
            library.close()
    return told


def _shown(path: Path, rate: Fraction) -> dict[int, int | None]:
    """Place of each picture that can be decoded, counted in pictures from the first one's time: the number in it.
    A number carries its own check, so that a damaged one is not read as another."""
    shown: dict[int, int | None] = {}
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        for packet in container.demux(stream):
            with contextlib.suppress(av.error.FFmpegError):
                for frame in packet.decode():
                    at = round(frame.pts * frame.time_base * rate)
                    shown[at] = framecode.read(
                        frame.to_ndarray(format="gray"), footage.CODE_X, footage.CODE_Y
                    )
    return shown


HARDSHIPS: dict[str, Callable[[Path, int], Told]] = {
    one.__name__: one
    for one in (replaced, clock, servers, copied, backup, flipped, rows, sparse, outside, damaged)
}


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("names", nargs="*", choices=[[], *HARDSHIPS], metavar="NAME")
    parser.add_argument("--scale", type=int, default=4)
    given = parser.parse_args()
    wrong = 0
    for name in given.names or HARDSHIPS:
        with tempfile.TemporaryDirectory(prefix="hardship-") as place:
            told = HARDSHIPS[name](Path(place), given.scale)
        print(f"{name:9} {told}", flush=True)
        for what in told.wrong[:10]:
            print(f"  {what}")
        wrong += len(told.wrong)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())

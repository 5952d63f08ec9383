"""Carrying out cut jobs: files first, made whole and safely on the disk, then the rows that point to them."""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import shutil
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

from cliplib.catalogue.catalogue import Catalogue
from cliplib.catalogue.rows import FootageRow, Held, NewClip, StoredClip
from cliplib.core.errors import Cancelled
from cliplib.core.progress import Progress
from cliplib.ingest.plan import CutJob, folder_name
from cliplib.media.cut import Cutter
from cliplib.media.files import settle
from cliplib.media.poster import Posters
from cliplib.media.working import Prepared

CLIPS = "clips"
POSTERS = "posters"
WORKING = "working"

_LONGEST_WRITE_S = 24 * 3600  # process numbers come round again
_MOMENT_S = 60
_BATCH = 16  # clips between two rows of progress kept: what a killed ingest has to cut again at most
_OURS = re.compile(r"(r\d+-)?\d+m\d\d\.\d-\d+-[0-9a-f]{8}\.(mp4|jpg)")


@dataclass(frozen=True, slots=True)
class CutWork:
    """What is to do for one fight: jobs to carry out, and ids whose clips are no longer wanted."""

    fight_id: int
    title: str
    jobs: tuple[CutJob, ...]
    gone: tuple[int, ...]


@dataclass(slots=True)
class CutDone:
    how: Counter[str] = field(default_factory=Counter)
    why: list[str] = field(default_factory=list)


def work_to_do(
    root: Path, fight_id: int, title: str, jobs: Sequence[CutJob], existing: dict[int, StoredClip]
) -> CutWork:
    """Compare what is wanted with what is there. A clip whose file was deleted is wanted again."""
    todo = tuple(job for job in jobs if not _is_there(root, existing.get(job.exchange_id), job.digest))
    wanted = {job.exchange_id for job in jobs}
    return CutWork(fight_id, title, todo, tuple(sorted(existing.keys() - wanted)))


def _is_there(root: Path, clip: StoredClip | None, digest: str) -> bool:
    return (
        clip is not None
        and clip.digest == digest
        and (root / clip.file).is_file()
        and (clip.poster is None or (root / clip.poster).is_file())
    )


def carry_out(
    catalogue: Catalogue,
    root: Path,
    work: CutWork,
    prepared: Prepared,
    progress: Progress,
    before: int,
    total: int,
) -> CutDone:
    """Cut the jobs of one fight, in batches. `before` of `total` clips were done when it begins.

    Interrupted, it leaves whole clips with their rows, and nothing else that is reachable.
    """
    done = CutDone()
    place = folder_name(work.title, work.fight_id)
    clips, posters = root / CLIPS / place, root / POSTERS / place
    stage = f"cutting {work.title}"
    progress(stage, before, total)
    with contextlib.ExitStack() as stack:
        cutter = stack.enter_context(Cutter(prepared))
        # Pictures take twenty times as long as slices; two decoders keep two cores busy meanwhile.
        stopping = threading.Event()
        painters = [
            stack.enter_context(Posters(prepared, partial(_stop_if, stopping)))
            for _ in range(2 if len(work.jobs) > 8 else 1)
        ]
        pool = stack.enter_context(ThreadPoolExecutor(len(painters)))
        stack.callback(stopping.set)  # before the pool is waited for
        for start in range(0, len(work.jobs), _BATCH):
            batch = work.jobs[start : start + _BATCH]
            share = -(-len(batch) // len(painters))
            painting = [
                pool.submit(_paint, painter, batch[i * share : (i + 1) * share], posters)
                for i, painter in enumerate(painters)
            ]
            rows = []
            for job in batch:
                result = cutter.cut(job.first, job.last, clips / f"{job.name}.mp4")
                done.how[result.how] += 1
                if result.why and result.why not in done.why:
                    done.why.append(result.why)
                rows.append(
                    NewClip(
                        exchange_id=job.exchange_id,
                        start_us=job.in_us,
                        end_us=job.out_us,
                        start_frame=job.first,
                        end_frame=job.last,
                        file=f"{CLIPS}/{place}/{job.name}.mp4",
                        poster=f"{POSTERS}/{place}/{job.name}.jpg",
                        how=result.how,
                        why=result.why,
                        digest=job.digest,
                    )
                )
                if len(rows) < len(batch):
                    progress(stage, before + start + len(rows), total)
            for future in painting:
                future.result()
            settle(root / place for row in rows for place in (row.file, row.poster) if place)
            catalogue.put_clips([_with_contents(root, row) for row in rows])
            progress(stage, before + start + len(batch), total)
    return done


def _with_contents(root: Path, row: NewClip) -> NewClip:
    poster = contents(root / row.poster) if row.poster else None
    return replace(row, file_held=contents(root / row.file), poster_held=poster)


def contents(path: Path) -> Held:
    """What a file holds; OSError if it cannot be read."""
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, lambda: hashlib.blake2b(digest_size=16))
        return Held(os.fstat(file.fileno()).st_size, digest.hexdigest())


def working_contents(root: Path, sliced: Path | None, known: FootageRow | None) -> Held | None:
    """What a working copy holds, noted when it is first used; None for footage that is sliced itself."""
    if sliced is None or not sliced.resolve().is_relative_to((root / WORKING).resolve()):
        return None
    if known is not None and known.sliced_held is not None and known.sliced == sliced.resolve():
        return known.sliced_held
    settle([sliced])
    return contents(sliced)


def _stop_if(stopping: threading.Event, *_: object) -> None:
    if stopping.is_set():
        raise Cancelled("nobody waits for the pictures any more")


def _paint(painter: Posters, jobs: Sequence[CutJob], folder: Path) -> None:
    for job in jobs:
        painter.write_near(job.poster, folder / f"{job.name}.jpg", job.first, job.last)


def sweep_fight(root: Path, fight_id: int, clips: dict[int, StoredClip]) -> int:
    """Remove a fight's clips and posters that no row points to; the number of clips removed."""
    kept = {clip.file for clip in clips.values()} | {clip.poster for clip in clips.values() if clip.poster}
    removed = 0
    for kind in (CLIPS, POSTERS):
        for folder in (root / kind).glob(f"*-{fight_id}"):
            for path in folder.iterdir():
                if f"{kind}/{folder.name}/{path.name}" not in kept and _OURS.fullmatch(path.name):
                    path.unlink(missing_ok=True)
                    removed += path.suffix == ".mp4"
            with contextlib.suppress(OSError):
                folder.rmdir()  # only if that left it empty
    return removed


def is_ours(path: Path) -> bool:
    """Whether it has the name of a clip or poster that an ingest made."""
    return _OURS.fullmatch(path.name) is not None


def remove_empty(root: Path) -> None:
    """Remove fights' folders with nothing in them."""
    for kind in (CLIPS, POSTERS):
        for folder in (root / kind).glob("*"):
            with contextlib.suppress(OSError):
                folder.rmdir()


def sweep_leftovers(root: Path) -> None:
    """Remove what a killed ingest was in the middle of writing. Only under the ingest lock."""
    take_away(leftovers(root))


_TEMPORARY = re.compile(
    r"\..*\.(\d+)(-[0-9a-f]+)?\.part(\.\w+)?|\.(bundle|backup|restore)-(\d+)-\w+|\..*\.taken"
)
"""What files and folders are called while somebody writes them: with the number of the process that does."""


def leftovers(root: Path) -> list[Path]:
    """Files and folders in a library that somebody was in the middle of writing who is no more."""
    found = unfinished(root)
    for folder in (CLIPS, POSTERS, WORKING, "columns", "cache", "reels", "themes", "signed-in", "looking"):
        for path in [root / folder, *(root / folder).rglob("*")]:
            if path.is_dir() and not path.is_symlink() and not any(p in path.parents for p in found):
                found += unfinished(path)
    return sorted(found)


def unfinished(folder: Path) -> list[Path]:
    """The same of one folder, also outside a library."""
    found = []
    for path in folder.glob(".*"):
        match = _TEMPORARY.fullmatch(path.name)
        if match and not _is_written(path, match[1] or match[5]):
            found.append(path)
    return found


def take_away(paths: Iterable[Path]) -> None:
    """Remove leftovers, files or folders."""
    for path in paths:
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        else:
            path.unlink(missing_ok=True)


def _is_written(path: Path, process: str | None) -> bool:
    """Whether somebody is writing it now: the process that its name or its text tells of."""
    try:
        age = time.time() - path.stat().st_mtime
        number = int(process or path.read_text(encoding="ascii") or 0)
        if number <= 0:
            return age < _MOMENT_S  # its text is about to be written
        if sys.platform == "win32" or age > _LONGEST_WRITE_S:
            return age < _LONGEST_WRITE_S
        os.kill(number, 0)
    except (ProcessLookupError, ValueError, FileNotFoundError):
        return False
    except OSError:
        pass  # somebody else's process
    return True


def sweep_working(root: Path, used: set[Path]) -> None:
    """Remove working copies of footage that no fight uses any more."""
    used = {path.resolve() for path in used}
    for path in (root / WORKING).glob("*"):
        if path.is_file() and path.resolve() not in used:
            path.unlink(missing_ok=True)

"""Build a reel: plan it, prepare what isn't in the cache (two parts at once), join, verify, replace.

Interrupted, it leaves the last good reel in place and the prepared parts in the cache, so the next run goes
on from there.
"""

from __future__ import annotations

import contextlib
import ctypes
import queue
import shutil
import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, ThreadPoolExecutor, wait
from pathlib import Path

from cliplib.core.errors import StorageError
from cliplib.core.progress import Progress, silent
from cliplib.media.files import replacing
from cliplib.media.joining import JoinPart, chapters_of, join, tags_of
from cliplib.reels import prepare
from cliplib.reels.parts import PartReport, ReelPart, ReelReport, ReelSettings
from cliplib.reels.plan import PlannedPart, ReelPlan, plan_reel

WORKERS = 2
CACHE_BYTES = 8 << 30
_TAG = "comment"
_SIGN = "clip reel "
_SHORT = 8  # letters of a part's key in the tag; enough to tell the parts of one reel apart


def build(
    parts: Sequence[ReelPart],
    out: Path,
    settings: ReelSettings,
    cache: Path,
    progress: Progress = silent,
    *,
    only_if_changed: bool = False,
) -> ReelReport:
    """One MP4 of the parts in order, with cards as `settings` say; prepared parts are kept in `cache`/parts.

    `progress` counts frames ("preparing the reel") and then parts ("joining the reel"). `only_if_changed`
    leaves a file alone that is this very reel already. Raises InputError, FootageError, MediaError,
    StorageError or what `progress` raises; `out` is then as it was.
    """
    plan = plan_reel(parts, settings)
    if only_if_changed and digest_of(out) == plan.digest:
        return _report(plan, out, {}, set(), None)
    cache = cache / "parts"
    _make_folder(cache)
    ready, made = _prepare_all(plan, parts, cache, progress)
    ordered = [ready[part.key] for part in plan.parts]
    changes = _changes(out, plan)
    check_room(out, ordered)
    joined = [
        JoinPart(files.video, files.sound, part.frames, part.title)
        for part, files in zip(plan.parts, ordered, strict=True)
    ]
    tags = {"title": settings.title or "Reel", _TAG: _tag(plan)}
    progress("joining the reel", 0, len(joined))
    with replacing(out) as temporary:
        join(
            joined,
            temporary,
            plan.encoding,
            tags,
            each=lambda done: progress("joining the reel", done, len(joined)),
        )
    prepare.prune(cache, {part.key for part in plan.parts}, CACHE_BYTES)
    return _report(plan, out, ready, made, changes)


def digest_of(out: Path) -> str | None:
    """The digest of the plan a reel was built from, as the file itself says; None if it isn't a reel of
    ours."""
    said = tags_of(out).get(_TAG, "")
    return said.removeprefix(_SIGN).partition(" ")[0] if said.startswith(_SIGN) else None


def _tag(plan: ReelPlan) -> str:
    """What the file says of itself: its digest and the short key of every part."""
    return _SIGN + " ".join([plan.digest, *(part.key[:_SHORT] for part in plan.parts)])


def _changes(out: Path, plan: ReelPlan) -> tuple[str, ...]:
    """What is different from the reel that lies at `out`; every part has a chapter with its title."""
    said = tags_of(out).get(_TAG, "")
    if not said.startswith(_SIGN):
        return ("new",)
    keys = said.removeprefix(_SIGN).split(" ")[1:]
    titles = chapters_of(out)
    before = (
        dict(zip(keys, titles, strict=True)) if len(keys) == len(titles) else dict.fromkeys(keys, "a part")
    )
    after = {part.key[:_SHORT]: part.title for part in plan.parts}
    gone = [title for key, title in before.items() if key not in after]
    came = [title for key, title in after.items() if key not in before]
    both = sorted(set(gone) & set(came))
    changes = [f"added: {title}" for title in came if title not in both]
    changes += [f"removed: {title}" for title in gone if title not in both]
    changes += [f"shown differently: {title}" for title in both]
    kept = [key for key in keys if key in after]
    if kept != [part.key[:_SHORT] for part in plan.parts if part.key[:_SHORT] in before]:
        changes.append("the order is another")
    return tuple(changes) or ("the same parts, joined anew",)


def _make_folder(cache: Path) -> None:
    try:
        cache.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise StorageError(
            f"{cache} cannot be made: {problem.strerror}; choose another library folder"
        ) from problem


def check_room(out: Path, ordered: Sequence[prepare.Prepared]) -> None:
    out.parent.mkdir(parents=True, exist_ok=True)
    needed = sum(files.video.stat().st_size for files in ordered) * 11 // 10 + (1 << 20)
    free = shutil.disk_usage(out.parent).free
    if free < needed:
        raise StorageError(
            f"{out} needs about {needed >> 20} MB and {free >> 20} MB are free; make room and build it again "
            "(what was prepared is kept)"
        )


def _give_back() -> None:
    """Have the C library return what it keeps of freed memory. Two workers that free and take large pictures
    in turn leave it in pieces, and a reel of 200 clips would hold a fifth more than one of 10."""
    with contextlib.suppress(OSError, AttributeError):  # another C library needs no such asking
        ctypes.CDLL(None).malloc_trim(0)


class _Stop(Exception):
    """Raised inside a worker when the others are to stop; never seen outside."""


def _prepare_all(
    plan: ReelPlan, parts: Sequence[ReelPart], cache: Path, progress: Progress
) -> tuple[dict[str, prepare.Prepared], set[str]]:
    """Every part's files by key, and the keys that were made now."""

    def maker(part: PlannedPart) -> Maker:
        clip = parts[part.clip] if part.clip is not None else None
        return lambda tick: prepare.prepare(
            cache, part, clip, plan.encoding, plan.settings.joins, plan.settings.loudness, tick
        )

    wanted = {part.key: (part.frames, maker(part)) for part in plan.parts}
    return prepare_all(wanted, cache, progress)


Maker = Callable[[prepare.Tick], prepare.Prepared]


def prepare_all(
    wanted: Mapping[str, tuple[int, Maker]],
    cache: Path,
    progress: Progress,
    stage: str = "preparing the reel",
) -> tuple[dict[str, prepare.Prepared], set[str]]:
    """Every part's files by key, and the keys that were made now, by two workers. `wanted`: for each key how
    many frames it has, and what makes it if it is not in the cache."""
    ready: dict[str, prepare.Prepared] = {}
    missing: dict[str, tuple[int, Maker]] = {}
    for key, (frames, make) in wanted.items():
        found = prepare.find(cache, key, frames)
        if found:
            ready[key] = found
        else:
            missing[key] = frames, make
    total = sum(frames for frames, _ in missing.values())
    stopping = threading.Event()
    ticks: queue.SimpleQueue[int] = queue.SimpleQueue()

    def tick(frames: int) -> None:
        if stopping.is_set():
            raise _Stop
        ticks.put(frames)

    def work(make: Maker) -> prepare.Prepared:
        tick(0)
        return make(tick)

    done = 0
    progress(stage, 0, total)
    with ThreadPoolExecutor(WORKERS, thread_name_prefix="reel") as pool:
        # Long parts first, so that the two workers end together.
        order = sorted(missing.items(), key=lambda one: -one[1][0])
        waiting = {pool.submit(work, make): key for key, (_, make) in order}
        try:
            while waiting:
                finished, _ = wait(waiting, timeout=0.1, return_when=FIRST_COMPLETED)
                while not ticks.empty():
                    done += ticks.get()
                progress(stage, min(done, total), total)
                for future in finished:
                    ready[waiting.pop(future)] = future.result()
                    _give_back()
        except BaseException:
            stopping.set()
            pool.shutdown(wait=True, cancel_futures=True)
            raise
    return ready, set(missing)


def _report(
    plan: ReelPlan,
    out: Path,
    ready: dict[str, prepare.Prepared],
    made: set[str],
    changes: tuple[str, ...] | None,
) -> ReelReport:
    """`changes` None: the file was left alone."""
    rows, notes = [], []
    for part, start in zip(plan.parts, plan.starts(), strict=True):
        files = ready.get(part.key)
        note = files.note if files else ""
        rows.append(
            PartReport(
                part.title,
                start,
                part.frames,
                part.clip,
                part.key in made,
                files.loudness if files else None,
                files.gain if files else None,
                note,
            )
        )
        if note:
            notes.append(f"{part.title}: {note}")
    clips = [part for part in plan.parts if part.clip is not None]
    made_now = sum(part.key in made for part in clips)
    encoding = plan.encoding
    return ReelReport(
        out,
        encoding.width,
        encoding.height,
        encoding.rate,
        plan.frames,
        tuple(rows),
        made_now,
        len(clips) - made_now,
        changes is not None,
        plan.digest,
        tuple(notes),
        changes or (),
    )

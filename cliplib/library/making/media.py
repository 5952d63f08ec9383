"""Single clips and stills, handed out or kept for those who ask twice."""

from __future__ import annotations

import hashlib
from pathlib import Path

from cliplib.core.errors import InputError
from cliplib.core.models import ClipRow
from cliplib.core.progress import Progress
from cliplib.media.cut import CutResult, export_portable
from cliplib.media.poster import Posters
from cliplib.media.working import Prepared

_KEPT = 20
"""Portable copies kept for those who download one twice."""


def export_clip(clip: ClipRow, source: Prepared, out: Path, progress: Progress) -> CutResult:
    """See `Making.export_clip`."""
    if clip.start_frame is None or clip.end_frame is None:
        raise InputError(f"clip {clip.id} has no footage yet; ingest its fight again when it has")
    return export_portable(source, clip.start_frame, clip.end_frame, out, progress)


def kept_copy(clip: ClipRow, source: Prepared, cache: Path, progress: Progress) -> Path:
    """A clip's portable copy in `cache`, made if it is not there; the oldest copies make room."""
    folder = cache / "portable"
    folder.mkdir(parents=True, exist_ok=True)
    said = f"{source.info.fingerprint} {clip.start_frame} {clip.end_frame}"
    out = folder / f"{hashlib.blake2b(said.encode(), digest_size=12).hexdigest()}.mp4"
    if not out.is_file():
        export_clip(clip, source, out, progress)
        copies = sorted(folder.glob("*.mp4"), key=lambda path: path.stat().st_mtime)
        for old in copies[:-_KEPT]:
            old.unlink(missing_ok=True)
    return out


def still(source: Prepared, frame: int, cache: Path, width: int = 480) -> Path:
    """One frame as a JPEG in `cache`; InputError for a frame there isn't."""
    if not 0 <= frame < len(source.timeline):
        raise InputError(f"the footage has {len(source.timeline)} frames; {frame} is not one of them")
    folder = cache / "stills"
    folder.mkdir(parents=True, exist_ok=True)
    out = folder / f"{source.info.fingerprint[:32]}-{frame}-{width}.jpg"
    if not out.is_file():
        with Posters(source) as posters:
            posters.write(frame, out, width)
        stills = sorted(folder.glob("*.jpg"), key=lambda path: path.stat().st_mtime)
        for old in stills[:-500]:
            old.unlink(missing_ok=True)
    return out

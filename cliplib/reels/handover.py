"""Handing a reel on: captions and chapters, a shot list, an editor's timeline, or a folder with all of it.

Everything is worked out from the plan of the reel, so times agree with the reel to the frame.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from cliplib.core.errors import InputError
from cliplib.core.progress import Progress, silent
from cliplib.core.timebase import format_time
from cliplib.core.version import __version__
from cliplib.logs.cells import harmless
from cliplib.media.cut import Cutter
from cliplib.media.files import replacing
from cliplib.reels.build import build
from cliplib.reels.handover_rows import Row, rows_of
from cliplib.reels.handover_sheet import write_sheet
from cliplib.reels.handover_timeline import edl_text, timeline_text
from cliplib.reels.lettering import clean
from cliplib.reels.parts import ReelPart, ReelReport, ReelSettings
from cliplib.reels.plan import CAUTIONS, ReelPlan, plan_reel

HANDOVER_KINDS = ("captions", "chapters", "shots", "sheet", "timeline", "edl")
"""captions and chapters: WebVTT; shots: CSV; sheet: PDF; timeline: OpenTimelineIO; edl: CMX 3600."""


def hand_over(kind: str, parts: Sequence[ReelPart], settings: ReelSettings, out: Path) -> None:
    """Write one of `HANDOVER_KINDS` for the reel that `build` would make. Raises InputError."""
    plan = plan_reel(parts, settings)
    rows = rows_of(parts, plan)
    with replacing(out) as temporary:
        if kind == "sheet":
            write_sheet(rows, plan, temporary)
            return
        texts = {
            "captions": captions_text,
            "chapters": chapters_text,
            "shots": shots_text,
            "timeline": timeline_text,
            "edl": edl_text,
        }
        if kind not in texts:
            raise InputError(f"“{kind}” cannot be handed over; take one of {', '.join(HANDOVER_KINDS)}")
        temporary.write_text(texts[kind](rows, plan), encoding="utf-8", newline="")


# --- WebVTT (W3C) -----------------------------------------------------------------------------------------


def captions_text(rows: Sequence[Row], plan: ReelPlan) -> str:
    """A cue for each clip that says anything: its caption."""
    cues = [(row.start, row.planned.frames, row.planned.caption) for row in rows]
    return _vtt(cues, plan.encoding.rate)


def chapters_text(rows: Sequence[Row], plan: ReelPlan) -> str:  # noqa: ARG001  (one shape for all writers)
    """A cue for each part, cards too: its title."""
    return _vtt(
        [(start, part.frames, (part.title,)) for part, start in zip(plan.parts, plan.starts(), strict=True)],
        plan.encoding.rate,
    )


def _vtt(cues: Sequence[tuple[int, int, Sequence[str]]], rate: Fraction) -> str:
    text = ["WEBVTT\n"]
    for start, frames, lines in cues:
        said = [_escaped(line) for line in map(clean, lines) if line]
        if said:
            first, last = (vtt_time(Fraction(frame) / rate) for frame in (start, start + frames))
            text.append("\n".join([f"{first} --> {last}", *said, ""]))
    return "\n".join(text)


def _escaped(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def vtt_time(seconds: Fraction) -> str:
    whole, thousandths = divmod(int(seconds * 1000), 1000)
    minutes, second = divmod(whole, 60)
    hours, minute = divmod(minutes, 60)
    return f"{hours:02d}:{minute:02d}:{second:02d}.{thousandths:03d}"


# --- shot list --------------------------------------------------------------------------------------------

COLUMNS = (
    "number", "clip", "title", "fight", "date", "round", "clock", "fighter", "actions", "note", "footage",
    "first_frame", "end_frame", "in", "out", "reel_first_frame", "reel_frames", "reel_in", "reel_seconds",
)  # fmt: skip


def shots_text(rows: Sequence[Row], plan: ReelPlan) -> str:
    """CSV (RFC 4180): a row for each clip. Frames are half-open; times are of the footage, then of the
    reel."""
    out = io.StringIO(newline="")
    table = csv.DictWriter(out, COLUMNS, lineterminator="\r\n")
    table.writeheader()
    rate = plan.encoding.rate
    for row in rows:
        part, line = row.part, row.part.source.timeline
        told = {name: harmless(part.facts.get(name, "")) for name in COLUMNS if name in part.facts}
        table.writerow(
            {
                **told,
                "number": row.number,
                "clip": "" if part.clip_id is None else part.clip_id,
                "title": harmless(row.planned.title),
                "footage": harmless(part.source.original.name),
                "first_frame": part.first,
                "end_frame": part.last,
                "in": format_time(line.us_of(part.first), 3),
                "out": format_time(line.us_of(part.last), 3),
                "reel_first_frame": row.start,
                "reel_frames": row.planned.frames,
                "reel_in": format_time(int(row.start / rate * 1_000_000), 3),
                "reel_seconds": f"{float(row.planned.frames / rate):.3f}",
            }
        )
    return out.getvalue()


# --- everything in one folder -----------------------------------------------------------------------------

MANIFEST = "manifest.json"


@dataclass(frozen=True, slots=True)
class Bundle:
    """A finished bundle. `files`: names in it, the manifest's last. `reel`: what `build` reported."""

    folder: Path
    files: tuple[str, ...]
    reel: ReelReport


def write_bundle(
    parts: Sequence[ReelPart], settings: ReelSettings, folder: Path, cache: Path, progress: Progress = silent
) -> Bundle:
    """A folder with the reel, every clip as a file that is exact in any player, captions, chapters, shot
    list, timeline and EDL that refer to those clips, and a manifest with the size and SHA-256 of each file.

    A bundle that was there is replaced when the new one is whole; any other folder or file is refused.
    """
    if folder.exists() and not (folder / MANIFEST).is_file():
        raise InputError(f"{folder} is there and is no bundle of ours; give the name of a new folder")
    plan = plan_reel(parts, settings)
    rows = rows_of(parts, plan)
    building = folder.with_name(f".{folder.name}.{os.getpid()}.part")
    shutil.rmtree(building, ignore_errors=True)
    try:
        (building / "clips").mkdir(parents=True)
        report = build(parts, building / "reel.mp4", settings, cache, progress)
        _write_clips(rows, building, progress)
        media = {row.number: row.file for row in rows}
        texts = {
            "captions.vtt": captions_text(rows, plan),
            "chapters.vtt": chapters_text(rows, plan),
            "shots.csv": shots_text(rows, plan),
            "reel.otio": timeline_text(rows, plan, media),
            "reel.edl": edl_text(rows, plan, media),
        }
        for name, text in texts.items():
            (building / name).write_text(text, encoding="utf-8", newline="")
        write_sheet(rows, plan, building / "shots.pdf")
        files = sorted(p.relative_to(building).as_posix() for p in building.rglob("*") if p.is_file())
        (building / MANIFEST).write_text(_manifest(rows, plan, building, files), encoding="utf-8")
        if folder.exists():
            shutil.rmtree(folder)
        os.replace(building, folder)
    finally:
        shutil.rmtree(building, ignore_errors=True)
    return Bundle(folder, (*files, MANIFEST), report)


def _write_clips(rows: Sequence[Row], folder: Path, progress: Progress) -> None:
    done = 0
    progress("writing the clips", 0, len(rows))
    sources = {id(row.part.source): row.part.source for row in rows}
    for key, source in sources.items():
        with Cutter(source) as cutter:
            for row in rows:
                if id(row.part.source) == key:
                    cutter.export_portable(row.part.first, row.part.last, folder / row.file)
                    done += 1
                    progress("writing the clips", done, len(rows))


def _manifest(rows: Sequence[Row], plan: ReelPlan, folder: Path, files: Sequence[str]) -> str:
    clips = {
        row.file: {
            "number": row.number,
            "clip": row.part.clip_id,
            "title": row.planned.title,
            "footage": row.part.source.original.name,
            "fingerprint": row.part.source.info.fingerprint,
            "first_frame": row.part.first,
            "end_frame": row.part.last,
            "facts": dict(row.part.facts),
        }
        for row in rows
    }
    listed = []
    for name in files:
        path = folder / name
        with path.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
        listed.append({"file": name, "bytes": path.stat().st_size, "sha256": digest, **clips.get(name, {})})
    return json.dumps(
        {
            "made_by": f"cliplib {__version__}",
            "title": plan.settings.title,
            "examples": len(rows),
            "reel_frames": plan.frames,
            "reel_rate": str(plan.encoding.rate),
            "please_note": list(CAUTIONS[1:]),
            "files": listed,
        },
        indent=2,
        ensure_ascii=False,
    )

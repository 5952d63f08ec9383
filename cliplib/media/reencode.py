"""A clip encoded anew from the original: for footage that cannot be sliced, exact by frame all the same.
Decoding and encoding is done in a process apart (`recoding`)."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from cliplib.core.errors import FootageError
from cliplib.core.progress import Progress
from cliplib.media.apart.asking import Apart
from cliplib.media.apart.encoding import PictureEncoder
from cliplib.media.files import writing
from cliplib.media.frames import upright_size
from cliplib.media.mp4.entries import aac_description, avc_description, config_of
from cliplib.media.mp4.reading import Edit, Ints, TrackHeader
from cliplib.media.mp4.samples import Coded, Spool, Taken, put_together
from cliplib.media.mp4.writing import UPRIGHT, TrackOut
from cliplib.media.slices import retime
from cliplib.media.sound import RATE
from cliplib.media.working import Prepared, frames_from

_JOBS = "cliplib.media.apart.recoding"
_CEILING_DB = -1.0
"""Highest true peak, dBTP (EBU R 128)."""


def reencode(prepared: Prepared, first: int, last: int, out: Path, progress: Progress) -> str:
    """Write frames [first, last): upright, progressive, square pixels, 8-bit 4:2:0 in BT.709, closed
    groups; the first sound track as stereo AAC. Each frame keeps its own time, and the edit lists are exact,
    so pictures and sound begin and end together. Returns what is to be said of damaged frames, if any. Raises
    FootageError, MediaError, StorageError.
    """
    info, timeline, original = prepared.info, prepared.timeline, prepared.original
    _check_unchanged(original, info.size)
    width, height = upright_size(info)
    settings = PictureEncoder(width, height, info.rate if info.rate > 0 else Fraction(25))
    base = timeline.time_base
    times = np.append(timeline.pts, timeline.end)[first : last + 1] * base.numerator
    source = frames_from(prepared)
    with writing(out), Spool(out.parent) as spool:
        job = Apart(original, f"{_JOBS}:pictures", source, (first, last), settings)
        coded, said, extradata = _taken(job, spool, last - first, progress)
        damaged: list[int] = said["damaged"]
        new = retime(times[coded.order], int(times[0]), int(times[-1]), base.denominator)
        timescale = base.denominator * new.scale
        stsd = avc_description(config_of(extradata, settings.length_size), width, height)
        edit = Edit(new.length, new.start)
        tracks = [_track(b"vide", timescale, stsd, coded, new.durations, new.shifts, edit, (width, height))]
        length = round(Fraction(new.length, timescale) * RATE)
        if info.audio and length:
            job = Apart(
                original, f"{_JOBS}:sound", original, info, timeline.time_of(first), length, _CEILING_DB
            )
            sound, said, extradata = _taken(job, spool, None, progress)
            stsd = aac_description(extradata, 2, RATE)
            packet = np.full(len(sound), 1024)
            edit = Edit(new.length, said["skipped"])
            tracks.append(_track(b"soun", RATE, stsd, sound, packet, np.zeros_like(packet), edit, (0, 0)))
        files = [np.zeros(len(track.sizes), np.int64) for track in tracks]
        put_together(list(zip(tracks, files, strict=True)), (spool.fd,), out)
    progress("encode", last - first, last - first)
    if not damaged:
        return ""
    many = f"{len(damaged)} of its frames, from frame {damaged[0]} on,"
    return f"{many} cannot be decoded and repeat the one before"


def _taken(
    job: Apart, spool: Spool, count: int | None, progress: Progress
) -> tuple[Coded, dict[str, Any], bytes]:
    """The samples that a job answers with, and what it says at last. `count`: of pictures; None: of packets
    of sound, as many as come, which are all in order.
    """
    taken, told, extradata = Taken(spool, 0), dict[str, Any](), b""
    with job:
        for said, data in job.each(None):
            if "order" in said:
                pictures = count is not None
                taken.add(said["order"] if pictures else len(taken), said.get("sync", True), data)
                if count is not None:
                    progress("encode", len(taken) - 1, count)
            else:
                told, extradata = said, bytes(data)
    return taken.coded(len(taken) if count is None else count), told, extradata


def _check_unchanged(original: Path, size: int) -> None:
    try:
        now = original.stat().st_size
    except OSError as error:
        raise FootageError(f"{original} cannot be read any more: {error.strerror or error}") from error
    if now != size:
        raise FootageError(f"{original} changed since it was ingested; ingest the fight again")


def _track(
    kind: bytes,
    timescale: int,
    stsd: bytes,
    coded: Coded,
    durations: Ints,
    shifts: Ints,
    edit: Edit,
    size: tuple[int, int],
) -> TrackOut:
    volume = 0x100 if kind == b"soun" else 0
    return TrackOut(
        kind=kind,
        timescale=timescale,
        stsd=stsd,
        durations=durations,
        shifts=shifts,
        sizes=coded.sizes,
        offsets=coded.offsets,
        description=np.ones(len(coded), np.int64),
        sync=coded.sync,
        edits=(edit,),
        header=TrackHeader(UPRIGHT, size[0] << 16, size[1] << 16, volume, 0, True),
    )

"""A clip encoded anew from the original: for footage that cannot be sliced, exact by frame all the same."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np

from cliplib.errors import FootageError, MediaError
from cliplib.media.encode import Coded, PictureEncoder, Spool, encode_sound, put_together
from cliplib.media.files import writing
from cliplib.media.frames import FrameReader, upright_size
from cliplib.media.mp4 import Edit, Ints, TrackHeader
from cliplib.media.mp4write import UPRIGHT, TrackOut
from cliplib.media.sampleentry import avc_description
from cliplib.media.slices import retime
from cliplib.media.sound import RATE, limit, read_sound
from cliplib.media.working import Prepared, frames_from
from cliplib.progress import Progress

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
    encoder = PictureEncoder(width, height, info.rate if info.rate > 0 else Fraction(25))
    base = timeline.time_base
    times = np.append(timeline.pts, timeline.end)[first : last + 1] * base.numerator
    damaged: list[int] = []
    try:
        with (
            writing(out),
            Spool(out.parent) as spool,
            FrameReader(*frames_from(prepared), (width, height)) as reader,
        ):
            coded, config = encoder.encode(_frames(reader, first, last, progress, damaged), spool, 0)
            new = retime(times[coded.order], int(times[0]), int(times[-1]), base.denominator)
            timescale = base.denominator * new.scale
            stsd = avc_description(config, width, height)
            edit = Edit(new.length, new.start)
            tracks = [
                _track(b"vide", timescale, stsd, coded, new.durations, new.shifts, edit, (width, height))
            ]
            length = round(Fraction(new.length, timescale) * RATE)
            if info.audio and length:
                samples = read_sound(original, info, timeline.time_of(first), length)
                if np.abs(samples).max() > 1:  # more channels mixed into two than they can hold
                    samples = limit(samples, _CEILING_DB)
                sound, skipped, stsd = encode_sound(samples, spool, 0)
                packet = np.full(len(sound), 1024)
                edit = Edit(new.length, skipped)
                tracks.append(_track(b"soun", RATE, stsd, sound, packet, np.zeros_like(packet), edit, (0, 0)))
            files = [np.zeros(len(track.sizes), np.int64) for track in tracks]
            put_together(list(zip(tracks, files, strict=True)), (spool.fd,), out)
    except av.error.FFmpegError as error:
        raise MediaError(f"frames {first} to {last} of {original} could not be encoded: {error}") from error
    progress("encode", last - first, last - first)
    if not damaged:
        return ""
    many = f"{len(damaged)} of its frames, from frame {damaged[0]} on,"
    return f"{many} cannot be decoded and repeat the one before"


def _check_unchanged(original: Path, size: int) -> None:
    try:
        now = original.stat().st_size
    except OSError as error:
        raise FootageError(f"{original} cannot be read any more: {error.strerror or error}") from error
    if now != size:
        raise FootageError(f"{original} changed since it was ingested; ingest the fight again")


def _frames(
    reader: FrameReader, first: int, last: int, progress: Progress, damaged: list[int]
) -> Iterator[Any]:
    before = None
    for number, picture in reader.read(range(first, last)):
        if picture is before:
            damaged.append(number)
        before = picture
        progress("encode", number - first, last - first)
        frame = av.VideoFrame.from_ndarray(picture, format="yuv420p")
        frame.colorspace, frame.color_range = 1, 1
        yield frame


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

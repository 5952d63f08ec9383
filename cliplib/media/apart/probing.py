"""What a footage file holds, found out in a process apart: `probe`, seen from in there.

Times come from the packets, without decoding: the presentation timestamps of the pictures that a decoder
shows, in order, the first being footage time zero. Not counted as frames, as ffmpeg and browsers don't show
them: pictures hidden by an edit list, and those before the first key picture of a recording that begins in
the middle of a group.

A file is read in bounds: only a regular file, only containers of moving pictures, no other file or address
opened on its account, pictures of at most `packets.MOST_SIDE` pixels a side; everything that grows with the
file is a few bytes a packet. One picture is decoded, to see that it can be.
"""

from __future__ import annotations

import dataclasses
import os
import stat
import struct
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np

from cliplib.core.errors import FootageError
from cliplib.core.models import AudioTrack, FootageInfo
from cliplib.core.timebase import SECOND, Timeline, format_time
from cliplib.media.apart.decoding import open_footage, readable
from cliplib.media.apart.jobs import Answer, tell
from cliplib.media.mp4 import reading
from cliplib.media.mp4.packets import Packets, read_packets, video_stream
from cliplib.media.mp4.structure import Structure, look
from cliplib.media.probe import FRACTIONS, fingerprint

_LONGEST_US = 7 * 24 * 3600 * SECOND

_FIT_FORMATS = ("yuv420p", "yuvj420p")
_IDENTITY = struct.pack("=9i", 1 << 16, 0, 0, 0, 1 << 16, 0, 0, 0, 1 << 30)

_NAMES = {
    "mov": "MP4 or QuickTime",
    "matroska": "Matroska or WebM",
    "mpegts": "an MPEG transport stream",
    "mpeg": "an MPEG programme stream",
    "avi": "AVI",
    "asf": "ASF or WMV",
    "flv": "Flash video",
    "mxf": "MXF",
    "ogg": "Ogg",
}
_CODECS = {
    "hevc": "HEVC",
    "mpeg4": "MPEG-4 part 2",
    "mpeg2video": "MPEG-2",
    "mpeg1video": "MPEG-1",
    "mjpeg": "Motion JPEG",
    "vp8": "VP8",
    "vp9": "VP9",
    "av1": "AV1",
    "prores": "ProRes",
    "dvvideo": "DV",
    "vc1": "VC-1",
    "ac3": "AC-3",
    "eac3": "E-AC-3",
    "mp2": "MPEG audio layer 2",
    "mp3": "MP3",
    "opus": "Opus",
    "vorbis": "Vorbis",
    "flac": "FLAC",
}


_NOT_TO_BE_HAD = {
    reading.ENCRYPTED: "is encrypted; get the film without copy protection from whoever it belongs to",
    reading.ELSEWHERE: "only refers to another file for its pictures or sound; export it again as "
    "one that holds them itself (self-contained), and give that one",
}

# Damaged files bring out more than libav's own errors: missing streams, zero denominators, absurd values.
_NONSENSE = (
    av.error.FFmpegError,
    OSError,
    ValueError,
    IndexError,
    ArithmeticError,
    MemoryError,
)


def answer(path: Path) -> Answer:
    """See `probe.probe`."""
    info, timeline = probed(path)
    said = dataclasses.asdict(info) | {name: str(getattr(info, name)) for name in FRACTIONS}
    return {"info": said, "end": int(timeline.end)}, timeline.pts.data


def probed(path: Path) -> tuple[FootageInfo, Timeline]:
    size = _regular(path)
    structure = _whole(path)
    if structure.kind == "mp4":
        _clear(path)
    try:
        with open_footage(path) as container:
            stream = video_stream(path, container)
            packets = read_packets(path, container, stream, size, tell)
            info, timeline = _describe(path, container, stream, packets, structure)
    except _NONSENSE as problem:
        raise _unreadable(path, problem) from problem
    return dataclasses.replace(info, size=size, fingerprint=fingerprint(path)), timeline


def _clear(path: Path) -> None:
    """FootageError for a film whose index says that its pictures are not to be had from this file.

    libav would decode whatever bytes there are."""
    try:
        reading.read_movie(path)
    except FootageError as problem:
        for cause, said in _NOT_TO_BE_HAD.items():
            if str(problem).endswith(cause):
                raise FootageError(f"{path} {said}") from None


# --- before opening ---------------------------------------------------------------------------------------


def _regular(path: Path) -> int:
    try:
        status = os.stat(path)
    except OSError as problem:
        raise FootageError(
            f"{path} cannot be opened: {problem.strerror or problem}; "
            "check the name, and whether its disk is there"
        ) from problem
    if not stat.S_ISREG(status.st_mode):
        raise FootageError(f"{path} is not a file; footage is one video file")
    if status.st_size == 0:
        raise FootageError(f"{path} is empty; copy it again from where it was recorded")
    return status.st_size


def _whole(path: Path) -> Structure:
    try:
        structure = look(path)
    except OSError as problem:
        raise FootageError(f"{path} cannot be read: {problem.strerror or problem}") from problem
    again = "copy it again from where it was recorded"
    if structure.kind == "playlist":
        raise FootageError(f"{path} is a list of other files, not video; give the video file itself")
    if structure.kind == "text":
        raise FootageError(f"{path} is text, not video, whatever its name says; give the video file itself")
    if not structure.indexed:
        raise FootageError(
            f"{path} has no index (“moov”), so it was cut short or the recording never ended properly; "
            f"{again}, or have the camera or recorder repair it"
        )
    # Fragments are written so that what came before an accident can be used.
    if structure.missing and not structure.fragmented:
        raise FootageError(f"{path} was cut short: its last {_bytes(structure.missing)} are missing; {again}")
    return structure


def _bytes(count: int) -> str:
    for unit, size in (("GB", 10**9), ("MB", 10**6), ("kB", 10**3)):
        if count >= size:
            return f"{count / size:.1f} {unit}"
    return f"{count} bytes"


def _unreadable(path: Path, problem: Exception) -> FootageError:
    detail = getattr(problem, "strerror", None) or "what it says of itself does not add up"
    return FootageError(
        f"{path} cannot be read as video ({detail}); play it to see whether it is whole, "
        "and copy it again or convert it if it isn't"
    )


# --- what it means ----------------------------------------------------------------------------------------


def _describe(
    path: Path, container: Any, stream: Any, packets: Packets, structure: Structure
) -> tuple[FootageInfo, Timeline]:
    context, picture = stream.codec_context, packets.picture
    if not stream.time_base:
        raise FootageError(f"{path} does not say what its times are counted in; convert it to MP4 first")
    base = Fraction(stream.time_base)
    start = int(packets.pts[0])
    pts = packets.pts - start
    steps = np.diff(pts)
    usual = int(np.median(steps)) if len(steps) else 0
    last = packets.last_duration or usual or _ticks_of(stream, base)
    timeline = Timeline(pts, int(pts[-1]) + max(1, last), base)
    if timeline.duration_us > _LONGEST_US:
        raise FootageError(
            f"{path} says it lasts {format_time(timeline.duration_us, 0)}; its timestamps are "
            "damaged: convert it, which writes them anew"
        )
    variable = bool(len(steps)) and int(np.abs(steps - usual).max()) > max(1, usual // 20)
    matrix = bytes(picture.side_data.get("DISPLAYMATRIX", _IDENTITY))
    info = FootageInfo(
        container=_short(container.format.name),
        video_codec=context.codec.canonical_name,
        width=int(context.width),
        height=int(context.height),
        sample_aspect=Fraction(stream.sample_aspect_ratio or 0) or Fraction(1),
        rotation=round(-picture.rotation / 90) * 90 % 360,
        interlaced=context.field_order > 1 or bool(picture.interlaced_frame),
        rate=_rate(stream, timeline, variable),
        variable_rate=variable,
        time_base=base,
        frames=len(timeline),
        duration_us=timeline.duration_us,
        start_pts=start,
        audio=_audio(container),
        sliceable=False,
        why_not="",
        size=0,
        fingerprint="",
    )
    picture_faults = _picture_faults(info, context, packets.open_group, upright=matrix[:24] == _IDENTITY[:24])
    faults = [*picture_faults, *_other_faults(path, info, context, structure)]
    info = dataclasses.replace(
        info, sliceable=not faults, why_not="; ".join(faults), copyable=not picture_faults
    )
    return info, timeline


def _short(names: str) -> str:
    """One name for a demuxer that has several ("mov,mp4,m4a,3gp,3g2,mj2")."""
    return names.split(",", 1)[0]


def _ticks_of(stream: Any, base: Fraction) -> int:
    """A frame's length by the stated rate, for footage of a single frame."""
    rate = stream.guessed_rate or stream.average_rate
    return int(1 / (Fraction(rate) * base)) if rate else 1


def _rate(stream: Any, timeline: Timeline, variable: bool) -> Fraction:
    """The stated rate where the timestamps (which may be rounded) bear it out, else what they come to."""
    measured = Fraction(len(timeline), 1) / (timeline.end * timeline.time_base)
    for stated in (stream.average_rate, stream.guessed_rate):
        if stated and not variable and abs(Fraction(stated) / measured - 1) < Fraction(1, 500):
            return Fraction(stated)
    return measured.limit_denominator(1001)


def _audio(container: Any) -> tuple[AudioTrack, ...]:
    """The tracks, the one that is used first: the one marked as default, else the first."""
    usable = [s for s in container.streams.audio if s.codec_context is not None]
    usable.sort(key=lambda s: not s.disposition & av.stream.Disposition.default)
    return tuple(
        AudioTrack(
            index=s.index,
            codec=s.codec_context.codec.canonical_name,
            sample_rate=int(s.codec_context.sample_rate or 0),
            channels=int(s.codec_context.layout.nb_channels),
            language=readable(s.language) if s.language and s.language != "und" else "",
        )
        for s in usable
    )


def _picture_faults(info: FootageInfo, context: Any, open_group: bool, *, upright: bool) -> list[str]:
    faults = []
    if info.video_codec != "h264":
        faults.append(f"its video is {_CODECS.get(info.video_codec, info.video_codec)}, not H.264")
    elif context.pix_fmt not in _FIT_FORMATS:
        faults.append(f"its picture format ({context.pix_fmt}) is one that browsers do not show")
    elif open_group:
        faults.append("its groups of pictures are open, and browsers fail to seek in them")
    if info.interlaced:
        faults.append("it is interlaced")
    if not upright:
        faults.append(f"it is stored turned ({info.rotation}°)" if info.rotation else "it is stored mirrored")
    if info.video_codec == "h264" and info.container == "avi":
        faults.append("AVI does not say when its frames are shown")
    return faults


def _other_faults(path: Path, info: FootageInfo, context: Any, structure: Structure) -> list[str]:
    faults = []
    if info.container != "mov" or structure.kind != "mp4":
        faults.append(f"it is {_NAMES.get(info.container, info.container)}, not MP4")
    elif structure.fragmented:
        faults.append("it is a fragmented MP4, whose index is spread over the file")
    elif (context.extradata or b"")[:1] != b"\1" and info.video_codec == "h264":
        faults.append("its parameter sets are not in its index")
    else:
        try:
            reading.read_movie(path)
        except FootageError as problem:
            if isinstance(problem.__cause__, OSError):  # no fault of the footage, to be noted for good
                raise
            faults.append(str(problem).removeprefix(f"{path}: "))
    if info.audio and info.audio[0].codec != "aac":
        codec = info.audio[0].codec
        named = "PCM" if codec.startswith("pcm_") else _CODECS.get(codec, codec)
        faults.append(f"its sound is {named}, not AAC")
    return faults

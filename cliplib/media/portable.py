"""A clip for handing on: every picture in it belongs to it, so it is exact in any player.

Only what cannot stand without its neighbours is encoded again; the rest is copied:

    source    K . . . a . . . K . . . K . . P b b |
    clip              `-----' `-----------' `-'
                      encoded     copied    encoded

The encoded ends have parameter sets of their own, under a number the source does not use, and both kinds are
in the one sample description. Sound is copied by packets with an edit list exact to the sample, which begins
one packet (21 ms at 48 kHz) early for a player that ignores edit lists.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import chain
from pathlib import Path
from typing import Any

import av
import numpy as np

from cliplib.errors import FootageError
from cliplib.media.encode import Coded, PictureEncoder, Spool, put_together
from cliplib.media.files import writing
from cliplib.media.mp4 import Edit, Ints, Movie, Track
from cliplib.media.mp4write import TrackOut
from cliplib.media.sampleentry import AvcConfig, avc_config, with_avc_config
from cliplib.media.slices import Shown, frame_span, movie_span, plan_sound, plan_video, retime
from cliplib.progress import Progress

PRESET, CRF = "ultrafast", 18
"""A group at most is encoded, so bytes matter little and time much; no loss is seen at this quality (common
practice)."""
_PROFILES = {66: "baseline", 77: "main", 100: "high"}
_FORMATS = ("yuv420p", "yuvj420p")
_COLOUR = ("colorspace", "color_primaries", "color_trc", "color_range")


@dataclass(frozen=True, slots=True)
class PortablePlan:
    """Frames, in the order they are shown, to be encoded before and after the copied ones, half-open, and the
    samples, in decode order, to be copied.
    """

    head: tuple[int, int]
    copied: tuple[int, int]
    tail: tuple[int, int]


def plan_portable(track: Track, shown: Shown, first: int, last: int) -> PortablePlan:
    """Pure. The copied part begins at the first key picture from which on nothing refers back, and ends at
    the last picture up to which nothing later is needed.
    """
    rank = np.full(len(track), -1)
    rank[shown.samples] = np.arange(len(shown.samples))
    stop = int(shown.samples[first:last].max()) + 1
    ranks = rank[:stop]
    for key in np.flatnonzero(track.sync[:stop]):
        begin = int(ranks[key])
        if not first <= begin < last or int(shown.samples[begin:last].min()) < key:
            continue
        # The first n samples from the key picture on are complete when they are the first n frames.
        run = ranks[key:]
        highest = np.maximum.accumulate(run)
        whole = highest - begin + 1 == np.arange(1, len(run) + 1)
        whole &= (np.minimum.accumulate(run) >= begin) & (highest < last)
        ends = np.flatnonzero(whole)
        if len(ends):
            count = int(ends[-1]) + 1
            return PortablePlan((first, begin), (int(key), int(key) + count), (begin + count, last))
    return PortablePlan((first, last), (0, 0), (last, last))


def export(
    movie: Movie,
    video: Track,
    shown: Shown,
    span: tuple[int, int],
    out: Path,
    progress: Progress,
) -> PortablePlan:
    """Write frames `span` of an MP4 with closed groups of H.264 and, if any, AAC. Raises FootageError when
    the footage isn't of that kind; then only encoding it all helps.
    """
    first, last = span
    config = avc_config(video.stsd)
    if config.profile not in _PROFILES:
        raise FootageError("its H.264 profile is none that can be continued by encoding")
    if any(track.codec != b"mp4a" for track in movie.of_kind(b"soun")):
        raise FootageError("its sound is not AAC")
    plan = plan_portable(video, shown, first, last)
    todo = sum(end - begin for begin, end in (plan.head, plan.tail))
    source = os.open(movie.path, os.O_RDONLY)
    try:
        with writing(out), Spool(out.parent) as spool:
            ends = _Ends(source, video, shown, config, spool, progress, todo)
            parts = [ends.encode(plan.head), _copied(video, shown, plan.copied), ends.encode(plan.tail)]
            coded = _joined([part for part in parts if part is not None])
            tracks = _tracks(movie, video, shown, span, coded, with_avc_config(video.stsd, ends.config))
            put_together(tracks, (source, spool.fd), out)
    finally:
        os.close(source)
    progress("export", todo, todo)
    return plan


def _copied(video: Track, shown: Shown, samples: tuple[int, int]) -> Coded | None:
    begin, end = samples
    if begin == end:
        return None
    rank = np.full(len(video), -1)
    rank[shown.samples] = np.arange(len(shown.samples))
    part = slice(begin, end)
    files = np.zeros(end - begin, np.int64)
    return Coded(rank[part], files, video.offsets[part], video.sizes[part], video.sync[part])


def _joined(parts: list[Coded]) -> Coded:
    def join(name: str) -> Any:
        return np.concatenate([getattr(part, name) for part in parts])

    return Coded(join("order"), join("files"), join("offsets"), join("sizes"), join("sync"))


def _tracks(
    movie: Movie, video: Track, shown: Shown, span: tuple[int, int], coded: Coded, stsd: bytes
) -> list[tuple[TrackOut, Ints]]:
    first, last = span
    begin, end = frame_span(video, shown, first, last)
    times = video.composition[shown.samples[coded.order]]
    new = retime(times, begin, end, video.timescale)
    timescale = video.timescale * new.scale
    picture = TrackOut(
        kind=b"vide",
        timescale=timescale,
        stsd=stsd,
        durations=new.durations,
        shifts=new.shifts,
        sizes=coded.sizes,
        offsets=coded.offsets,
        description=np.ones(len(coded), np.int64),
        sync=coded.sync,
        edits=(Edit(new.length, new.start),),
        header=video.header,
        language=video.language,
    )
    tracks = [(picture, coded.files)]
    seconds = movie_span(video, shown, first, last)
    for track in movie.of_kind(b"soun"):
        sound = plan_sound(track, movie, seconds, timescale)
        if sound:
            tracks.append((sound, np.zeros(len(sound.sizes), np.int64)))
    return tracks


class _Ends:
    """Encodes the frames at both ends."""

    def __init__(
        self,
        source: int,
        video: Track,
        shown: Shown,
        config: AvcConfig,
        spool: Spool,
        progress: Progress,
        todo: int,
    ):
        self._source, self._video, self._shown = source, video, shown
        self._source_config = config
        self._added: AvcConfig | None = None
        self._context: Any = None
        self._spool, self._progress, self._todo = spool, progress, todo
        self._done = 0

    @property
    def config(self) -> AvcConfig:
        """The source's, with what was added to it."""
        return self._source_config if self._added is None else self._source_config.joined(self._added)

    def encode(self, frames: tuple[int, int]) -> Coded | None:
        first, last = frames
        if first == last:
            return None
        pictures = self._decode(first, last)
        head = next(pictures)
        encoder = self._encoder(head)
        coded, config = encoder.encode(chain([head], pictures), self._spool, 1)
        if self._added is None:
            self._added = config
        elif self._added != config:
            raise FootageError("the encoder set itself up differently for the two ends")
        return replace(coded, order=coded.order + first)

    def _encoder(self, frame: Any) -> PictureEncoder:
        if frame.format.name not in _FORMATS:
            raise FootageError(f"its pictures are {frame.format.name}, not 8-bit 4:2:0")
        context = self._context
        times = self._video.composition[self._shown.samples]
        length = Fraction(int(times[-1] - times[0]), self._video.timescale)
        return PictureEncoder(
            width=frame.width,
            height=frame.height,
            rate=(len(times) / length if length else Fraction(25)).limit_denominator(1001),
            aspect=context.sample_aspect_ratio or Fraction(1),
            number=self._source_config.free_number(),
            profile=_PROFILES[self._source_config.profile],
            preset=PRESET,
            crf=CRF,
            length_size=self._source_config.length_size,
            threads=1,  # several clips at once use the processors better than several threads a clip
            pixels=frame.format.name,
            colour=tuple((name, int(getattr(context, name))) for name in _COLOUR),
        )

    def _decode(self, first: int, last: int) -> Iterator[Any]:
        """Frames [first, last) as `av.VideoFrame`s; nothing is asked of a demuxer, the tables suffice."""
        video = self._video
        rank = np.full(len(video), -1)
        rank[self._shown.samples] = np.arange(len(self._shown.samples))
        context = self._context = av.CodecContext.create("h264", "r")
        context.extradata = self._source_config.pack()
        # One thread: others would free these packets, which are Python's, and could wait for ever for this
        # one, which waits for them when decoding is given up half-way.
        context.thread_count = 1
        expected = first
        for sample in [*plan_video(video, self._shown, first, last).samples, None]:
            packet = None
            if sample is not None:
                wanted = first <= rank[sample] < last
                # Pictures that are neither wanted nor referred to need no decoding.
                context.skip_frame = "DEFAULT" if wanted else "NONREF"
                size, offset = int(video.sizes[sample]), int(video.offsets[sample])
                packet = av.Packet(os.pread(self._source, size, offset))
                packet.pts = packet.dts = int(rank[sample])
            try:
                frames = context.decode(packet)
            except av.error.InvalidDataError:
                raise FootageError(f"frame {expected} cannot be decoded") from None
            for frame in frames:
                if frame.pts is None or not first <= frame.pts < last:
                    continue
                if frame.pts != expected:
                    raise FootageError(f"frame {expected} cannot be decoded")
                self._progress("export", self._done, self._todo)
                self._done, expected = self._done + 1, expected + 1
                yield frame
        if expected != last:
            raise FootageError(f"frame {expected} cannot be decoded")

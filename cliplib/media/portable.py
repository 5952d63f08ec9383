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

import functools
import itertools
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import chain
from pathlib import Path
from typing import Any

import av
import numpy as np

from cliplib.errors import FootageError
from cliplib.media.encode import Coded, PictureEncoder, Spool, SteadyEncoder, put_together
from cliplib.media.files import writing
from cliplib.media.mp4 import Edit, Ints, Movie, Track
from cliplib.media.mp4write import TrackOut
from cliplib.media.sampleentry import AvcConfig, avc_config, with_avc_config
from cliplib.media.slices import Shown, frame_span, movie_span, plan_sound, plan_video, retime
from cliplib.progress import Progress

PRESET, QUANTIZER = "ultrafast", 20
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


class Exporter:
    """Makes clips of one MP4 portable. Safe in several threads at once: each takes a decoder and an encoder
    that are free, or opens new ones, as opening them costs as much as ten pictures.

    `fd`: of the open file, which stays the caller's to close.
    """

    def __init__(self, fd: int, movie: Movie, video: Track, shown: Shown):
        self._fd, self._movie, self._video, self._shown = fd, movie, video, shown
        self._free: list[_Coders] = []

    @functools.cached_property
    def _footage(self) -> _Footage:
        config = avc_config(self._video.stsd)
        if config.profile not in _PROFILES:
            raise FootageError("its H.264 profile is none that can be continued by encoding")
        if any(track.codec != b"mp4a" for track in self._movie.of_kind(b"soun")):
            raise FootageError("its sound is not AAC")
        rank = np.full(len(self._video), -1)
        rank[self._shown.samples] = np.arange(len(self._shown.samples))
        return _Footage(self._fd, self._video, self._shown, rank, config)

    def export(self, span: tuple[int, int], out: Path, progress: Progress) -> PortablePlan:
        """Write frames `span`. Raises FootageError when the footage isn't closed groups of H.264 and, if any,
        AAC; then only encoding it all helps.
        """
        footage = self._footage
        plan = plan_portable(self._video, self._shown, *span)
        todo = sum(end - begin for begin, end in (plan.head, plan.tail))
        with writing(out), Spool(out.parent) as spool:
            parts = [_copied(footage, plan.copied)]
            config = footage.config
            if todo:
                coders = self._free.pop() if self._free else _Coders(footage)
                done = itertools.count()
                head, tail, added = coders.encode(
                    plan.head, plan.tail, spool, lambda: progress("export", next(done), todo)
                )
                self._free.append(coders)  # not after an error: what it was doing is still in it
                parts, config = [head, *parts, tail], config.joined(added)
            tracks = _tracks(
                self._movie, footage, span, _joined(parts), with_avc_config(self._video.stsd, config)
            )
            put_together(tracks, (self._fd, spool.fd), out)
        progress("export", todo, todo)
        return plan


@dataclass(frozen=True, slots=True, eq=False)
class _Footage:
    """`rank`: which frame, in the order of being shown, each sample is; -1 for one that is not shown."""

    fd: int
    video: Track
    shown: Shown
    rank: Ints
    config: AvcConfig

    @property
    def rate(self) -> Fraction:
        times = self.video.composition[self.shown.samples[[0, -1]]]
        length = Fraction(int(times[1] - times[0]), self.video.timescale)
        return (len(self.shown.samples) / length if length else Fraction(25)).limit_denominator(1001)


def _copied(footage: _Footage, samples: tuple[int, int]) -> Coded:
    begin, end = samples
    part, video = slice(begin, end), footage.video
    files = np.zeros(end - begin, np.int64)
    return Coded(footage.rank[part], files, video.offsets[part], video.sizes[part], video.sync[part])


def _joined(parts: list[Coded]) -> Coded:
    def join(name: str) -> Any:
        return np.concatenate([getattr(part, name) for part in parts])

    return Coded(join("order"), join("files"), join("offsets"), join("sizes"), join("sync"))


def _part(coded: Coded, begin: int, end: int, first: int) -> Coded:
    """Samples [begin, end), encoded alone; `first`: which frame the first of them is."""
    part = slice(begin, end)
    order = coded.order[part] + (first - begin)
    return Coded(order, coded.files[part], coded.offsets[part], coded.sizes[part], coded.sync[part])


def _tracks(
    movie: Movie, footage: _Footage, span: tuple[int, int], coded: Coded, stsd: bytes
) -> list[tuple[TrackOut, Ints]]:
    first, last = span
    video, shown = footage.video, footage.shown
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


class _Coders:
    """A decoder of one footage and an encoder that goes on in its manner. For one thread at a time."""

    def __init__(self, footage: _Footage):
        self._footage = footage
        self._decoder: Any = av.CodecContext.create("h264", "r")
        self._decoder.extradata = footage.config.pack()
        # One thread: others would free these packets, which are Python's, and could wait for ever for this
        # one, which waits for them when decoding is given up half-way.
        self._decoder.thread_count = 1
        self._encoder: SteadyEncoder | None = None
        self._look: tuple[int, int, str] | None = None

    def encode(
        self, head: tuple[int, int], tail: tuple[int, int], spool: Spool, tick: Callable[[], None]
    ) -> tuple[Coded, Coded, AvcConfig]:
        """Frames [first, last) before and after what is copied, one of them at least. `tick`: is called
        before each.
        """
        frames = chain(self._decode(*head, tick), self._decode(*tail, tick))
        one = next(frames)
        encoder = self._encoder_for(one)
        long = head[1] - head[0]
        coded = encoder.encode(chain([one], frames), spool, 1, begins=(0, long))
        return _part(coded, 0, long, head[0]), _part(coded, long, len(coded), tail[0]), encoder.config

    def _encoder_for(self, frame: Any) -> SteadyEncoder:
        look = (frame.width, frame.height, frame.format.name)
        if self._encoder is None or look != self._look:
            self._encoder, self._look = SteadyEncoder(self._settings(frame)), look
        return self._encoder

    def _settings(self, frame: Any) -> PictureEncoder:
        if frame.format.name not in _FORMATS:
            raise FootageError(f"its pictures are {frame.format.name}, not 8-bit 4:2:0")
        context, config = self._decoder, self._footage.config
        return PictureEncoder(
            width=frame.width,
            height=frame.height,
            rate=self._footage.rate,
            aspect=context.sample_aspect_ratio or Fraction(1),
            number=config.free_number(),
            profile=_PROFILES[config.profile],
            preset=PRESET,
            steady=QUANTIZER,
            length_size=config.length_size,
            threads=1,  # several clips at once use the processors better than several threads a clip
            pixels=frame.format.name,
            colour=tuple((name, int(getattr(context, name))) for name in _COLOUR),
        )

    def _decode(self, first: int, last: int, tick: Callable[[], None]) -> Iterator[Any]:
        """Frames [first, last) as `av.VideoFrame`s; nothing is asked of a demuxer, the tables suffice."""
        if first == last:
            return
        footage, decoder = self._footage, self._decoder
        video, expected = footage.video, first
        for sample in [*plan_video(video, footage.shown, first, last).samples, None]:
            packet = None
            if sample is not None:
                number = int(footage.rank[sample])
                # Pictures that are neither wanted nor referred to need no decoding.
                decoder.skip_frame = "DEFAULT" if first <= number < last else "NONREF"
                size, offset = int(video.sizes[sample]), int(video.offsets[sample])
                packet = av.Packet(os.pread(footage.fd, size, offset))
                packet.pts = packet.dts = number
            try:
                frames = decoder.decode(packet)
            except av.error.InvalidDataError:
                raise FootageError(f"frame {expected} cannot be decoded") from None
            for frame in frames:
                if frame.pts is None or not first <= frame.pts < last:
                    continue
                if frame.pts != expected:
                    raise FootageError(f"frame {expected} cannot be decoded")
                tick()
                expected += 1
                yield frame
        if expected != last:
            raise FootageError(f"frame {expected} cannot be decoded")
        decoder.flush_buffers()

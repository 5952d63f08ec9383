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
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from cliplib.core.errors import FootageError
from cliplib.core.progress import Progress
from cliplib.media.apart.asking import Apart
from cliplib.media.files import writing
from cliplib.media.mp4.entries import PROFILES, AvcConfig, avc_config, config_of, with_avc_config
from cliplib.media.mp4.reading import Edit, Ints, Movie, Track
from cliplib.media.mp4.samples import Coded, Spool, Taken, put_together
from cliplib.media.mp4.writing import TrackOut
from cliplib.media.slices import Shown, frame_span, movie_span, plan_sound, plan_video, retime

PRESET, QUANTIZER = "ultrafast", 20
"""A group at most is encoded, so bytes matter little and time much; no loss is seen at this quality (common
practice)."""


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
    """Makes clips of one MP4 portable. Safe in several threads at once: each takes a process apart with a
    decoder and an encoder (`recoding`) that is free, or opens another, as opening them costs as much as ten
    pictures.

    `fd`: of the open file, which stays the caller's to close.
    """

    def __init__(self, fd: int, movie: Movie, video: Track, shown: Shown):
        self._fd, self._movie, self._video, self._shown = fd, movie, video, shown
        self._free: list[Apart] = []

    def close(self) -> None:
        while self._free:
            self._free.pop().close()

    @functools.cached_property
    def _footage(self) -> _Footage:
        config = avc_config(self._video.stsd)
        if config.profile not in PROFILES:
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
                coder = self._free.pop() if self._free else self._coder(footage)
                try:
                    head, tail, added = _encoded(coder, footage, plan, Taken(spool, 1), progress)
                finally:
                    self._free.append(coder)
                parts, config = [head, *parts, tail], config.joined(added)
            tracks = _tracks(
                self._movie, footage, span, _joined(parts), with_avc_config(self._video.stsd, config)
            )
            put_together(tracks, (self._fd, spool.fd), out)
        progress("export", todo, todo)
        return plan

    def _coder(self, footage: _Footage) -> Apart:
        movie = self._movie
        file = (movie.path, movie.size, movie.mtime_ns)
        return Apart(
            movie.path,
            "cliplib.media.apart.recoding:EndCoder",
            file,
            footage.config,
            footage.rate,
            QUANTIZER,
            PRESET,
        )


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


def _encoded(
    coder: Apart, footage: _Footage, plan: PortablePlan, taken: Taken, progress: Progress
) -> tuple[Coded, Coded, AvcConfig]:
    """What is encoded before and after what is copied."""
    ends = [(first, last, _reads(footage, first, last)) for first, last in (plan.head, plan.tail)]
    todo = sum(last - first for first, last, _ in ends)
    extradata = b""
    for said, data in coder.each("encode", ends):
        if "order" in said:
            progress("export", len(taken), todo)
            taken.add(said["order"], said["sync"], data)
        else:
            extradata = bytes(data)
    coded, long = taken.coded(todo), plan.head[1] - plan.head[0]
    config = config_of(extradata, footage.config.length_size)
    return _part(coded, 0, long, plan.head[0]), _part(coded, long, todo, plan.tail[0]), config


def _reads(footage: _Footage, first: int, last: int) -> list[tuple[int, int, int]]:
    """(frame, offset, size) of the samples that frames [first, last) need, in decode order."""
    if first == last:
        return []
    video = footage.video
    samples = plan_video(video, footage.shown, first, last).samples
    columns = (footage.rank[samples], video.offsets[samples], video.sizes[samples])
    return list(zip(*(column.tolist() for column in columns), strict=True))

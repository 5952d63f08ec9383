"""A clip as a slice of the footage's samples: exact by frame, nothing decoded, at the speed of copying.

A picture can only be decoded after those it refers to, so a slice of frames [first, last) holds every sample
from the key picture before it to the last one it needs, and an edit list says what to show of them:

    decoded      K  b  b  a  .  .  .  .  .  z  x
    shown                |first ........ last|
    hidden       `-------'                   `-'

Players that ignore the start of an edit list show the hidden pictures, so those last one tick each: they
flash by in a few milliseconds, and times after them are right. (Firefox is such a player; it still paints the
key picture before the first seek, so a page should seek once, half a frame in, on `loadeddata`.) A slice
therefore carries a little footage from outside its span. To hand a clip to somebody, use `portable`.
"""

from __future__ import annotations

import errno
import math
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from cliplib.core.errors import FootageError
from cliplib.core.timebase import Timeline
from cliplib.media.mp4.reading import Edit, Ints, Movie, Track
from cliplib.media.mp4.writing import TrackOut, header

NEAR = 32 << 10
"""Runs of bytes closer than this are copied as one; a longer write is cheaper than another call."""

FINEST = 90_000
"""Ticks a second that a slice counts at least in, so that a hidden picture's one tick is no time at all."""

_NO_KERNEL_COPY = (errno.EXDEV, errno.EINVAL, errno.ENOSYS, errno.EOPNOTSUPP, errno.EPERM, errno.EBADF)

SQUEEZED = 100_000
"""Browsers count microseconds: on finer ticks than this, hidden pictures lie several apart, ten at least."""


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """The frames of a track in the order they are shown, as its own edit list has it.

    `samples[i]`: the sample, in decode order, of frame i. `end`: the composition time at which the last frame
    stops being shown. `start`: seconds of the movie at which the edit list begins to show `media_start`.
    """

    samples: Ints
    end: int
    start: Fraction
    media_start: int


@dataclass(frozen=True, slots=True, eq=False)
class Times:
    """New times for samples in decode order, in ticks `scale` times as fine as the source's.

    `composition`: when each is shown, zero being the earliest decode time. `durations`: between decode times.
    The clip shows [`start`, `start` + `length`) of composition time.
    """

    composition: Ints
    durations: Ints
    start: int
    length: int
    scale: int

    @property
    def shifts(self) -> Ints:
        """Composition minus decode times."""
        return self.composition - (np.cumsum(self.durations) - self.durations)


@dataclass(frozen=True, slots=True, eq=False)
class VideoPlan:
    """`samples`: which of the source's make a slice, in decode order."""

    samples: Ints
    times: Times


@dataclass(frozen=True, slots=True, eq=False)
class Slice:
    """A clip ready to be written: `header`, then the source's bytes [offset, offset + length) of each run."""

    header: bytes
    runs: tuple[tuple[int, int], ...]

    @property
    def size(self) -> int:
        return len(self.header) + sum(length for _, length in self.runs)


def edit_span(track: Track, movie: Movie) -> tuple[Fraction, int, int]:
    """(seconds of pause, first, end): the track is silent for the pause, then shows [first, end) of its own
    time. Raises FootageError for an edit list that joins several parts.
    """
    pause, shown = 0, [edit for edit in track.edits if edit.media_time >= 0]
    for edit in track.edits:
        if edit.media_time >= 0:
            break
        pause += edit.duration
    length = int(track.durations.sum())
    if not shown:
        return Fraction(pause, movie.timescale), 0, max(length, int(track.composition.max(initial=0)) + 1)
    if len(shown) > 1:
        raise FootageError(f"{movie.path}: its edit list joins {len(shown)} parts")
    first = shown[0].media_time
    # Durations are rounded to the movie's ticks. Zero means "to the end".
    duration = round(Fraction(shown[0].duration * track.timescale, movie.timescale)) or (1 << 62)
    return Fraction(pause, movie.timescale), first, first + duration


def shown_frames(track: Track, movie: Movie) -> Shown:
    """Raises FootageError when the tables leave the order of the frames open."""
    pause, first, end = edit_span(track, movie)
    order = np.argsort(track.composition, kind="stable")
    times = track.composition[order]
    low, high = np.searchsorted(times, [first, min(end, 1 << 61)], side="left")
    order, times = order[low:high], times[low:high]
    if len(order) == 0:
        raise FootageError(f"{movie.path}: its tables show no picture at all")
    if (np.diff(times) <= 0).any():
        raise FootageError(f"{movie.path}: several pictures claim the same moment")
    if (track.sizes[order] == 0).any():
        raise FootageError(f"{movie.path}: some pictures are empty")
    stop = int(times[-1] + max(1, track.durations[order[-1]]))
    return Shown(order, min(stop, end), pause, first)


def check_timeline(shown: Shown, track: Track, timeline: Timeline) -> None:
    """The frames counted here must be those counted by the probe, else a slice would show other ones."""
    if len(shown.samples) != len(timeline):
        raise FootageError(
            f"its tables show {len(shown.samples)} frames where decoding shows {len(timeline)}"
        )
    times = track.composition[shown.samples]
    ours, theirs = Fraction(1, track.timescale), timeline.time_base
    # A common tick, so that both are whole; object arrays count beyond 64 bits.
    common = Fraction(1, math.lcm(ours.denominator, theirs.denominator))
    kind = np.int64 if timeline.time_of(len(timeline)) / common < 1 << 62 else object
    mine = (times - times[0]).astype(kind) * (ours / common).numerator
    off = np.abs(mine - timeline.pts.astype(kind) * (theirs / common).numerator)
    # A change of container may round by one tick of the coarser.
    wrong = np.flatnonzero(off > (max(ours, theirs) / common).numerator)
    if len(wrong):
        raise FootageError(f"its tables and its timestamps differ from frame {wrong[0]} on")


def plan_video(track: Track, shown: Shown, first: int, last: int) -> VideoPlan:
    """Frames [first, last) of `shown`, with what they need for being decoded. Pure.

    Raises ValueError for a span outside the footage, FootageError when no key picture comes before it.
    """
    if not 0 <= first < last <= len(shown.samples):
        raise ValueError(f"frames {first} to {last} are not within the {len(shown.samples)} of the footage")
    times = track.composition
    wanted = shown.samples[first:last]
    begin, end = frame_span(track, shown, first, last)
    # Pictures after a key picture but shown before it (an open GOP's leading pictures) refer to ones before
    # it. So the key picture must itself be shown no later than the first frame wanted.
    keys = np.flatnonzero(track.sync[: int(wanted.min()) + 1])
    keys = keys[times[keys] <= begin]
    if len(keys) == 0:
        raise FootageError(f"no key picture comes before frame {first}")
    key = int(keys[-1])
    samples = np.arange(key, int(wanted.max()) + 1)
    samples = samples[times[samples] >= times[key]]
    return VideoPlan(samples, retime(times[samples], begin, end, track.timescale))


def retime(times: Ints, begin: int, end: int, timescale: int) -> Times:
    """Times that show just [begin, end) of `times`, the composition times of samples in decode order, and
    squeeze what lies outside.
    """
    scale = max(1, -(-FINEST // timescale))
    tick = max(1, timescale * scale // SQUEEZED)
    before, after = times < begin, times >= end
    lead, length = int(before.sum()) * tick, (end - begin) * scale
    new = lead + (times - begin) * scale
    new[before] = _ranks(times[before]) * tick
    new[after] = lead + length + _ranks(times[after]) * tick
    # Decode times are the moments of being shown, in order, moved back until none is decoded too late.
    decode = np.sort(new)
    shift = int((decode - new).max())
    final = tick if after.any() else lead + length - int(decode[-1])
    durations = np.diff(decode, append=decode[-1] + final)
    return Times(new + shift, durations, lead + shift, length, scale)


def _ranks(times: Ints) -> Ints:
    ranks = np.empty(len(times), np.int64)
    ranks[np.argsort(times, kind="stable")] = np.arange(len(times))
    return ranks


def movie_span(track: Track, shown: Shown, first: int, last: int) -> tuple[Fraction, Fraction]:
    """Seconds of the movie at which frames [first, last) begin and end."""
    first_time, end = frame_span(track, shown, first, last)
    begin = shown.start + Fraction(first_time - shown.media_start, track.timescale)
    return begin, begin + Fraction(end - first_time, track.timescale)


def frame_span(track: Track, shown: Shown, first: int, last: int) -> tuple[int, int]:
    """Composition times at which frames [first, last) begin and end."""
    begin = int(track.composition[shown.samples[first]])
    if last == len(shown.samples):
        return begin, shown.end
    return begin, int(track.composition[shown.samples[last]])


def plan_sound(
    track: Track, movie: Movie, span: tuple[Fraction, Fraction], timescale: int
) -> TrackOut | None:
    """The packets heard during `span`, seconds of the movie, with an edit list exact to the sample; None when
    there are none. Offsets are those of the source. Pure.

    One packet more comes first, since a packet of transform-coded sound is overlapped with the one before it
    (ISO/IEC 14496-3). `timescale`: ticks a second of the durations in the edit list.
    """
    pause, media_start, media_end = edit_span(track, movie)
    media_end = min(media_end, int(track.durations.sum()))

    def position(seconds: Fraction) -> int:
        return media_start + round((seconds - pause) * track.timescale)

    begin, end = map(position, span)
    start, stop = max(begin, media_start), min(end, media_end)
    if start >= stop:
        return None
    first = heard = int(np.searchsorted(track.decode, start, side="right")) - 1
    while first > 0 and track.decode[heard] - track.decode[first] < _pre_roll(track):
        first -= 1
    last = int(np.searchsorted(track.decode, stop, side="left"))
    durations = track.durations[first:last].copy()
    durations[-1] = min(int(durations[-1]), stop - int(track.decode[last - 1]))
    silence = round(Fraction(start - begin, track.timescale) * timescale)
    length = round(Fraction(stop - start, track.timescale) * timescale)
    edits: tuple[Edit, ...] = (Edit(length, start - int(track.decode[first])),)
    if silence:
        edits = (Edit(silence, -1), *edits)
    return _track_out(track, np.arange(first, last), durations, np.zeros(last - first, np.int64), edits)


def _pre_roll(track: Track) -> int:
    """Ticks of sound decoded before what is heard: a packet; 80 ms of Opus (RFC 7845, section 4.6)."""
    return track.timescale * 80 // 1000 if track.codec == b"Opus" else 1


def _track_out(
    track: Track, samples: Ints, durations: Ints, shifts: Ints, edits: tuple[Edit, ...], scale: int = 1
) -> TrackOut:
    return TrackOut(
        kind=track.kind,
        timescale=track.timescale * scale,
        stsd=track.stsd,
        durations=durations,
        shifts=shifts,
        sizes=track.sizes[samples],
        offsets=track.offsets[samples],
        description=track.description[samples],
        sync=track.sync[samples],
        edits=edits,
        header=track.header,
        language=track.language,
    )


def plan_slice(movie: Movie, video: Track, shown: Shown, first: int, last: int) -> Slice:
    """Frames [first, last) with the sound that goes with them, of every sound track. Pure.

    Raises as plan_video does.
    """
    plan = plan_video(video, shown, first, last)
    new = plan.times
    edits = (Edit(new.length, new.start),)
    tracks = [_track_out(video, plan.samples, new.durations, new.shifts, edits, new.scale)]
    span = movie_span(video, shown, first, last)
    for track in movie.of_kind(b"soun"):
        sound = plan_sound(track, movie, span, tracks[0].timescale)
        if sound:
            tracks.append(sound)
    runs, moved = gathered([np.stack([track.offsets, track.sizes]) for track in tracks])
    tracks = [replace(track, offsets=offsets) for track, offsets in zip(tracks, moved, strict=True)]
    return Slice(header(tracks, sum(length for _, length in runs)), runs)


def gathered(places: Sequence[Ints]) -> tuple[tuple[tuple[int, int], ...], list[Ints]]:
    """The byte runs that hold all samples, and each sample's place when the runs are laid end to end.

    `places`: a (2, n) array of offsets and sizes for each track.
    """
    offsets, sizes = np.concatenate(places, axis=1)
    order = np.argsort(offsets, kind="stable")
    starts = offsets[order]
    ends = np.maximum.accumulate(starts + sizes[order])
    breaks = np.flatnonzero(starts[1:] > ends[:-1] + NEAR) + 1
    run_starts = starts[np.concatenate([[0], breaks])]
    run_lengths = ends[np.append(breaks - 1, len(ends) - 1)] - run_starts
    placed = np.cumsum(run_lengths) - run_lengths

    def move(offset: Ints) -> Ints:
        run = np.searchsorted(run_starts, offset, side="right") - 1
        moved: Ints = offset - run_starts[run] + placed[run]
        return moved

    runs = tuple(zip(run_starts.tolist(), run_lengths.tolist(), strict=True))
    return runs, [move(place[0]) for place in places]


def copy_runs(source: int, runs: Sequence[tuple[int, int]], target: int) -> None:
    """Append byte runs of one open file to another, inside the kernel where that works. Raises OSError, and
    FootageError when the source ends early.
    """
    inside = hasattr(os, "copy_file_range")
    for offset, length in runs:
        while length:
            copied = 0
            if inside:
                try:
                    copied = os.copy_file_range(source, target, length, offset)
                except OSError as error:
                    if error.errno not in _NO_KERNEL_COPY:
                        raise
                    inside = False
            if not inside:
                piece = memoryview(os.pread(source, min(length, 1 << 20), offset))
                copied = len(piece)
                while len(piece):
                    piece = piece[os.write(target, piece) :]
            if copied == 0:
                raise FootageError("it became shorter while it was being cut")
            offset, length = offset + copied, length - copied


def write_all(target: int, data: bytes) -> None:
    """`os.write` may take less than it is given."""
    view = memoryview(data)
    while len(view):
        view = view[os.write(target, view) :]

"""Planning of slices and portable clips, against a model decoder that knows what each picture refers to."""

from __future__ import annotations

import errno
import itertools
import os
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cliplib.core.errors import FootageError
from cliplib.core.timebase import Timeline
from cliplib.media import slices
from cliplib.media.mp4 import reading
from cliplib.media.mp4.writing import UPRIGHT
from cliplib.media.portable import plan_portable

HEADER = reading.TrackHeader(UPRIGHT, 0, 0, 0, 0, True)


@dataclass(frozen=True)
class Stream:
    """A video track and, for each sample in decode order, the samples it refers to."""

    movie: reading.Movie
    track: reading.Track
    shown: slices.Shown
    refers: tuple[frozenset[int], ...]
    closed: bool

    @property
    def rank(self) -> dict[int, int]:
        """Frame number of each shown sample."""
        return {int(s): i for i, s in enumerate(self.shown.samples)}


@st.composite
def streams(draw: st.DrawFn, *, closed: bool | None = None, hides: bool = True) -> Stream:
    """Groups as encoders make them: I P, and between anchors B-pictures, some of which others refer to. In an
    open group B-pictures come after the key picture, are shown before it, and refer to the group before.
    """
    is_closed = draw(st.booleans()) if closed is None else closed
    refers: list[frozenset[int]] = []
    places: list[int] = []  # of each sample in the order of being shown
    keys: list[int] = []
    at = 0
    anchor: int | None = None
    for group in range(draw(st.integers(1, 4))):
        for part in range(draw(st.integers(1, 4))):
            key = part == 0
            between = draw(st.integers(0, 3)) if not key or (group and not is_closed) else 0
            before = anchor
            anchor = len(refers)
            refers.append(frozenset() if key else frozenset({before} if before is not None else ()))
            places.append(at + between)
            if key:
                keys.append(anchor)
            ends = frozenset(a for a in (before, anchor) if a is not None)
            if between == 3 and draw(st.booleans()):  # a pyramid: the middle one is referred to
                middle = len(refers)
                refers += [ends, ends | {middle}, ends | {middle}]
                places += [at + 1, at, at + 2]
            else:
                refers += [ends] * between
                places += range(at, at + between)
            at += between + 1
    count = len(places)
    gaps = draw(st.lists(st.integers(1, 5), min_size=count, max_size=count))
    moments = np.cumsum([0, *gaps])
    composition = moments[places] + draw(st.integers(0, 9))
    decode = np.sort(composition)
    first_hidden = draw(st.integers(0, count - 1)) if hides and draw(st.booleans()) else 0
    media_start = int(np.sort(composition)[first_hidden])
    track = reading.Track(
        number=1,
        kind=b"vide",
        timescale=draw(st.sampled_from([25, 600, 12800, 90000, 10_000_000])),
        stsd=b"",
        durations=np.diff(decode, append=decode[-1] + gaps[-1]),
        composition=composition,
        decode=decode,
        sizes=np.full(count, 10),
        offsets=np.arange(count) * 10,
        description=np.ones(count, np.int64),
        sync=np.isin(np.arange(count), keys),
        edits=(reading.Edit(0, media_start),) if first_hidden else (),
        header=HEADER,
        language=0,
    )
    movie = reading.Movie(Path("made.mp4"), 0, 0, 1000, (track,))
    return Stream(movie, track, slices.shown_frames(track, movie), tuple(refers), is_closed)


def decodable(stream: Stream, samples: list[int]) -> set[int]:
    """Of samples fed in this order, those whose references, and theirs, were decoded before them."""
    good: set[int] = set()
    for sample in samples:
        if stream.refers[sample] <= good:
            good.add(sample)
    return good


def span_of(data: st.DataObject, stream: Stream) -> tuple[int, int]:
    frames = len(stream.shown.samples)
    first = data.draw(st.integers(0, frames - 1))
    return first, data.draw(st.integers(first + 1, frames))


@given(streams(), st.data())
@settings(max_examples=400, deadline=None)
def test_a_slice_decodes_to_exactly_the_asked_frames(stream: Stream, data: st.DataObject) -> None:
    first, last = span_of(data, stream)
    plan = slices.plan_video(stream.track, stream.shown, first, last)
    samples, times = plan.samples.tolist(), plan.times
    assert stream.track.sync[samples[0]]
    assert samples == sorted(samples)
    within = (times.composition >= times.start) & (times.composition < times.start + times.length)
    shown = [sample for sample, inside in zip(samples, within, strict=True) if inside]
    # Not only the shown ones: a picture that cannot be decoded has no business in a clip.
    assert decodable(stream, samples) == set(samples) >= set(shown)
    order = np.argsort(times.composition, kind="stable")
    in_order = [stream.rank[samples[j]] for j in order if within[j]]
    assert in_order == list(range(first, last))
    # Nothing is taken beyond what the last frame needs.
    assert samples[-1] == max(stream.shown.samples[first:last])


@given(streams(), st.data())
@settings(max_examples=400, deadline=None)
def test_times_of_a_slice(stream: Stream, data: st.DataObject) -> None:
    first, last = span_of(data, stream)
    plan = slices.plan_video(stream.track, stream.shown, first, last)
    times, timescale = plan.times, stream.track.timescale * plan.times.scale
    # Shown frames keep their distances.
    ours = np.sort(times.composition)
    inside = ours[(ours >= times.start) & (ours < times.start + times.length)]
    source = stream.track.composition[stream.shown.samples]
    np.testing.assert_array_equal(inside - inside[0], (source[first:last] - source[first]) * times.scale)
    end = source[last] if last < len(source) else stream.shown.end
    assert times.length == (end - source[first]) * times.scale
    # Hidden pictures lie one tick apart; a tick is at most 1/90,000 s and never under five microseconds,
    # so that a browser, which counts microseconds, tells them apart.
    tick = Fraction(max(1, timescale // 100_000), timescale)
    assert Fraction(1, 200_000) <= tick <= Fraction(1, 90_000)
    hidden = np.concatenate([ours[ours <= times.start], ours[ours >= times.start + times.length]])
    for near in (hidden[hidden <= times.start], hidden[hidden > times.start]):
        assert set(np.diff(near).tolist()) <= {tick * timescale}
    # A picture is decoded before it is shown, and decode times ascend.
    assert (times.durations > 0).all()
    assert (times.shifts >= 0).all()
    assert times.shifts.min() == 0


@given(streams(), st.data())
@settings(max_examples=400, deadline=None)
def test_a_portable_clip_copies_only_what_stands_alone(stream: Stream, data: st.DataObject) -> None:
    first, last = span_of(data, stream)
    plan = plan_portable(stream.track, stream.shown, first, last)
    copied = list(range(*plan.copied))
    assert plan.head[0] == first
    assert plan.tail[1] == last
    # Head, copied frames and tail are the asked frames, each once.
    assert sorted(stream.rank[sample] for sample in copied) == list(range(plan.head[1], plan.tail[0]))
    if not copied:
        return
    assert stream.track.sync[copied[0]]
    if stream.closed:
        assert decodable(stream, copied) == set(copied)
        # No more than necessary is encoded: up to the first key picture, and the last small group.
        keys = [stream.rank[int(k)] for k in np.flatnonzero(stream.track.sync) if int(k) in stream.rank]
        assert plan.head[1] == min(k for k in keys if k >= first)
        assert plan.tail[1] - plan.tail[0] <= 3


def test_what_a_slice_of_one_frame_holds() -> None:
    """By hand. Shown I b B b P, decoded I P B b b; frame 3, the second b, needs I, P and B before it."""
    track = _track(composition=[0, 400, 200, 100, 300], durations=[100] * 5, sync=[1, 0, 0, 0, 0])
    movie = reading.Movie(Path("made.mp4"), 0, 0, 1000, (track,))
    shown = slices.shown_frames(track, movie)
    assert shown.samples.tolist() == [0, 3, 2, 4, 1]
    plan = slices.plan_video(track, shown, 3, 4)
    assert plan.samples.tolist() == [0, 1, 2, 3, 4]
    # Three hidden before (I b B), at 0, 1, 2; the frame at 3 for 100; one after at 103. Decode times are
    # 0 1 2 3 103; the picture decoded at 3 is shown at 1 unless all is moved by 2, and that decoded at 103 is
    # shown at 3, so by 100.
    assert plan.times.scale == 1
    assert (plan.times.composition - 100).tolist() == [0, 103, 2, 1, 3]
    assert plan.times.durations.tolist() == [1, 1, 1, 100, 1]
    assert (plan.times.start, plan.times.length) == (103, 100)


def _track(
    composition: list[int],
    durations: list[int],
    sync: list[int],
    *,
    kind: bytes = b"vide",
    timescale: int = 90_000,
    edits: tuple[reading.Edit, ...] = (),
    stsd: bytes = b"",
) -> reading.Track:
    count = len(composition)
    return reading.Track(
        number=1,
        kind=kind,
        timescale=timescale,
        stsd=stsd,
        durations=np.array(durations),
        composition=np.array(composition),
        decode=np.cumsum(durations) - np.array(durations),
        sizes=np.full(count, 10),
        offsets=np.arange(count) * 10,
        description=np.ones(count, np.int64),
        sync=np.array(sync, np.bool_),
        edits=edits,
        header=HEADER,
        language=0,
    )


def _movie(track: reading.Track) -> reading.Movie:
    return reading.Movie(Path("made.mp4"), 0, 0, 1000, (track,))


# --- the source's own edit list ---------------------------------------------------------------------------


def test_a_pause_and_an_edit_that_hides_both_ends() -> None:
    # Ten frames of 9000 ticks; a pause of 480 ms, then 500 ms from the third frame on.
    edits = (reading.Edit(480, -1), reading.Edit(500, 18_000))
    track = _track([i * 9000 for i in range(10)], [9000] * 10, [1] * 10, edits=edits)
    shown = slices.shown_frames(track, _movie(track))
    assert shown.samples.tolist() == [2, 3, 4, 5, 6]
    assert shown.start == Fraction(48, 100)
    assert slices.movie_span(track, shown, 1, 3) == (Fraction(58, 100), Fraction(78, 100))


@pytest.mark.parametrize(
    ("track", "message"),
    [
        (_track([0, 9], [9, 9], [1, 0], edits=(reading.Edit(1, 0), reading.Edit(1, 9))), "joins 2 parts"),
        (_track([0, 0], [9, 9], [1, 0]), "claim the same moment"),
        (_track([0, 9], [9, 9], [1, 0], edits=(reading.Edit(5, 10_000),)), "no picture at all"),
    ],
)
def test_tables_that_leave_the_frames_open(track: reading.Track, message: str) -> None:
    with pytest.raises(FootageError, match=message):
        slices.shown_frames(track, _movie(track))


def test_no_key_picture_before_the_span() -> None:
    track = _track([0, 9, 18], [9] * 3, [0, 0, 1])
    shown = slices.shown_frames(track, _movie(track))
    with pytest.raises(FootageError, match="no key picture"):
        slices.plan_video(track, shown, 1, 2)
    assert slices.plan_video(track, shown, 2, 3).samples.tolist() == [2]
    for span in [(2, 2), (-1, 1), (0, 4), (2, 1)]:
        with pytest.raises(ValueError, match="not within the 3"):
            slices.plan_video(track, shown, *span)


def test_frames_must_be_those_of_the_probe() -> None:
    track = _track([0, 3003, 6006], [3003] * 3, [1, 0, 0])
    shown = slices.shown_frames(track, _movie(track))
    slices.check_timeline(shown, track, Timeline(np.array([0, 3003, 6006]), 9009, Fraction(1, 90_000)))
    # The same in whole milliseconds, as Matroska counts: 33.37 and 66.73 rounded.
    slices.check_timeline(shown, track, Timeline(np.array([0, 33, 67]), 100, Fraction(1, 1000)))
    # Nanoseconds do not fit into 64 bits once both are counted in a common tick.
    exact = np.array([0, 33_366_667, 66_733_333]) + np.array([0, 0, 0])
    slices.check_timeline(shown, track, Timeline(exact, 100_100_000, Fraction(1, 10**9)))
    with pytest.raises(FootageError, match="differ from frame 2 on"):
        slices.check_timeline(shown, track, Timeline(np.array([0, 33, 69]), 100, Fraction(1, 1000)))
    with pytest.raises(FootageError, match="3 frames where decoding shows 2"):
        slices.check_timeline(shown, track, Timeline(np.array([0, 3003]), 6006, Fraction(1, 90_000)))


# --- sound ------------------------------------------------------------------------------------------------


def _sound(packets: int, edits: tuple[reading.Edit, ...] = (), codec: bytes = b"mp4a") -> reading.Track:
    return _track(
        [i * 1024 for i in range(packets)],
        [1024] * packets,
        [1] * packets,
        kind=b"soun",
        timescale=48_000,
        edits=edits,
        stsd=bytes(20) + codec,
    )


def test_sound_by_hand() -> None:
    """1 s to 2 s of sound whose first 1024 samples are an encoder's priming, hidden by the edit list.

    Second 1 is sample 1024 + 48,000 = 49,024, in packet 47 (48,128 to 49,152); second 2 is sample 97,024, in
    packet 94 (96,256 to 97,280). One packet of lead makes packets 46 to 94; 49,024 - 47,104 = 1,920.
    """
    track = _sound(200, (reading.Edit(4000, 1024),))
    out = slices.plan_sound(track, _movie(track), (Fraction(1), Fraction(2)), 90_000)
    assert out is not None
    assert out.offsets.tolist() == [i * 10 for i in range(46, 95)]
    assert out.edits == (reading.Edit(90_000, 1920),)
    assert out.durations[-1] == 97_024 - 96_256


def test_opus_is_given_eighty_milliseconds() -> None:
    """RFC 7845, section 4.6: at least 3840 samples at 48 kHz are decoded before what is heard."""
    track = _sound(200, codec=b"Opus")
    out = slices.plan_sound(track, _movie(track), (Fraction(1), Fraction(2)), 90_000)
    assert out is not None
    assert out.edits[0].media_time >= 3840


@given(
    st.integers(0, 3000),
    st.integers(0, 2000),
    st.fractions(0, 4, max_denominator=30_000),
    st.fractions(Fraction(1, 1000), 4, max_denominator=30_000),
)
@settings(max_examples=300, deadline=None)
def test_sound_is_in_step_to_the_sample(pause: int, skip: int, begin: Fraction, length: Fraction) -> None:
    track = _sound(150, (reading.Edit(pause, -1), reading.Edit(10_000, skip)))
    out = slices.plan_sound(track, _movie(track), (begin, begin + length), 90_000)
    here = Fraction(pause, 1000)
    heard_from = max(begin, here)
    heard_to = min(begin + length, here + Fraction(150 * 1024 - skip, 48_000))
    if out is None:
        assert heard_to - heard_from <= Fraction(1, 48_000)
        return
    silence = Fraction(out.edits[0].duration, 90_000) if len(out.edits) == 2 else Fraction(0)
    assert abs(silence - (heard_from - begin)) <= Fraction(1, 48_000)
    edit = out.edits[-1]
    first = int(out.offsets[0]) // 10
    position = first * 1024 + edit.media_time
    asked = skip + (heard_from - here) * 48_000
    assert abs(position - asked) <= Fraction(1, 2)
    assert abs(Fraction(edit.duration, 90_000) - (heard_to - heard_from)) <= Fraction(2, 48_000)
    # A packet comes before the one in which hearing begins, if there is one; none too many comes after.
    assert first == max(0, position // 1024 - 1)
    assert 0 < int(out.durations[-1]) <= 1024
    assert int(out.durations.sum()) == edit.media_time + round(
        (min(skip + (begin + length - here) * 48_000, 150 * 1024)) - position
    )


# --- bytes ------------------------------------------------------------------------------------------------


@given(
    st.lists(
        st.lists(st.tuples(st.integers(0, 400_000), st.integers(1, 3000)), min_size=1, max_size=30),
        min_size=1,
        max_size=3,
    )
)
@settings(max_examples=100, deadline=None)
def test_runs_hold_every_sample(tracks: list[list[tuple[int, int]]]) -> None:
    places = [np.array(track).T for track in tracks]
    runs, moved = slices.gathered(places)
    laid = np.concatenate([np.arange(start, start + length) for start, length in runs])
    for (offsets, sizes), news in zip(places, moved, strict=True):
        for offset, size, new in zip(offsets, sizes, news, strict=True):
            np.testing.assert_array_equal(laid[new : new + size], np.arange(offset, offset + size))
    # Runs ascend, and lie further apart than what is merged.
    for (start, length), (following, _) in itertools.pairwise(runs):
        assert following > start + length + slices.NEAR


@pytest.fixture
def pair(tmp_path: Path) -> tuple[int, int]:
    data = np.random.default_rng(3).integers(0, 256, 3 << 20, np.uint8).tobytes()
    (tmp_path / "source").write_bytes(data)
    source = os.open(tmp_path / "source", os.O_RDONLY)
    target = os.open(tmp_path / "target", os.O_RDWR | os.O_CREAT)
    yield source, target  # type: ignore[misc]
    os.close(source)
    os.close(target)


RUNS = ((5, 100), (70_000, 2 << 20), (0, 1))


@pytest.mark.parametrize("problem", [None, errno.EXDEV, errno.ENOSYS])
def test_copying_with_and_without_the_kernels_help(
    pair: tuple[int, int], monkeypatch: pytest.MonkeyPatch, problem: int | None
) -> None:
    source, target = pair
    if problem is not None:

        def refuse(*_: object) -> int:
            raise OSError(problem, os.strerror(problem))

        monkeypatch.setattr(os, "copy_file_range", refuse, raising=False)
    slices.copy_runs(source, RUNS, target)
    whole = os.pread(source, 3 << 20, 0)
    assert os.pread(target, 4 << 20, 0) == b"".join(whole[at : at + length] for at, length in RUNS)


def test_short_copies_and_short_writes_go_on(pair: tuple[int, int], monkeypatch: pytest.MonkeyPatch) -> None:
    source, target = pair
    real, write = os.copy_file_range, os.write
    monkeypatch.setattr(os, "copy_file_range", lambda a, b, n, o: real(a, b, min(n, 1000), o))
    slices.copy_runs(source, (RUNS[0], (70_000, 5000)), target)
    monkeypatch.setattr(os, "write", lambda fd, data: write(fd, data[:7]))
    slices.write_all(target, b"a sentence of some length")
    whole = os.pread(source, 3 << 20, 0)
    wanted = whole[5:105] + whole[70_000:75_000] + b"a sentence of some length"
    assert os.pread(target, 4 << 20, 0) == wanted


def test_a_source_that_became_shorter(pair: tuple[int, int]) -> None:
    with pytest.raises(FootageError, match="became shorter"):
        slices.copy_runs(pair[0], [((3 << 20) - 10, 20)], pair[1])

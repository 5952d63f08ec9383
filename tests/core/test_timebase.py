"""Exact time: text, clocks and frames, held against plain Fraction arithmetic."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cliplib.core.timebase import (
    SECOND,
    RoundClock,
    Timeline,
    format_time,
    from_seconds,
    parse_time,
    to_seconds,
)

HOUR = 3600 * SECOND


# --- text -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "us"),
    [
        ("12.4", 12_400_000),
        ("0:12.4", 12_400_000),
        ("4:12.5", 252_500_000),
        ("1:04:12.5", 3_852_500_000),
        ("75", 75_000_000),
        ("75:00", 4_500_000_000),  # minutes may pass 59 where no hour stands above them
        (" 1:12,4 ", 72_400_000),  # the decimal comma of half of Europe
        ("0", 0),
        ("0.000001", 1),
        ("0.0000019", 1),  # rounded down
        ("0:00.999999999999", 999_999),
    ],
)
def test_reads_a_time(text: str, us: int) -> None:
    assert parse_time(text) == us


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("1:60", "at most 59"),
        ("1:60:00", "at most 59"),
        ("1:00:60", "at most 59"),
        ("", "not a time"),
        ("-1", "not a time"),
        ("1:2:3:4", "not a time"),
        ("1m20", "not a time"),
        ("1:-20", "not a time"),
        (".5", "not a time"),
        ("1.", "not a time"),
        ("1e3", "not a time"),
        ("٣", "not a time"),  # a digit in Unicode, not on anybody's clock
        ("1:٣٠", "not a time"),
        ("nan", "not a time"),
        ("9" * 400, "not a time"),
    ],
)
def test_refuses_what_is_no_time(text: str, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        parse_time(text)


@given(st.integers(0, 900 * HOUR))
def test_text_and_back(us: int) -> None:
    assert parse_time(format_time(us)) == us


def test_writes_a_time() -> None:
    assert format_time(0) == "0:00"
    assert format_time(72_400_000) == "1:12.4"
    assert format_time(HOUR) == "1:00:00"
    assert format_time(HOUR - 1) == "59:59.999999"
    assert format_time(-500_000) == "-0:00.5"
    assert format_time(72_460_000, 1) == "1:12.4"  # cut, not rounded: a clock never shows what is yet to come
    assert format_time(72_400_000, 0) == "1:12"
    assert format_time(72_000_000, 3) == "1:12.000"


def test_seconds_of_a_file() -> None:
    assert from_seconds(12.4) == 12_400_000  # 12.4 as a binary fraction is a little less
    assert from_seconds(0.1 + 0.2) == 300_000
    assert from_seconds(180) == 180 * SECOND
    assert from_seconds("12.4") == 12_400_000
    assert from_seconds(Fraction(1, 3)) == 333_333
    assert to_seconds(12_400_000) == 12.4


@given(st.integers(0, 10**12))
def test_microseconds_survive_a_json_number(us: int) -> None:
    assert from_seconds(to_seconds(us)) == us


# --- frames -----------------------------------------------------------------------------------------------

RATES = {
    "25": (Fraction(1, 12800), 512),
    "30000/1001": (Fraction(1, 30000), 1001),
    "24000/1001": (Fraction(1, 24000), 1001),
    "60000/1001 in MPEG-TS": (Fraction(1, 90000), None),  # 1501.5 ticks: they alternate
}


def constant(rate: str, frames: int) -> Timeline:
    time_base, ticks = RATES[rate]
    if ticks is None:
        pts = np.array([i * 3003 // 2 for i in range(frames + 1)], dtype=np.int64)
    else:
        pts = np.arange(frames + 1, dtype=np.int64) * ticks
    return Timeline(pts[:-1], int(pts[-1]), time_base)


@st.composite
def timelines(draw: st.DrawFn) -> Timeline:
    if draw(st.booleans()):
        return constant(draw(st.sampled_from(sorted(RATES))), draw(st.integers(1, 400)))
    time_base = draw(st.sampled_from([Fraction(1, 1000), Fraction(1, 90000), Fraction(1001, 30000)]))
    gaps = draw(st.lists(st.integers(1, 9000), min_size=1, max_size=60))
    pts = np.cumsum([0, *gaps[:-1]], dtype=np.int64)
    return Timeline(pts, int(pts[-1]) + gaps[-1], time_base)


def obvious(timeline: Timeline, in_us: int, out_us: int) -> list[int]:
    """The rule as it is written: frames whose presentation time t satisfies in <= t < out."""
    times = [int(ticks) * timeline.time_base for ticks in timeline.pts]
    first, last = Fraction(in_us, SECOND), Fraction(out_us, SECOND)
    return [i for i, t in enumerate(times) if first <= t < last]


@given(timelines(), st.data())
def test_frames_in_a_span(timeline: Timeline, data: st.DataObject) -> None:
    # Times near a frame's own are the hard ones: from just before it to just behind it.
    near = st.builds(
        lambda frame, off: int(timeline.time_of(frame) * SECOND // 1) + off,
        st.integers(0, len(timeline)),
        st.integers(-2, 2),
    )
    anywhere = st.integers(-SECOND, timeline.duration_us + SECOND)
    in_us, out_us = data.draw(near | anywhere), data.draw(near | anywhere)
    first, last = timeline.frames_in(in_us, out_us)
    assert list(range(first, last)) == obvious(timeline, in_us, out_us)


@given(timelines(), st.data())
def test_frame_on_screen(timeline: Timeline, data: st.DataObject) -> None:
    us = data.draw(st.integers(-SECOND, timeline.duration_us + SECOND))
    times = [int(ticks) * timeline.time_base for ticks in timeline.pts]
    shown = [i for i, t in enumerate(times) if t < Fraction(us + 1, SECOND)]
    assert timeline.frame_at(us) == (shown[-1] if shown else 0)


@given(timelines(), st.data())
def test_frames_and_back(timeline: Timeline, data: st.DataObject) -> None:
    """The microseconds of a span of frames hold exactly those frames."""
    first = data.draw(st.integers(0, len(timeline)))
    last = data.draw(st.integers(first, len(timeline)))
    got = timeline.frames_in(timeline.us_of(first), timeline.us_of(last))
    assert got == (first, last)


@given(timelines(), st.data())
def test_a_frames_time_is_that_frames(timeline: Timeline, data: st.DataObject) -> None:
    """What is logged on a frame is shown, frozen and measured on that very frame, at any rate."""
    frame = data.draw(st.integers(0, len(timeline) - 1))
    us = timeline.us_of(frame)
    alone = frame + 1 == len(timeline) or timeline.us_of(frame + 1) > us
    if alone:  # frames within one microsecond share it
        assert timeline.frame_at(us) == frame
    assert timeline.frame_at(us) >= frame
    assert timeline.first_frame_from(us) <= timeline.frame_at(us)


@pytest.mark.parametrize("rate", sorted(RATES))
def test_an_hour_does_not_drift(rate: str) -> None:
    timeline = constant(rate, 220_000)
    for frame in (0, 1, 89_999, 107_892, 219_999):
        us = timeline.us_of(frame)
        assert timeline.frame_at(us) == timeline.frame_at(us + 1) == frame
        assert timeline.frame_at(us - 1) == max(0, frame - 1)
        assert timeline.first_frame_from(us) == frame


def test_known_frames_of_ntsc_film() -> None:
    """One hour at 30000/1001 is 107 892 frames and a bit (SMPTE ST 12-1 drop-frame counting).

    Drop-frame labels 01:00:00;00 frame 107892, whose true time is 107892 * 1001 / 30000 s = 3599.9964 s.
    """
    timeline = constant("30000/1001", 108_000)
    assert timeline.time_of(107_892) == Fraction(107_892 * 1001, 30_000)
    assert timeline.first_frame_from(HOUR) == 107_893
    assert timeline.frame_at(HOUR) == 107_892


def test_end_of_the_footage() -> None:
    timeline = constant("25", 100)
    assert timeline.duration_us == 4 * SECOND
    assert timeline.time_of(100) == timeline.time_of(5000) == 4
    assert timeline.frames_in(3 * SECOND, 9 * SECOND) == (75, 100)
    assert timeline.frames_in(9 * SECOND, 10 * SECOND) == (100, 100)
    assert timeline.frames_in(2 * SECOND, SECOND) == (50, 50)  # backwards: nothing, and never negative


# --- the ringside clock -----------------------------------------------------------------------------------

# A professional bout: three-minute rounds, one minute of rest (Maryland COMAR 09.14.06.16).
PRO = RoundClock(tuple(12_400_000 + n * 240 * SECOND for n in range(12)), 180 * SECOND)


def test_the_clock_counts_down() -> None:
    assert PRO.to_footage(1, 180 * SECOND) == 12_400_000
    assert PRO.to_footage(1, 0) == 192_400_000
    assert PRO.to_footage(3, parse_time("2:31")) == 12_400_000 + 480 * SECOND + 29 * SECOND
    assert PRO.from_footage(12_400_000) == (1, 180 * SECOND)
    assert PRO.from_footage(192_400_000) == (1, 0)
    assert PRO.from_footage(12_399_999) is None
    assert PRO.from_footage(192_400_001) is None  # the rest
    assert PRO.from_footage(252_399_999) is None
    assert PRO.from_footage(252_400_000) == (2, 180 * SECOND)
    assert PRO.span(2) == (252_400_000, 432_400_000)


@pytest.mark.parametrize(("number", "left"), [(0, 0), (13, 0), (-1, 0), (1, -1), (1, 180 * SECOND + 1)])
def test_the_clock_refuses(number: int, left: int) -> None:
    with pytest.raises(ValueError, match=r"round"):
        PRO.to_footage(number, left)


@st.composite
def clocks(draw: st.DrawFn) -> RoundClock:
    round_us = draw(st.integers(1, 300 * SECOND))
    rests = draw(st.lists(st.integers(1, 90 * SECOND), min_size=1, max_size=12))
    at, starts = draw(st.integers(0, HOUR)), []
    for rest in rests:
        starts.append(at)
        at += round_us + rest
    return RoundClock(tuple(starts), round_us)


@given(clocks(), st.data())
def test_clock_and_back(clock: RoundClock, data: st.DataObject) -> None:
    number = data.draw(st.integers(1, len(clock.starts_us)))
    left = data.draw(st.integers(0, clock.round_us))
    us = clock.to_footage(number, left)
    assert clock.from_footage(us) == (number, left)
    start, end = clock.span(number)
    assert start <= us <= end


@given(clocks(), st.integers(0, 3 * HOUR))
def test_footage_and_back(clock: RoundClock, us: int) -> None:
    there = clock.from_footage(us)
    inside = [n for n in range(1, len(clock.starts_us) + 1) if clock.span(n)[0] <= us <= clock.span(n)[1]]
    assert (there is not None) == bool(inside)
    if there is not None:
        assert there[0] == inside[-1]
        assert clock.to_footage(*there) == us

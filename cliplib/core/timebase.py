"""Time, exactly. The only module that turns text, seconds, ticks and frames into one another.

Three clocks, always named:

    footage time   zero is the presentation time of the first video frame; an int of microseconds (`_us`)
    round clock    counts down within a round, as a ringside clock does; an int of microseconds left
    clip time      zero is the clip's first frame

Frames have presentation timestamps in ticks of the stream's time base. A span is half-open, [in, out), and
holds the frames whose presentation time t satisfies in <= t < out:

    frames     |0    |1    |2    |3    |4
    span          [in............out)
    holds            1     2     3

Nothing here multiplies a time by a frame rate: frames are found by their timestamps, so that variable rate,
30000/1001 and a late first timestamp are ordinary.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # a command that reads or counts no frames starts without NumPy
    import numpy as np
    import numpy.typing as npt

SECOND = 1_000_000
"""Microseconds in a second."""

UNTIMED = -(1 << 63)
"""What a column of int64 times holds for one that nobody knows. Times themselves may be negative: before the
film begins, or on a round clock (see logs.timing)."""

# ASCII: a clock has the digits 0 to 9, and Unicode's others would pass for them.
_TIME = re.compile(
    r"(?:(?:(?P<h>\d{1,3}):)?(?P<m>\d{1,4}):)?(?P<s>\d{1,7})(?:[.,](?P<f>\d{1,12}))?", re.ASCII
)


def parse_time(text: str) -> int:
    """Footage time or clock from `12.4`, `4:12.5` or `1:04:12.5` to microseconds, rounded down.

    Raises ValueError with a sentence for a person. Minutes and seconds under a larger unit stay below 60.
    """
    match = _TIME.fullmatch(text.strip())
    if match is None:
        raise ValueError(
            f"“{text.strip()[:40]}” is not a time; write seconds (72.4), m:ss (1:12.4) or h:mm:ss"
        )
    hours, minutes, seconds = int(match["h"] or 0), int(match["m"] or 0), int(match["s"])
    if match["m"] is not None and seconds > 59:
        raise ValueError(f"“{text.strip()}” has {seconds} seconds after the colon; at most 59 fit")
    if match["h"] is not None and minutes > 59:
        raise ValueError(f"“{text.strip()}” has {minutes} minutes after the hour; at most 59 fit")
    micros = int(((match["f"] or "") + "000000")[:6])
    return ((hours * 60 + minutes) * 60 + seconds) * SECOND + micros


def format_time(us: int, places: int | None = None) -> str:
    """`m:ss`, or `h:mm:ss` from an hour on, with as many decimals as the value needs (or just `places`)."""
    sign, us = ("-", -us) if us < 0 else ("", us)
    whole, micros = divmod(us, SECOND)
    minutes, seconds = divmod(whole, 60)
    hours, minutes = divmod(minutes, 60)
    decimals = f"{micros:06d}".rstrip("0") if places is None else f"{micros:06d}"[:places]
    text = f"{hours}:{minutes:02d}:{seconds:02d}" if hours else f"{minutes}:{seconds:02d}"
    return sign + text + (f".{decimals}" if decimals else "")


def format_clock(us: int) -> str:
    """A round clock's reading, `m:ss`, as it stands ringside: a clock that counts down shows a second until
    that has run, so 20.8 s left read 0:21 (common practice)."""
    return format_time(-(-us // SECOND) * SECOND, 0)


def to_seconds(us: int) -> float:
    """Seconds as a JSON number. For output only; nothing computes with it."""
    return us / SECOND


def decimal_text(value: Fraction) -> str:
    """A number that ends, without an exponent and with every digit that it has: 0.5, 12345.678901. One that
    does not end is rounded to 20 decimals."""
    whole, rest = divmod(abs(value), 1)
    decimals = f"{round(rest * 10**20):020d}".rstrip("0")
    return ("-" if value < 0 else "") + f"{whole}" + (f".{decimals}" if decimals else "")


def from_seconds(value: int | float | str | Fraction) -> int:
    """Microseconds from a number in a TOML or JSON file, through its decimal text, rounded down."""
    if isinstance(value, Fraction):
        return int(value * SECOND // 1)
    return int(Fraction(str(value)) * SECOND // 1)


@dataclass(frozen=True, slots=True, eq=False)
class Timeline:
    """The presentation times of a footage's frames, in order.

    `pts`: int64 array, ticks, ascending, first element 0 (footage time); `end`: ticks at which the last frame
    stops being shown; `time_base`: seconds per tick.
    """

    pts: npt.NDArray[np.int64]
    end: int
    time_base: Fraction

    def __len__(self) -> int:
        return len(self.pts)

    def first_frame_from(self, us: int) -> int:
        """The first frame whose presentation time is >= `us`; `len(self)` if there is none."""
        # t * time_base >= us/1e6  <=>  t >= us / (1e6 * time_base), so the smallest whole tick that will do:
        ticks = -((-us * self.time_base.denominator) // (SECOND * self.time_base.numerator))
        return int(self.pts.searchsorted(ticks, side="left"))

    def frames_in(self, in_us: int, out_us: int) -> tuple[int, int]:
        """[first, last) frames whose presentation time lies in [in, out)."""
        first = self.first_frame_from(in_us)
        return first, max(first, self.first_frame_from(out_us))

    def frame_at(self, us: int) -> int:
        """The frame on screen during the microsecond that begins at `us`, the later one if it changes then;
        clamped to the footage. A frame's own time, which `us_of` rounds down, so gives that frame.
        """
        ticks = -((-(us + 1) * self.time_base.denominator) // (SECOND * self.time_base.numerator))
        return max(0, int(self.pts.searchsorted(ticks, side="left")) - 1)

    def time_of(self, frame: int) -> Fraction:
        """Seconds, exactly; `len(self)` gives the footage's end."""
        ticks = self.end if frame >= len(self.pts) else int(self.pts[frame])
        return ticks * self.time_base

    def us_of(self, frame: int) -> int:
        """Microseconds, rounded down, so that [us_of(a), us_of(b)) holds exactly the frames a to b - 1
        wherever frames lie more than a microsecond apart.
        """
        return int(self.time_of(frame) * SECOND // 1)

    def frames_shown(
        self, first: int, last: int, rate: Fraction, speed: Fraction = Fraction(1)
    ) -> tuple[int, ...]:
        """[first, last) played at `speed` into a video of constant `rate`: for each of its frames the number
        of the frame on screen in the middle of its time. The middle, so that timestamps that were rounded to
        whole milliseconds neither repeat nor drop a frame. At least one frame comes out.
        """
        start, end = self.time_of(first), self.time_of(last)
        count = max(1, -((-2 * (end - start) * rate / speed + 1) // 2))
        ticks = [int((start + Fraction(2 * k + 1, 2) * speed / rate) / self.time_base) for k in range(count)]
        shown = self.pts.searchsorted(ticks, side="right") - 1
        return tuple(shown.clip(first, last - 1).tolist())

    @property
    def duration_us(self) -> int:
        return int(self.end * self.time_base * SECOND // 1)


@dataclass(frozen=True, slots=True)
class RoundClock:
    """Between footage time and a ringside clock. `starts_us[i]`: the bell that opens round i + 1.

    `jumps`: (from, until, how far the clock runs meanwhile) in order, where the clock does not run with the
    film: film was left out, or the clock stood still.
    """

    starts_us: tuple[int, ...]
    round_us: int
    jumps: tuple[tuple[int, int, int], ...] = ()

    def to_footage(self, round_no: int, left_us: int) -> int:
        """Footage time of `left_us` on the clock of round `round_no`; ValueError if none. A moment that the
        film leaves out is where the film goes on."""
        if not 1 <= round_no <= len(self.starts_us):
            raise ValueError(f"round {round_no} is not one of the fight's {len(self.starts_us)} rounds")
        if not 0 <= left_us <= self.round_us:
            raise ValueError(
                f"{format_time(left_us)} on the clock is outside a round of {format_time(self.round_us)}"
            )
        return after(self.starts_us[round_no - 1], self.round_us - left_us, self.jumps)

    def from_footage(self, us: int) -> tuple[int, int] | None:
        """(round, microseconds left), or None before the first bell and between rounds."""
        for number in range(len(self.starts_us), 0, -1):
            if us >= self.starts_us[number - 1]:
                elapsed = self.elapsed(number, us)
                return (number, self.round_us - elapsed) if elapsed <= self.round_us else None
        return None

    def elapsed(self, round_no: int, us: int) -> int:
        """How far the clock has run from the bell of a round to a moment of the footage; less than nothing
        before it."""
        start = self.starts_us[round_no - 1]
        run = us - start
        for first, last, jump in self.jumps:
            if start <= first and us > first:
                passed = min(us, last) - first
                run += (jump if us >= last else min(jump, passed)) - passed
        return run

    def span(self, round_no: int) -> tuple[int, int]:
        """[bell, bell) of a round in footage time."""
        start = self.starts_us[round_no - 1]
        return start, after(start, self.round_us, self.jumps)


def after(start_us: int, run_us: int, jumps: Sequence[tuple[int, int, int]]) -> int:
    """Where in the footage a clock that began to run at `start_us` has run by `run_us`."""
    at, left = start_us, run_us
    for first, last, jump in jumps:
        if first < start_us:
            continue
        if left < first - at:
            break
        left -= first - at
        if left < jump:
            return min(first + left, last)
        if left == 0 and jump == 0:
            return first
        left -= jump
        at = last
    return at + left

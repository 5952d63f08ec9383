"""Which frame of which footage each frame of a point's film shows, and where the film's own sound is heard.
Pure.

From a take, frame k shows what was on the picture in the middle of its time: between two samples while film
ran, the place in the footage is linear in time, and the frame is the one on screen at that place. Without a
take the shots run one after the other, each at its treatment.
"""

from __future__ import annotations

import bisect
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from cliplib.breakdowns.take import Sample, Take
from cliplib.core.timebase import SECOND
from cliplib.reels.frame_shape import Rectangle, region, whole, zoom_between
from cliplib.reels.parts import Drawing, ReelPart
from cliplib.reels.shots import Shot, in_step, shots_of, zoom_amounts

Ints = npt.NDArray[np.int64]

HOLD_US = 4 * SECOND
"""How long a chart stays, unless its link says."""
CARD_US = 3 * SECOND
"""How long the heading stays of a point that has nothing else."""
_TRUST_US = 150_000
"""By how much film may have run further or less far between two samples than its speed says."""
_ASLEEP_US = 2 * SECOND
_STUMBLE_US = SECOND
"""For so long the picture may have stood while film and its sound ran on: a browser left frames out."""
_IN_STEP_US = 40_000
"""EBU R 37: sound at most 40 ms early; the film's own sound is set anew before it is further off."""


@dataclass(frozen=True, slots=True, eq=False)
class FilmShot:
    """What a shot is shown from: a clip (`part.beside` for two at once), or a chart as a PNG. With neither,
    it is missing, and `label` says what."""

    label: str
    part: ReelPart | None = None
    still: bytes | None = None
    hold_us: int = HOLD_US

    @property
    def panes(self) -> tuple[ReelPart, ...]:
        if self.part is None:
            return ()
        return (self.part, self.part.beside.part) if self.part.beside else (self.part,)


@dataclass(frozen=True, slots=True)
class Look:
    """How a shot is seen: for each of its clips what of the picture, mirrored or not, with which drawings."""

    shot: int
    seen: tuple[Rectangle, ...] = ()
    mirror: tuple[bool, ...] = ()
    drawings: tuple[tuple[Drawing, ...], ...] = ()


@dataclass(frozen=True, slots=True)
class FilmSound:
    """The film's own sound: `frames` of the film from frame `at` on, heard from `start` seconds of the shot's
    footage at `speed`."""

    shot: int
    at: Fraction  # seconds of the point's film
    length: Fraction
    start: Fraction
    speed: Fraction = Fraction(1)


@dataclass(frozen=True, slots=True, eq=False)
class PointPlan:
    """[n] each: `look`: place in `looks`; `frame`: of the shot's footage, `other`: of the second clip's; -1
    where there is none; `pace`: hundredths of film's own speed, 0 for a still. `spoken`: microseconds of
    voice."""

    look: Ints
    frame: Ints
    other: Ints
    pace: Ints
    looks: tuple[Look, ...]
    sounds: tuple[FilmSound, ...]
    spoken: int = 0
    notes: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.look)


@dataclass(slots=True)
class _Row:
    """What is being laid out, frame by frame."""

    looks: dict[Look, int] = field(default_factory=dict)
    cells: list[tuple[int, int, int, int]] = field(default_factory=list)

    def add(
        self, look: Look, frame: int, other: int = -1, pace: Fraction = Fraction(0), times: int = 1
    ) -> None:
        place = self.looks.setdefault(look, len(self.looks))
        self.cells += [(place, frame, other, round(100 * pace))] * times

    def plan(self, sounds: Sequence[FilmSound], spoken: int, notes: Sequence[str] = ()) -> PointPlan:
        columns = np.array(self.cells, np.int64).reshape(-1, 4)
        look, frame, other, pace = (np.ascontiguousarray(columns[:, i]) for i in range(4))
        return PointPlan(look, frame, other, pace, tuple(self.looks), tuple(sounds), spoken, tuple(notes))


NOTHING = Look(-1)
"""The point's heading, as a card: where there is nothing to show."""


def frames_of(us: int, rate: Fraction) -> int:
    """How many frames a film of so many microseconds has: the last one may be longer than what it shows."""
    return max(1, int(-((-us * rate) // SECOND)))


@dataclass(frozen=True, slots=True)
class Stretch:
    """Frames [at, at + frames) of a point's film that show one shot at one pace: a still (0), or film from
    `first` on up to `last`, with it."""

    shot: int
    at: int
    frames: int
    first: int
    last: int
    pace: Fraction
    other: int = -1


def stretches(plan: PointPlan, shots: Sequence[FilmShot], rate: Fraction) -> list[Stretch]:
    """What an editor would call the cuts: a new one wherever shot or pace change, a still one changes, or
    film jumps."""
    found: list[list[int]] = []  # shot, at, frames, first, last, pace, other
    for k in range(len(plan)):
        shot, frame, pace = plan.looks[plan.look[k]].shot, int(plan.frame[k]), int(plan.pace[k])
        last = found[-1] if found else None
        if last and last[0] == shot and last[5] == pace and _goes_on(shots, shot, last[4], frame, pace, rate):
            last[2], last[4] = last[2] + 1, frame
        else:
            found.append([shot, k, 1, frame, frame, pace, int(plan.other[k])])
    return [
        Stretch(shot, at, frames, first, last, Fraction(pace, 100), other)
        for shot, at, frames, first, last, pace, other in found
    ]


def _goes_on(shots: Sequence[FilmShot], shot: int, before: int, now: int, pace: int, rate: Fraction) -> bool:
    if not pace or shot < 0 or shots[shot].part is None:
        return before == now
    part = shots[shot].part
    assert part is not None
    passed = part.source.timeline.time_of(now) - part.source.timeline.time_of(before)
    return 0 <= passed <= Fraction(3 * pace, 100) / rate + Fraction(1, 10)


# --- shots one after the other ----------------------------------------------------------------------------


def plan_shots(shots: Sequence[FilmShot], rate: Fraction, spoken: int = 0) -> PointPlan:
    """Each shot at its treatment. Speech that lasts longer holds the last picture; film that does runs on."""
    row, sounds = _Row(), list[FilmSound]()
    for number, shot in enumerate(shots):
        if shot.part is not None:
            _run(row, sounds, number, shot.part, rate)
        elif shot.still is not None:
            row.add(Look(number), 0, times=frames_of(shot.hold_us, rate))
    if not row.cells:
        row.add(NOTHING, 0, times=frames_of(CARD_US, rate))
    lacking = frames_of(spoken, rate) - len(row.cells) if spoken else 0
    if lacking > 0:
        look, frame, other, _ = row.cells[-1]
        row.cells += [(look, frame, other, 0)] * lacking
    return row.plan(sounds, spoken)


def _run(row: _Row, sounds: list[FilmSound], number: int, part: ReelPart, rate: Fraction) -> None:
    panes = (part, part.beside.part) if part.beside else (part,)
    shots = shots_of(part, rate)
    zooms = [pane.treatment.zoom for pane in panes]
    amounts = [zoom_amounts(shots, zoom, rate) for zoom in zooms]
    near = [region(zoom.region) if zoom else whole() for zoom in zooms]
    mirror = tuple(pane.treatment.mirror for pane in panes)
    at = 0
    for shot in shots:
        if shot.sound:
            length = Fraction(len(shot.frames)) / rate
            sounds.append(FilmSound(number, Fraction(len(row.cells)) / rate, length, shot.start, shot.speed))
        for k, frame in enumerate(shot.frames):
            other = shot.others[k] if shot.others else -1
            seen = tuple(zoom_between(whole(), near[n], amounts[n][at]) for n in range(len(panes)))
            drawn = tuple(_drawn(pane, shot, f) for pane, f in zip(panes, (frame, other), strict=False))
            row.add(Look(number, seen, mirror, drawn), frame, other, shot.pace)
            at += 1


def _drawn(pane: ReelPart, shot: Shot, frame: int) -> tuple[Drawing, ...]:
    us = pane.source.timeline.us_of(frame)
    return tuple(
        d
        for d in pane.treatment.drawings
        if (not d.shots or shot.kind in d.shots)
        and (d.from_us is None or d.from_us <= us)
        and (d.until_us is None or us < d.until_us)
    )


# --- as it was on the picture -----------------------------------------------------------------------------


def plan_take(take: Take, shots: Sequence[FilmShot], rate: Fraction) -> PointPlan:
    """What was on the picture in the take. `shots`: those of the take, in its order; frames of a shot that is
    missing show the point's heading, and `notes` says so."""
    row, notes = _Row(), dict[str, None]()
    times = [sample.t for sample in take.samples]
    for k in range(frames_of(take.us, rate)):
        t = int((2 * k + 1) * SECOND / (2 * rate))
        place = max(0, bisect.bisect_right(times, t) - 1)
        sample = take.samples[place]
        shot = shots[sample.shot]
        if shot.part is None:
            if shot.still is None:
                notes[f"“{shot.label}” is missing; its heading is shown in its place"] = None
            row.add(Look(sample.shot) if shot.still is not None else NOTHING, 0)
            continue
        after = take.samples[place + 1] if place + 1 < len(times) else None
        frame = _frame(shot.part, sample, after, t)
        other = _other(shot.part, sample, after, t, frame, rate)
        row.add(_look(sample, shot), frame, other, sample.speed)
    return row.plan(_heard(take, shots), take.us, (*take.notes, *notes))


def _look(sample: Sample, shot: FilmShot) -> Look:
    count = len(shot.panes)
    seen = region(sample.region) if sample.region else whole()
    mirrored = (sample.mirror in ("both", "first"), sample.mirror in ("both", "second"))
    drawn = tuple(tuple(d for pane, d in sample.drawings if pane == n) for n in range(count))
    return Look(sample.shot, (seen,) * count, mirrored[:count], drawn)


def _place(part: ReelPart, sample: Sample, after: Sample | None, t: int) -> int:
    """Footage time, in microseconds, of what is on the picture at `t`."""
    line = part.source.timeline
    begin = line.us_of(min(sample.frame, len(line) - 1))
    if not sample.speed or t <= sample.t:
        return begin
    straight = begin + int((t - sample.t) * sample.speed)
    if after is None or after.shot != sample.shot or after.t <= sample.t:
        return straight
    ran, said = line.us_of(min(after.frame, len(line) - 1)) - begin, int((after.t - sample.t) * sample.speed)
    if ran >= 0 and abs(ran - said) <= max(_TRUST_US, said // 2):
        return begin + ran * (t - sample.t) // (after.t - sample.t)
    # It jumped: it was moved just before it was noted again; or the machine slept, and nothing ran.
    return begin if after.t - sample.t > _ASLEEP_US else straight


def _frame(part: ReelPart, sample: Sample, after: Sample | None, t: int) -> int:
    line = part.source.timeline
    frame = line.frame_at(_place(part, sample, after, t))
    # A player stops at the clip's end; what was seen outside of it was seen all the same.
    reach = [sample.frame, *([after.frame] if after is not None and after.shot == sample.shot else [])]
    first, last = min(part.first, *reach), max(part.last - 1, *reach)
    return int(min(max(frame, first, 0), last, len(line) - 1))


def _other(part: ReelPart, sample: Sample, after: Sample | None, t: int, frame: int, rate: Fraction) -> int:
    if part.beside is None:
        return -1
    if sample.other is None:
        return in_step(part, part.beside, frame, rate)
    second = Sample(sample.t, sample.shot, sample.other, sample.speed)
    later = None
    if after is not None and after.other is not None:
        later = Sample(after.t, after.shot, after.other, after.speed)
    return _frame(part.beside.part, second, later, t)


def _heard(take: Take, shots: Sequence[FilmShot]) -> list[FilmSound]:
    """Film's own sound, where film ran at its own speed."""
    found: list[list[int]] = []  # shot, at, until, start: microseconds
    for place, sample in enumerate(take.samples):
        part = shots[sample.shot].part
        until = take.samples[place + 1].t if place + 1 < len(take.samples) else take.us
        after = take.samples[place + 1] if place + 1 < len(take.samples) else None
        asleep = until - sample.t > _ASLEEP_US and _place(part, sample, after, until - 1) == _place(
            part, sample, after, sample.t) if part else True  # fmt: skip
        if sample.speed != 1 or part is None or until <= sample.t or asleep:
            continue
        start = _place(part, sample, after, sample.t)
        last = found[-1] if found else None
        if (
            last
            and last[0] == sample.shot
            and sample.t - last[2] <= _STUMBLE_US
            and abs(last[3] + sample.t - last[1] - start) <= _IN_STEP_US
        ):
            last[2] = until
        else:
            found.append([sample.shot, sample.t, until, start])
    second = Fraction(1, SECOND)
    return [FilmSound(n, at * second, (until - at) * second, start * second) for n, at, until, start in found]

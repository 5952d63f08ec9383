"""Which frames of its footage a part of a reel shows, one after the other. Pure."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from cliplib.core.errors import InputError
from cliplib.core.timebase import SECOND
from cliplib.reels.parts import Beside, ReelPart, Zoom


@dataclass(frozen=True, slots=True)
class Shot:
    """`frames[k]`: the source frame that frame k of the shot shows. `kind`: play | slow | freeze.
    `others[k]`: the same of the second clip of a side by side.

    `start`: footage time in seconds at which its sound begins; `sound`: "" for none, else as | stretched.
    """

    kind: str
    frames: tuple[int, ...]
    start: Fraction = Fraction(0)
    speed: Fraction = Fraction(1)
    sound: str = ""
    others: tuple[int, ...] = ()

    @property
    def pace(self) -> Fraction:
        """How fast film runs in it; 0 for a freeze."""
        return Fraction(0) if self.kind == "freeze" else self.speed


def shots_of(part: ReelPart, rate: Fraction) -> tuple[Shot, ...]:
    """The clip once at speed, then as often again slowly as is asked; with the freeze in its place.

    play    |--------x-----|          x: the last matched action
    slow              |---x x x x----|
    freeze                 |hold|
    """
    line, treatment = part.source.timeline, part.treatment
    for one in (part, part.beside.part) if part.beside else (part,):
        if not 0 <= one.first < one.last <= len(one.source.timeline):
            frames = len(one.source.timeline)
            raise InputError(f"frames {one.first} to {one.last} are not in footage of {frames} frames")
    slow = treatment.slow
    if slow is not None and not 0 < slow.speed <= 1:
        raise InputError(f"a slow replay at {slow.speed} times the speed is not slow; take 1/2 or 1/4")
    if part.beside is not None:
        return _in_step(part, part.beside, rate)
    shots = [
        Shot("play", line.frames_shown(part.first, part.last, rate), line.time_of(part.first), sound="as")
    ]
    first_moment, last_moment = _moments(part)
    if slow is not None:
        first = max(part.first, line.frame_at(first_moment - slow.before_us))
        last = min(part.last, max(first + 1, line.first_frame_from(last_moment + slow.after_us)))
        again = Shot(
            "slow",
            line.frames_shown(first, last, rate, slow.speed),
            line.time_of(first),
            slow.speed,
            "stretched" if slow.sound == "stretched" else "",
        )
        shots += [again] * slow.times
    if treatment.freeze is not None:
        frame = min(max(line.frame_at(last_moment + treatment.freeze.offset_us), part.first), part.last - 1)
        hold = max(1, round(treatment.freeze.hold_us * rate / SECOND))
        where = next((i for i, shot in enumerate(shots) if shot.kind == "slow"), 0)
        shots[where : where + 1] = _frozen(shots[where], frame, hold, rate)
    return tuple(shots)


def _moments(part: ReelPart) -> tuple[int, int]:
    line = part.source.timeline
    if not part.moments_us:
        middle = (line.us_of(part.first) + line.us_of(part.last)) // 2
        return middle, middle
    return min(part.moments_us), max(part.moments_us)


def _frozen(shot: Shot, frame: int, hold: int, rate: Fraction) -> list[Shot]:
    """`shot` up to and with its last picture of `frame` (or of the nearest one before), held, and the
    rest."""
    cut = max((k + 1 for k, shown in enumerate(shot.frames) if shown <= frame), default=1)
    held = Shot("freeze", (shot.frames[cut - 1],) * hold, others=shot.others[cut - 1 : cut] * hold)
    before = dataclasses.replace(shot, frames=shot.frames[:cut], others=shot.others[:cut])
    after = dataclasses.replace(
        shot,
        frames=shot.frames[cut:],
        others=shot.others[cut:],
        start=shot.start + Fraction(cut) / rate * shot.speed,
    )
    return [before, held, *([after] if after.frames else [])]


def _in_step(part: ReelPart, beside: Beside, rate: Fraction) -> tuple[Shot, ...]:
    """Two clips at once: their last matched actions on one frame. Who has not begun, or has ended, stands.

    first     |-------x-----|
    second        |---x----------|
    shown     |--------------... |
    """
    treatment, other = part.treatment, beside.part
    meet, meet_other = (_meeting(one) for one in (part, other))
    meet_other -= Fraction(beside.offset) / rate  # a later second clip has shown less when they meet
    spans = [
        (one.source.timeline.time_of(one.first) - at, one.source.timeline.time_of(one.last) - at)
        for one, at in ((part, meet), (other, meet_other))
    ]
    begin, end = min(first for first, _ in spans), max(last for _, last in spans)

    def shown(since: Fraction, until: Fraction, speed: Fraction) -> tuple[tuple[int, ...], tuple[int, ...]]:
        count = max(1, -((-2 * (until - since) * rate / speed + 1) // 2))
        times = [since + Fraction(2 * k + 1, 2) * speed / rate for k in range(count)]
        first, second = (
            tuple(_on_screen(one, at + t) for t in times) for one, at in ((part, meet), (other, meet_other))
        )
        return first, second

    frames, others = shown(begin, end, Fraction(1))
    shots = [Shot("play", frames, max(Fraction(0), meet + begin), sound="as", others=others)]
    slow = treatment.slow
    if slow is not None:
        since = max(begin, -Fraction(slow.before_us, SECOND))
        until = max(since + Fraction(1) / rate, min(end, Fraction(slow.after_us, SECOND)))
        frames, others = shown(since, until, slow.speed)
        sound = "stretched" if slow.sound == "stretched" else ""
        shots += [
            Shot("slow", frames, max(Fraction(0), meet + since), slow.speed, sound, others)
        ] * slow.times
    if treatment.freeze is not None:
        frame = _on_screen(part, meet + Fraction(treatment.freeze.offset_us, SECOND))
        hold = max(1, round(treatment.freeze.hold_us * rate / SECOND))
        where = next((i for i, shot in enumerate(shots) if shot.kind == "slow"), 0)
        shots[where : where + 1] = _frozen(shots[where], frame, hold, rate)
    return tuple(shots)


def in_step(part: ReelPart, beside: Beside, frame: int, rate: Fraction) -> int:
    """The second clip's frame beside frame `frame` of the first one."""
    passed = part.source.timeline.time_of(frame) - _meeting(part)
    return _on_screen(beside.part, _meeting(beside.part) - Fraction(beside.offset) / rate + passed)


def _meeting(part: ReelPart) -> Fraction:
    """Footage time of the frame on screen at the last matched action."""
    line = part.source.timeline
    return line.time_of(line.frame_at(_moments(part)[1]))


def _on_screen(part: ReelPart, seconds: Fraction) -> int:
    """The clip's frame on screen at a footage time, its first or last one if it does not run then."""
    return min(max(part.first, part.source.timeline.frame_at(int(seconds * SECOND // 1))), part.last - 1)


def zoom_amounts(shots: Sequence[Shot], zoom: Zoom | None, rate: Fraction) -> list[float]:
    """For each frame of a part how far it is zoomed in: 0 whole picture, 1 region; eased at both ends."""
    amounts: list[float] = []
    begun = None
    for shot in shots:
        zoomed = zoom is not None and (not zoom.shots or shot.kind in zoom.shots)
        if zoomed and begun is None:
            begun = len(amounts)
        for _ in shot.frames:
            amount = 0.0
            if zoomed and zoom is not None and begun is not None:
                passed = Fraction(len(amounts) - begun) / rate - Fraction(zoom.after_us, SECOND)
                whole = Fraction(max(1, zoom.move_us), SECOND)
                share = float(min(Fraction(1), max(Fraction(0), passed / whole)))
                amount = share * share * (3 - 2 * share)
            amounts.append(amount)
    return amounts

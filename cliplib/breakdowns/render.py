"""A point of a breakdown drawn and sounded: from its plan to pictures, and to one sound of voice and film."""

from __future__ import annotations

from collections.abc import Generator, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from io import BytesIO

import numpy as np
import numpy.typing as npt
from PIL import Image

from cliplib.breakdowns.plan import FilmShot, FilmSound, Look, PointPlan
from cliplib.breakdowns.voice import Voice
from cliplib.core.errors import FootageError
from cliplib.media.frames import FrameReader, Picture, upright_size
from cliplib.media.joining import Encoding, samples_before
from cliplib.media.sound import RATE, Samples, lay, measure, read_sound, silence, stretch
from cliplib.media.working import frames_from
from cliplib.reels import lettering
from cliplib.reels.compose import Composer, View, boxes_for
from cliplib.reels.frame_shape import Box, fit, whole
from cliplib.reels.parts import ReelPart
from cliplib.reels.prepare import QUIETEST, Sounded, Tick, edged, level

AT_ONCE = 48
"""Pictures of one footage that are kept while a slider goes to and fro over them."""
_FAR = 250  # frames of the film after which a decoder isn't waited with
_BLOCK = RATE // 50
_BEFORE_S, _AFTER_S = (
    0.2,
    0.6,
)  # film is lowered before somebody speaks, and comes back after (common practice)


@dataclass(frozen=True, slots=True)
class Mix:
    """`loudness`: LUFS of the whole. `film`: by how many dB the film's own sound is lowered while somebody
    speaks; None for none of it."""

    loudness: float = -16.0
    film: float | None = 15.0


# --- pictures ---------------------------------------------------------------------------------------------


def pictures(
    plan: PointPlan,
    shots: Sequence[FilmShot],
    heading: str,
    encoding: Encoding,
    captions: bool,
    tick: Tick,
) -> Generator[Picture]:
    """Every frame of the point's film. Raises what the media layer raises, and whatever `tick` does."""
    canvas = (encoding.width, encoding.height)
    scenes: dict[int, _Scene] = {}
    feeds = _feeds(plan, shots, canvas, tick)
    last: dict[tuple[int, int], tuple[int, Picture]] = {}
    shown: Picture | None = None
    before: tuple[int, int, int] | None = None
    for k in range(len(plan)):
        state = (int(plan.look[k]), int(plan.frame[k]), int(plan.other[k]))
        if shown is None or state != before:
            before, look = state, plan.looks[state[0]]
            if look.shot not in scenes:
                scenes[look.shot] = _Scene(shots, look.shot, heading, canvas, captions)
            scene = scenes[look.shot]
            if scene.still is not None:
                shown = scene.still
            else:
                sources = []
                for pane, frame in enumerate(state[1:][: len(scene.boxes)]):
                    key = (look.shot, pane)
                    if key not in last or last[key][0] != frame:
                        last[key] = frame, next(feeds[key])
                    sources.append(last[key][1])
                shown = scene.picture(sources, look, state[1:])
        yield shown


class _Scene:
    """A shot on the canvas. `still`: the only picture there is of it, else None."""

    def __init__(
        self,
        shots: Sequence[FilmShot],
        number: int,
        heading: str,
        canvas: tuple[int, int],
        captions: bool,
    ):
        shot = shots[number] if number >= 0 else None
        self.still: Picture | None = None
        self.boxes: list[Box] = []
        if shot is None or not (shot.panes or shot.still):
            self.still = lettering.card("chapter", (heading,), canvas)
        elif shot.still:
            self.still = chart(shot.still, canvas)
        else:
            self.boxes = boxes_for([upright_size(pane.source.info) for pane in shot.panes], canvas)
            said = [pane.caption if captions else () for pane in shot.panes]
            signs = [
                lettering.caption(s, canvas, b.as_tuple()) for s, b in zip(said, self.boxes, strict=True)
            ]
            self._composer = Composer(canvas, self.boxes, [sign for sign in signs if sign is not None])

    def picture(self, sources: Sequence[Picture], look: Look, numbers: Sequence[int]) -> Picture:
        views = [
            View(seen, mirror, drawings)
            for seen, mirror, drawings in zip(look.seen, look.mirror, look.drawings, strict=True)
        ]
        return self._composer.compose(sources, views, numbers)


def chart(png: bytes, canvas: tuple[int, int]) -> Picture:
    """A picture file on paper, as large as it fits."""
    picture = lettering.blank(*canvas, (255, 255, 255))
    with Image.open(BytesIO(png)) as image:
        margin = (canvas[0] * 9 // 10 // 2 * 2, canvas[1] * 9 // 10 // 2 * 2)
        box = fit(image.size, margin)
        scaled = image.convert("RGBA").resize((box.width, box.height), Image.Resampling.LANCZOS)
    left, top = (canvas[0] - box.width) // 4 * 2, (canvas[1] - box.height) // 4 * 2
    lettering.overlay(scaled, left, top).onto(picture)
    return picture


def _feeds(
    plan: PointPlan, shots: Sequence[FilmShot], canvas: tuple[int, int], tick: Tick
) -> dict[tuple[int, int], Iterator[Picture]]:
    """For each shot's clips their pictures, in the order in which the plan changes from one to the next."""
    wanted: dict[tuple[int, int], list[tuple[int, int]]] = {}  # (when, frame)
    zoomed = {look.shot for look in plan.looks if any(seen != whole() for seen in look.seen)}
    for k, (place, *frames) in enumerate(
        zip(plan.look.tolist(), plan.frame.tolist(), plan.other.tolist(), strict=True)
    ):
        shot = plan.looks[place].shot
        if shot < 0:
            continue
        for pane, frame in enumerate(frames[: len(shots[shot].panes)]):
            some = wanted.setdefault((shot, pane), [])
            if not some or some[-1][1] != frame:
                some.append((k, frame))
    feeds = {}
    for (shot, pane), some in wanted.items():
        part = shots[shot].panes[pane]
        upright = [upright_size(one.source.info) for one in shots[shot].panes]
        box = boxes_for(upright, canvas)[pane]
        size = upright[pane] if shot in zoomed else (box.width, box.height)
        feeds[shot, pane] = _feed(part, some, size, tick)
    return feeds


def _feed(
    part: ReelPart, wanted: Sequence[tuple[int, int]], size: tuple[int, int], tick: Tick
) -> Iterator[Picture]:
    path, info, timeline = frames_from(part.source)
    for run in runs_of(wanted):
        with FrameReader(path, info, timeline, size, lambda *_: tick(0)) as reader:
            distinct = sorted(set(run))
            if distinct == run:
                count = 0
                for _, picture in reader.read(distinct):
                    count += 1
                    yield picture
                if count < len(run):
                    raise FootageError(f"frame {run[count]} of {path} cannot be decoded")
            else:
                kept = dict(reader.read(distinct))
                yield from (kept[frame] for frame in run)


def runs_of(wanted: Sequence[tuple[int, int]]) -> list[list[int]]:
    """The frames in pieces that are each decoded in one go: such as ascend, however many, or a few that go to
    and fro. `wanted`: (when, frame)."""
    ascending: list[list[int]] = []
    when = 0
    for at, frame in wanted:
        if ascending and frame > ascending[-1][-1] and at - when <= _FAR:
            ascending[-1].append(frame)
        else:
            ascending.append([frame])
        when = at
    runs: list[list[int]] = []
    for piece in ascending:
        if runs and len(set(runs[-1]) | set(piece)) <= AT_ONCE and _near(runs[-1], piece):
            runs[-1] = runs[-1] + piece
        else:
            runs.append(piece)
    return runs


def _near(one: Sequence[int], other: Sequence[int]) -> bool:
    """Decoding both in one go passes over few others."""
    return max(*one, *other) - min(*one, *other) <= 8 * AT_ONCE


# --- sound ------------------------------------------------------------------------------------------------


def sounded(
    plan: PointPlan, shots: Sequence[FilmShot], voice: Voice | None, mix: Mix, rate: Fraction, tick: Tick
) -> Sounded:
    """Voice and film as one, at the loudness that is asked for."""
    total = samples_before(len(plan), rate) + 2
    spoken = silence(total)
    if voice is not None:
        lay(spoken, voice.samples, 0)
    film = _film(plan.sounds, shots, total, tick) if mix.film is not None else silence(total)
    if not spoken.any() and not film.any():
        return Sounded(silence(total), note="no sound")
    mixed = blended(spoken, film, mix)
    samples, loudness, gain, note = level(mixed, mix.loudness)
    samples = samples.copy()
    edge = min(RATE // 100, total // 2)
    samples[:, :edge] = edged(samples[:, : 2 * edge])[:, :edge]
    samples[:, -edge:] = edged(samples[:, -2 * edge :])[:, -edge:]
    return Sounded(samples, loudness, gain, note)


def blended(voice: Samples, film: Samples, mix: Mix) -> Samples:
    """Both evened to one loudness, the film lowered where the voice speaks."""
    out = voice * _to(voice, mix.loudness)
    if film.any():
        out = out + film * _to(film, mix.loudness) * lowered(voice, -(mix.film or 0.0))
    return out.astype(np.float32)


def _to(samples: Samples, target: float) -> np.float32:
    loud = measure(samples).integrated if samples.any() else float("-inf")
    return np.float32(10 ** ((target - loud) / 20)) if loud >= QUIETEST else np.float32(1)


def lowered(voice: Samples, by_db: float) -> npt.NDArray[np.float32]:
    """[n] the film's gain: `by_db` where somebody speaks, from a little before to a little after, sliding."""
    count = voice.shape[1]
    blocks = -(-count // _BLOCK)
    padded = np.pad(voice, ((0, 0), (0, blocks * _BLOCK - count)))
    power = np.square(padded).mean(axis=0).reshape(blocks, _BLOCK).mean(axis=1)
    db = 10 * np.log10(power + 1e-12)
    heard = db > max(-55.0, float(np.percentile(db, 95)) - 25)
    reach = np.zeros(blocks + 1)
    for at in np.flatnonzero(heard).tolist():
        reach[max(0, at - round(_BEFORE_S * 50))] += 1
        reach[min(blocks, at + 1 + round(_AFTER_S * 50))] -= 1
    speaking = (np.cumsum(reach)[:-1] > 0).astype(np.float32)
    smooth = np.convolve(np.pad(speaking, 5, mode="edge"), np.full(11, 1 / 11), mode="valid")
    gain = 10 ** (by_db * smooth / 20)
    places = np.arange(count) / _BLOCK - 0.5
    return np.interp(places, np.arange(blocks), gain).astype(np.float32)


def _film(sounds: Sequence[FilmSound], shots: Sequence[FilmShot], total: int, tick: Tick) -> Samples:
    out = silence(total)
    for sound in sounds:
        part = shots[sound.shot].part
        length = min(int(sound.length * RATE), total - int(sound.at * RATE))
        if part is None or length < RATE // 20:
            continue
        path, info, _ = frames_from(part.source)
        needed = length if sound.speed == 1 else int(length * sound.speed) + RATE // 10
        heard = read_sound(path, info, sound.start, needed, lambda *_: tick(0))
        if sound.speed != 1:
            heard = stretch(heard, sound.speed, length)
        lay(out, edged(heard), int(sound.at * RATE))
    return out

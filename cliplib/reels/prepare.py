"""One part of a reel, drawn and sounded into the cache, where it stays until it is no longer wanted.

A prepared part is three files named by its key: `.mp4` (pictures), `.wav` (sound) and `.json`, which is
written last and says that the other two are whole. They need not outlive a power cut: a join checks what it
copies.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from cliplib.core.errors import FootageError
from cliplib.media.files import replacing, settle
from cliplib.media.frames import FrameReader, Picture, upright_size
from cliplib.media.joining import Encoding, VideoWriter, samples_before, write_wave
from cliplib.media.sound import RATE, Samples, limit, measure, read_sound, silence, stretch
from cliplib.media.working import frames_from
from cliplib.reels import lettering, typefaces
from cliplib.reels.drawings import drawing_overlays
from cliplib.reels.frame_shape import Frame, fit, region, whole, zoom_between
from cliplib.reels.parts import ReelPart
from cliplib.reels.plan import FADE_FRAMES, PlannedPart, Shot, texts_of, zoom_amounts

CEILING_DB = -2.0
"""dBTP before AAC, which may add a little: the encoded reel stays under EBU R 128's -1."""
QUIETEST = -60.0
"""LUFS. What is quieter is the noise of an idle recorder; raising it would only make a roar (common
practice)."""
EDGE = RATE // 100
"""Samples over which sound rises and falls at a join, so that it doesn't click."""

Tick = Callable[[int], None]
"""Called with how many more frames are done; may raise to stop."""


@dataclass(frozen=True, slots=True)
class Prepared:
    """A prepared part's files, and what was measured when it was made."""

    video: Path
    sound: Path
    frames: int
    loudness: float | None
    gain: float | None
    note: str


def find(cache: Path, part: PlannedPart) -> Prepared | None:
    """The part as an earlier build left it, or None."""
    record = cache / f"{part.key}.json"
    video, sound = record.with_suffix(".mp4"), record.with_suffix(".wav")
    try:
        said = json.loads(record.read_text(encoding="utf-8"))
        whole_files = video.stat().st_size == said["video"] and sound.stat().st_size == said["sound"]
        if not whole_files or said["frames"] != part.frames:
            return None
        os.utime(record)  # the cache drops what was used longest ago
        return Prepared(video, sound, part.frames, said["loudness"], said["gain"], said["note"])
    except (OSError, ValueError, KeyError, TypeError):
        return None


def prepare(
    cache: Path,
    part: PlannedPart,
    clip: ReelPart | None,
    encoding: Encoding,
    joins: str,
    target: float,
    tick: Tick,
) -> Prepared:
    """Draw and sound the part. Raises what the media layer raises, and whatever `tick` does."""
    record = cache / f"{part.key}.json"
    video, sound = record.with_suffix(".mp4"), record.with_suffix(".wav")
    note = ""
    with replacing(video, durable=False) as temporary, VideoWriter(temporary, encoding) as writer:
        pictures: Generator[Picture]
        if clip is None:
            pictures = _card(part, encoding)
        else:
            pictures = _faded(_clip(part, clip, encoding, tick), part.frames, joins)
        with contextlib.closing(pictures):  # whatever happens, nobody goes on decoding
            for picture in pictures:
                writer.write(picture)
                tick(1)
    samples, loudness, gain = silence(samples_before(part.frames, encoding.rate) + 2), None, None
    if clip is not None:
        samples, loudness, gain, note = _sound(part, clip, encoding.rate, target, tick)
    with replacing(sound, durable=False) as temporary:
        write_wave(temporary, samples)
    texts = part.card.lines if part.card else texts_of(part.caption, clip.treatment) if clip else ()
    note = "; ".join(filter(None, (note, typefaces.faults(map(lettering.clean, texts)))))
    settle([video, sound])  # the record vouches for them, also after a power cut
    said = {
        "frames": part.frames,
        "video": video.stat().st_size,
        "sound": sound.stat().st_size,
        "loudness": loudness,
        "gain": gain,
        "note": note,
    }
    with replacing(record, durable=False) as temporary:
        temporary.write_text(json.dumps(said), encoding="utf-8")
    return Prepared(video, sound, part.frames, loudness, gain, note)


# --- pictures ---------------------------------------------------------------------------------------------


def _card(part: PlannedPart, encoding: Encoding) -> Generator[Picture]:
    assert part.card is not None
    still = lettering.card(part.card.kind, part.card.lines, (encoding.width, encoding.height))
    for k in range(part.frames):
        yield _darkened(still, min(1.0, (k + 1) / FADE_FRAMES, (part.frames - k) / FADE_FRAMES))


def _faded(pictures: Iterator[Picture], total: int, joins: str) -> Generator[Picture]:
    edge = min(FADE_FRAMES, total // 2)
    for k, picture in enumerate(pictures):
        light = min(1.0, (k + 0.5) / edge, (total - k - 0.5) / edge) if joins == "fade" and edge else 1.0
        yield _darkened(picture, light)


def _darkened(picture: Picture, light: float) -> Picture:
    if light >= 1:
        return picture
    out = picture.copy()
    for plane, black in zip(lettering.planes(out), (16, 128, 128), strict=True):
        plane[...] = np.rint((plane.astype(np.float32) - black) * light + black).astype(np.uint8)
    return out


def _clip(part: PlannedPart, clip: ReelPart, encoding: Encoding, tick: Tick) -> Iterator[Picture]:
    canvas = (encoding.width, encoding.height)
    treatment = clip.treatment
    upright = upright_size(clip.source.info)
    box = fit(upright, canvas)
    amounts = zoom_amounts(part.shots, treatment.zoom, encoding.rate)
    # A picture that is zoomed into is read at its own size, so that it is scaled only once.
    size = upright if treatment.zoom else (box.width, box.height)
    near = region(treatment.zoom.region) if treatment.zoom else whole()
    signs = [
        sign
        for sign in (
            lettering.caption(part.caption, canvas, box.as_tuple()) if part.caption else None,
            lettering.number_badge(part.number, box.as_tuple()) if part.number else None,
        )
        if sign is not None
    ]
    line = clip.source.timeline
    # One set of drawings lasts for many frames; it is drawn once.
    drawn: dict[Any, list[lettering.Overlay]] = {}
    last_state: tuple[object, ...] = ()
    composed = lettering.blank(*canvas)
    at = 0
    for shot in part.shots:
        for number, source in _read(clip, shot, size, tick):
            seen = zoom_between(whole(), near, amounts[at])
            at += 1
            us = line.us_of(number)
            shown = tuple(
                i
                for i, d in enumerate(treatment.drawings)
                if (not d.shots or shot.kind in d.shots)
                and (d.from_us is None or d.from_us <= us)
                and (d.until_us is None or us < d.until_us)
            )
            state = (number, seen, shown)
            if state != last_state:
                composed = composed.copy()
                frame = Frame(box, seen, treatment.mirror)
                _place(source, composed, frame)
                if shown:
                    if (shown, seen) not in drawn:
                        drawn.clear()
                        drawn[shown, seen] = drawing_overlays([treatment.drawings[i] for i in shown], frame)
                    for sign in drawn[shown, seen]:
                        sign.onto(composed)
                for sign in signs:
                    sign.onto(composed)
                last_state = state
            yield composed


def _read(clip: ReelPart, shot: Shot, size: tuple[int, int], tick: Tick) -> Iterator[tuple[int, Picture]]:
    """(source frame, its picture) for each frame of the shot; each is decoded once."""
    path, info, timeline = frames_from(clip.source)
    wanted = sorted(set(shot.frames))
    with FrameReader(path, info, timeline, size, lambda *_: tick(0)) as reader:
        decoded = reader.read(wanted)
        number, picture = -1, None
        for frame in shot.frames:
            while number < frame:
                try:
                    number, picture = next(decoded)
                except StopIteration:
                    raise FootageError(f"frame {frame} of {path} cannot be decoded") from None
            assert picture is not None
            yield frame, picture


def _place(source: Picture, canvas: Picture, frame: Frame) -> None:
    """The part of `source` that is seen, mirrored if so wished, into the box on the canvas."""
    box = frame.box
    for number, (there, here) in enumerate(
        zip(lettering.planes(source), lettering.planes(canvas), strict=True)
    ):
        half = 1 if number == 0 else 2
        x, y, width, height = box.x // half, box.y // half, box.width // half, box.height // half
        if there.shape != (height, width) or frame.seen != whole():
            tall, wide = there.shape
            left, top = frame.seen.x * wide, frame.seen.y * tall
            across, down = frame.seen.width * wide, frame.seen.height * tall
            if half == 2:  # a chroma sample lies a quarter of its width left of its middle, before and after
                left = min(max(0.0, left + (1 - across / width) / 4), wide - across)
            cut = (left, top, left + across, top + down)
            image = Image.fromarray(there).resize((width, height), Image.Resampling.BICUBIC, box=cut)
            there = np.asarray(image)
        area = here[y : y + height, x : x + width]
        area[...] = there[:, ::-1] if frame.mirror else there
        if frame.mirror and half == 2:
            # Turned round, samples lie at the odd columns; the means of neighbours, at the even ones.
            area[:, 1:] = ((area[:, 1:].astype(np.uint16) + area[:, :-1] + 1) >> 1).astype(np.uint8)


# --- sound ------------------------------------------------------------------------------------------------


def _sound(
    part: PlannedPart, clip: ReelPart, rate: Fraction, target: float, tick: Tick
) -> tuple[Samples, float | None, float | None, str]:
    """The part's sound at `target` LUFS, one sample more than it needs (a part may begin between samples)."""
    total = samples_before(part.frames, rate) + 2
    out = silence(total)
    at, heard = 0, []
    for shot in part.shots:
        first, last = samples_before(at, rate), samples_before(at + len(shot.frames), rate)
        at += len(shot.frames)
        last = total if at == part.frames else last
        if shot.sound:
            out[:, first:last] = _shot_sound(clip, shot, last - first, tick)
            heard.append((first, last))
    if not heard:
        return out, None, None, "no sound"
    sounding = np.concatenate([out[:, first:last] for first, last in heard], axis=1)
    even, loudness, gain, note = level(sounding, target)
    done = 0
    for first, last in heard:
        out[:, first:last] = _edged(even[:, done : done + last - first])
        done += last - first
    return out, loudness, gain, note


def _shot_sound(clip: ReelPart, shot: Shot, length: int, tick: Tick) -> Samples:
    def waiting(*_: object) -> None:
        tick(0)

    path, info, _ = frames_from(clip.source)
    if shot.speed == 1:
        return read_sound(path, info, shot.start, length, waiting)
    needed = int(length * shot.speed) + RATE // 10
    return stretch(read_sound(path, info, shot.start, needed, waiting), shot.speed, length)


def level(samples: Samples, target: float) -> tuple[Samples, float | None, float | None, str]:
    """One gain for the whole clip, and the peaks that then stick out limited (EBU R 128: -1 dBTP at most).

    Returns (samples, LUFS before, gain in dB, a note); silence and recorder noise are left as they are.
    """
    before = measure(samples)
    if before.integrated == float("-inf"):
        return samples, None, None, "silent"
    if before.integrated < QUIETEST:
        return samples, before.integrated, None, "too quiet to be more than noise: left as it is"
    gain = target - before.integrated
    # Limiting takes some loudness away; what is missing is given back, which brings up new peaks: in a few
    # rounds both are met, or (a lone click) the peak's bound wins.
    out, ceiling = samples, CEILING_DB
    for _ in range(4):
        out = (samples * np.float32(10 ** (gain / 20))).astype(np.float32)
        if before.peak + gain > CEILING_DB:
            out = limit(out, ceiling)
        after = measure(out)
        too_high, off = after.peak - CEILING_DB, target - after.integrated
        if too_high <= 0.1 and (abs(off) <= 0.2 or before.peak + gain <= CEILING_DB):
            break
        ceiling -= max(0.0, too_high)
        gain += max(-3.0, min(3.0, off))
    note = (
        "" if abs(target - after.integrated) <= 1 else f"{after.integrated:.1f} LUFS: held down by its peaks"
    )
    return out, before.integrated, gain, note


def _edged(samples: Samples) -> Samples:
    """Rising at the start and falling at the end over `EDGE` samples, as half a cosine does."""
    edge = min(EDGE, samples.shape[1] // 2)
    if edge == 0:
        return samples
    rise = ((1 - np.cos(np.pi * (np.arange(edge) + 0.5) / edge)) / 2).astype(np.float32)
    out = samples.copy()
    out[:, :edge] *= rise
    out[:, -edge:] *= rise[::-1]
    return out


def prune(cache: Path, keep: set[str], most_bytes: int) -> None:
    """Drop the parts that were used longest ago until the rest fits; parts of `keep` stay."""
    parts = []
    for record in cache.glob("*.json"):
        with contextlib.suppress(OSError):
            files = [record, record.with_suffix(".mp4"), record.with_suffix(".wav")]
            parts.append(
                (record.stat().st_mtime_ns, sum(f.stat().st_size for f in files if f.exists()), files)
            )
    total = sum(size for _, size, _ in parts)
    for _, size, files in sorted(parts, key=lambda part: part[0]):
        if total <= most_bytes:
            return
        if files[0].stem in keep:
            continue
        for file in files:
            with contextlib.suppress(OSError):
                file.unlink(missing_ok=True)
        total -= size

"""One part of a reel, drawn and sounded into the cache, where it stays until it is no longer wanted.

A prepared part is three files named by its key: `.mp4` (pictures), `.wav` (sound) and `.json`, which is
written last and says that the other two are whole. They need not outlive a power cut: a join checks what it
copies.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Callable, Generator, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np

from cliplib.core.errors import FootageError
from cliplib.media.files import replacing, settle
from cliplib.media.frames import FrameReader, Picture, upright_size
from cliplib.media.joining import Encoding, VideoWriter, samples_before, write_wave
from cliplib.media.sound import RATE, Samples, limit, measure, read_sound, silence, stretch
from cliplib.media.working import frames_from
from cliplib.reels import lettering, typefaces
from cliplib.reels.compose import Composer, View, boxes_for
from cliplib.reels.frame_shape import region, whole, zoom_between
from cliplib.reels.parts import Drawing, ReelPart
from cliplib.reels.plan import FADE_FRAMES, PlannedPart, texts_of
from cliplib.reels.shots import Shot, zoom_amounts

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


def find(cache: Path, key: str, frames: int) -> Prepared | None:
    """The part filed under `key` as an earlier build left it, or None."""
    record = cache / f"{key}.json"
    video, sound = record.with_suffix(".mp4"), record.with_suffix(".wav")
    try:
        said = json.loads(record.read_text(encoding="utf-8"))
        whole_files = video.stat().st_size == said["video"] and sound.stat().st_size == said["sound"]
        if not whole_files or said["frames"] != frames:
            return None
        os.utime(record)  # the cache drops what was used longest ago
        return Prepared(video, sound, frames, said["loudness"], said["gain"], said["note"])
    except (OSError, ValueError, KeyError, TypeError):
        return None


@dataclass(frozen=True, slots=True, eq=False)
class Sounded:
    """A part's sound, one sample more than it needs (it may begin between samples). `loudness`: LUFS before
    it was evened, by `gain` dB; None for silence."""

    samples: Samples
    loudness: float | None = None
    gain: float | None = None
    note: str = ""


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
    pictures = (
        _card(part, encoding)
        if clip is None
        else faded(_clip(part, clip, encoding, tick), part.frames, joins)
    )

    def sound() -> Sounded:
        if clip is None:
            return Sounded(silence(samples_before(part.frames, encoding.rate) + 2))
        return Sounded(*_sound(part, clip, encoding.rate, target, tick))

    texts = part.card.lines if part.card else texts_of(part.caption, clip.treatment) if clip else ()
    return make(cache, part.key, part.frames, encoding, pictures, sound, texts, tick)


def make(
    cache: Path,
    key: str,
    frames: int,
    encoding: Encoding,
    pictures: Generator[Picture],
    sound: Callable[[], Sounded],
    texts: Sequence[str],
    tick: Tick,
) -> Prepared:
    """Encode `pictures`, then what `sound` gives, into files under `key`; `texts`: all that is written on
    them."""
    record = cache / f"{key}.json"
    video, heard = record.with_suffix(".mp4"), record.with_suffix(".wav")
    with (
        replacing(video, durable=False) as temporary,
        VideoWriter(temporary, encoding) as writer,
        contextlib.closing(pictures),  # whatever happens, nobody goes on decoding
    ):
        for picture in pictures:
            writer.write(picture)
            tick(1)
    made = sound()
    with replacing(heard, durable=False) as temporary:
        write_wave(temporary, made.samples)
    note = "; ".join(filter(None, (made.note, typefaces.faults(map(lettering.clean, texts)))))
    settle([video, heard])  # the record vouches for them, also after a power cut
    said = {
        "frames": frames,
        "video": video.stat().st_size,
        "sound": heard.stat().st_size,
        "loudness": made.loudness,
        "gain": made.gain,
        "note": note,
    }
    with replacing(record, durable=False) as temporary:
        temporary.write_text(json.dumps(said), encoding="utf-8")
    return Prepared(video, heard, frames, made.loudness, made.gain, note)


# --- pictures ---------------------------------------------------------------------------------------------


def _card(part: PlannedPart, encoding: Encoding) -> Generator[Picture]:
    assert part.card is not None
    still = lettering.card(part.card.kind, part.card.lines, (encoding.width, encoding.height))
    for k in range(part.frames):
        yield darkened(still, min(1.0, (k + 1) / FADE_FRAMES, (part.frames - k) / FADE_FRAMES))


def faded(pictures: Iterator[Picture], total: int, joins: str) -> Generator[Picture]:
    edge = min(FADE_FRAMES, total // 2)
    for k, picture in enumerate(pictures):
        light = min(1.0, (k + 0.5) / edge, (total - k - 0.5) / edge) if joins == "fade" and edge else 1.0
        yield darkened(picture, light)


def darkened(picture: Picture, light: float) -> Picture:
    if light >= 1:
        return picture
    out = picture.copy()
    for plane, black in zip(lettering.planes(out), (16, 128, 128), strict=True):
        plane[...] = np.rint((plane.astype(np.float32) - black) * light + black).astype(np.uint8)
    return out


def _clip(part: PlannedPart, clip: ReelPart, encoding: Encoding, tick: Tick) -> Iterator[Picture]:
    canvas = (encoding.width, encoding.height)
    panes = [clip, clip.beside.part] if clip.beside else [clip]
    upright = [upright_size(pane.source.info) for pane in panes]
    boxes = boxes_for(upright, canvas)
    zooms = [pane.treatment.zoom for pane in panes]
    amounts = [zoom_amounts(part.shots, zoom, encoding.rate) for zoom in zooms]
    near = [region(zoom.region) if zoom else whole() for zoom in zooms]
    # A picture that is zoomed into is read at its own size, so that it is scaled only once.
    sizes = [
        size if zoom else (box.width, box.height)
        for size, zoom, box in zip(upright, zooms, boxes, strict=True)
    ]
    said = [part.caption, panes[1].caption if part.caption else ()] if clip.beside else [part.caption]
    signs = [lettering.caption(lines, canvas, box.as_tuple()) for lines, box in zip(said, boxes, strict=True)]
    signs += [lettering.number_badge(part.number, boxes[0].as_tuple())] if part.number else []
    composer = Composer(canvas, boxes, [sign for sign in signs if sign is not None])
    at = 0
    for shot in part.shots:
        # Nobody should take a slow replay for how fast it was; a film without captions stays clean.
        slowed = shot.kind == "slow" and bool(part.caption)
        box, numbered = boxes[0].as_tuple(), part.number is not None
        composer.mark = lettering.speed_badge(shot.speed, box, beneath=numbered) if slowed else None
        wanted = [shot.frames, shot.others] if clip.beside else [shot.frames]
        readers = [
            _read(pane, frames, size, tick) for pane, frames, size in zip(panes, wanted, sizes, strict=True)
        ]
        for read in zip(*readers, strict=True):
            views = [
                View(
                    zoom_between(whole(), near[n], amounts[n][at]),
                    pane.treatment.mirror,
                    _drawn(pane, shot.kind, read[n][0]),
                )
                for n, pane in enumerate(panes)
            ]
            at += 1
            yield composer.compose([picture for _, picture in read], views, [number for number, _ in read])


def _drawn(clip: ReelPart, kind: str, frame: int) -> tuple[Drawing, ...]:
    us = clip.source.timeline.us_of(frame)
    return tuple(
        d
        for d in clip.treatment.drawings
        if (not d.shots or kind in d.shots)
        and (d.from_us is None or d.from_us <= us)
        and (d.until_us is None or us < d.until_us)
    )


def _read(
    clip: ReelPart, frames: Sequence[int], size: tuple[int, int], tick: Tick
) -> Iterator[tuple[int, Picture]]:
    """(source frame, its picture) for each of the frames, which ascend; each is decoded once."""
    path, info, timeline = frames_from(clip.source)
    wanted = sorted(set(frames))
    with FrameReader(path, info, timeline, size, lambda *_: tick(0)) as reader:
        decoded = reader.read(wanted)
        number, picture = -1, None
        for frame in frames:
            while number < frame:
                try:
                    number, picture = next(decoded)
                except StopIteration:
                    raise FootageError(f"frame {frame} of {path} cannot be decoded") from None
            assert picture is not None
            yield frame, picture


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
        out[:, first:last] = edged(even[:, done : done + last - first])
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


def edged(samples: Samples) -> Samples:
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
